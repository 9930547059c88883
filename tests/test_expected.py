"""The expected waveform: interpolation, repeated cycles, and what a lasting change explains."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import interpolate as scipy_interpolate

from daemon.measure.expected import (
    Change,
    Tolerance,
    band_around,
    best_switch,
    best_switches,
    cut_cycle,
    explain,
    fit_change,
    interpolate,
    median_cycle,
    outside,
)

Floats = NDArray[np.float64]
PERIOD = 320.7
TOLERANCE = Tolerance(level_v=32.5, play=1)


def sine(index: Floats, ratio: float = 1.0, turns: float = 0.0) -> Floats:
    angle = 2 * np.pi * (index / PERIOD + turns)
    return np.asarray(325.0 * ratio * (np.sin(angle) + 0.02 * np.sin(5 * angle + 1)))


def test_interpolation_is_the_cubic_through_four_points() -> None:
    volts = np.random.default_rng(1).normal(size=40)
    for place in (5.0, 5.25, 17.9, 30.5):
        whole = int(place)
        four = slice(whole - 1, whole + 3)
        cubic = scipy_interpolate.BarycentricInterpolator(np.arange(40.0)[four], volts[four])
        # Two ways to evaluate one cubic: rounding only.
        assert interpolate(volts, np.array([place]))[0] == pytest.approx(cubic(place), abs=1e-12)


def test_a_cycle_goes_on_in_both_directions() -> None:
    index = np.arange(2000.0)
    cycle = cut_cycle(sine(index), 0, 641.3, PERIOD)
    assert len(cycle.volts) < 1.05 * PERIOD
    far = np.arange(-3000.0, 5000.0)
    # Cubic: (w h)^4 3/128 of the fifth harmonic of 6.5 V, w h = 2 pi 5 / 320.7: 1.4e-5 V.
    assert np.abs(cycle.at(far) - sine(far)).max() < 1e-4


def test_a_cycle_knows_its_fundamental() -> None:
    cycle = cut_cycle(sine(np.arange(2000.0)), 0, 500.0, PERIOD)
    assert cycle.fundamental_v() == pytest.approx(325.0, abs=0.01)


def test_the_median_of_cycles_ignores_what_is_in_one_of_them() -> None:
    index = np.arange(3000.0)
    volts = sine(index)
    volts[900:930] += 300.0
    volts[1500:1560] -= 200.0
    cycle = median_cycle(volts, 0, 330.0, PERIOD, 7)
    assert np.abs(cycle.at(index) - sine(index)).max() < 1e-3


@pytest.mark.parametrize(("ratio", "turns"), [(1.0, 0.0), (0.4, 0.1), (2.0, -0.2), (0.7, 0.45)])
def test_scale_and_delay_are_found_under_a_transient(ratio: float, turns: float) -> None:
    index = np.arange(2000.0)
    cycle = cut_cycle(sine(index), 0, 330.0, PERIOD)
    part = index[1000:1160]
    volts = sine(part, ratio, -turns)
    volts[40:50] += 400.0
    change = fit_change(volts, part, cycle)
    # The 2 % fifth harmonic of a delayed wave is no mixture of the wave and its quarter-cycle
    # delayed self: up to twice that, with opposite phases, stays unexplained.
    assert change.ratio == pytest.approx(ratio, rel=0.04)
    assert change.delay_turns == pytest.approx(turns, abs=0.04 / (2 * np.pi))


def test_no_voltage_left_has_no_delay() -> None:
    index = np.arange(2000.0)
    cycle = cut_cycle(sine(index), 0, 330.0, PERIOD)
    change = fit_change(np.zeros(200), index[700:900], cycle)
    assert change == Change(pytest.approx(0.0, abs=1e-9), 0.0)  # type: ignore[arg-type]


def test_switches_by_every_possible_pair() -> None:
    generator = np.random.default_rng(3)
    for _ in range(20):
        left = np.abs(generator.normal(size=(3, 12)))
        start, stop, cost = best_switches(*left)
        costs = {
            (a, b): left[0, :a].sum() + left[1, a:b].sum() + left[2, b:].sum()
            for a in range(13)
            for b in range(a, 13)
        }
        assert cost == pytest.approx(min(costs.values()))
        assert costs[start, stop] == pytest.approx(cost)
        one = best_switch(left[0], left[1])
        singles = [left[0, :a].sum() + left[1, a:].sum() for a in range(13)]
        assert singles[one] == pytest.approx(min(singles))


def test_a_band_is_left_by_what_no_neighbour_has() -> None:
    low, high = band_around(np.array([0.0, 0.0, 10.0, 10.0, 10.0]), 1)
    assert low.tolist() == [0.0, 0.0, 0.0, 10.0, 10.0]
    assert high.tolist() == [0.0, 10.0, 10.0, 10.0, 10.0]
    wave = np.array([0.0, 10.0, 0.0, 12.0, 7.0])
    assert outside(wave, low, high).tolist() == [0.0, 0.0, 0.0, 2.0, -3.0]


@pytest.mark.parametrize("start_turns", [0.0, 0.06, 0.25, 0.44])
@pytest.mark.parametrize("cycles", [0.5, 1.0, 1.5])
@pytest.mark.parametrize(("ratio", "turns"), [(0.0, 0.0), (0.4, 0.08), (1.8, 0.0)])
def test_a_short_change_is_expected(
    start_turns: float, cycles: float, ratio: float, turns: float
) -> None:
    index = np.arange(2400.0)
    start = (3 + start_turns) * PERIOD
    inside = (index >= start) & (index < start + cycles * PERIOD)
    volts = np.where(inside, sine(index, ratio, turns), sine(index))
    before = cut_cycle(volts, 0, start - 1.1 * PERIOD, PERIOD)
    part = slice(int(start - 20), int(start + cycles * PERIOD + 20))
    told = explain(volts[part], index[part], before, None, TOLERANCE)
    # Half the smallest threshold that is told, 20 % of the peak.
    assert np.abs(told.beyond_v).max() < 32.5
    assert told.step_v > 0.5 * 325.0 * abs(1 - ratio)


def test_a_transient_on_the_start_of_a_dip_stays() -> None:
    index = np.arange(2400.0)
    volts = np.where(index >= 1000, sine(index, 0.4), sine(index))
    volts[1040:1050] += 200.0
    before = cut_cycle(volts, 0, 600.0, PERIOD)
    after = cut_cycle(volts, 0, 1400.0, PERIOD)
    told = explain(volts[900:1300], index[900:1300], before, after, TOLERANCE)
    found = np.flatnonzero(np.abs(told.beyond_v) > 32.5) + 900
    assert found.tolist() == list(range(1040, 1050))
    # A cubic between samples of the reference, against the exact sine.
    assert told.deviation_v[1045 - 900] == pytest.approx(200.0, abs=0.1)
