"""rms against closed forms: over exact windows, and through the pipeline."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import integrate, ndimage

from daemon.measure.rms import accumulate_energy, energy_until, sliding_rms, window_rms
from tests.signals import (
    MANY_CROSSINGS,
    PEAK,
    STATE_2,
    STATE_3,
    Harmonics,
    instants,
    make_setup,
    run,
    supply_wave,
    true_rms,
)

Floats = NDArray[np.float64]

CLASS_A_PCT = 0.1  # IEC 61000-4-30 class A, magnitude, in % of declared (from memory)
IDEAL_PCT = 0.01  # our own aim on samples without noise
TWO_PI = 2 * math.pi


def intervals_pct(volts: Floats, rate_hz: float, nominal_hz: int = 50) -> Floats:
    ran = run(volts, make_setup(rate_hz, frequency_hz=nominal_hz))
    assert len(ran.intervals) >= 4
    return np.array([part.urms_v for part in ran.intervals]) / 230 * 100


@pytest.mark.parametrize("rate_hz", [8000, 11025, 16000, 32000])
@pytest.mark.parametrize(
    ("nominal_hz", "hz"), [(50, 42.5), (50, 50), (50, 57.5), (60, 51), (60, 69)]
)
@pytest.mark.parametrize("harmonics", [{}, STATE_2, STATE_3, MANY_CROSSINGS])
def test_basic_intervals_over_range_and_influence(
    rate_hz: float, nominal_hz: int, hz: float, harmonics: Harmonics
) -> None:
    volts = supply_wave(hz * instants(rate_hz, 1.6) + 0.13, 230, harmonics)
    values = intervals_pct(volts, rate_hz, nominal_hz)
    # Interharmonics at 3.5 and 7.5 times the frequency fit whole numbers of cycles into 10 and 12.
    # Measured: at worst 0.002 %.
    assert values == pytest.approx(np.full(len(values), true_rms(100, harmonics)), abs=IDEAL_PCT)


@pytest.mark.parametrize("percent", [10, 45, 80, 115, 150])  # IEC 62586-2 points (from memory)
@pytest.mark.parametrize("harmonics", [{}, STATE_2, STATE_3])
def test_magnitude_points(percent: float, harmonics: Harmonics) -> None:
    volts = supply_wave(49.7 * instants(16000, 1.6), 2.3 * percent, harmonics)
    values = intervals_pct(volts, 16000)
    assert values == pytest.approx(
        np.full(len(values), true_rms(percent, harmonics)), abs=IDEAL_PCT
    )


@pytest.mark.parametrize("hz", [42.5, 50, 57.5])
def test_direct_voltage_adds_in_quadrature(hz: float) -> None:
    volts = supply_wave(hz * instants(16000, 1.6), 230) + 0.05 * 230
    values = intervals_pct(volts, 16000)
    expected = 100 * math.sqrt(1 + 0.05**2)  # elementary
    assert values == pytest.approx(np.full(len(values), expected), abs=IDEAL_PCT)


@pytest.mark.parametrize("bits", [12, 16])
def test_quantised_samples(bits: int) -> None:
    step_v = 2000 / 2**bits  # 1000 V peak full scale
    volts = np.round(supply_wave(49.97 * instants(16000, 2), 230) / step_v) * step_v
    values = intervals_pct(volts, 16000)
    # Quantising adds step/sqrt(12) in quadrature: 1.9e-5 % at 12 bits; 0.002 % for its spread over
    # 3200 samples, 0.061 % x 0.0125 being the standard deviation.
    assert values == pytest.approx(np.full(len(values), 100.0), abs=0.003)


def phase_cut(degrees: float) -> Floats:
    angle = np.arange(0.5, 720) * np.pi / 360
    return np.where(np.mod(angle, np.pi) < math.radians(degrees), 0, np.sin(angle))


def clipped(share: float) -> Floats:
    return np.clip(np.sin(np.arange(0.5, 720) * np.pi / 360), -share, share)


SINE = np.sin(np.arange(0.5, 720) * np.pi / 360)
# One cycle of each wave at 720 samples, and its rms. Elementary integrals, checked numerically.
CYCLES: dict[str, tuple[Floats, float]] = {
    "sine": (SINE, 0.707107),
    "square": (np.sign(SINE), 1.0),
    "triangle": (2 / np.pi * np.arcsin(SINE), 0.577350),
    "sawtooth": ((np.arange(720) - 359.5) / 360, 0.577350),
    "half-wave rectified": (np.maximum(SINE, 0), 0.5),
    "quasi-square": (np.where(np.abs(SINE) > 0.5, np.sign(SINE), 0), 0.816497),
    "clipped at 95 %": (clipped(0.95), 0.69782),
    "clipped at 90 %": (clipped(0.9), 0.68128),
    "clipped at 80 %": (clipped(0.8), 0.63605),
    "cut 30 degrees": (phase_cut(30), 0.69684),
    "cut 60 degrees": (phase_cut(60), 0.63423),
    "cut 90 degrees": (phase_cut(90), 0.5),
    "cut 120 degrees": (phase_cut(120), 0.31264),
}


@pytest.mark.parametrize("name", CYCLES)
def test_waves_of_known_rms(name: str) -> None:
    cycle, rms = CYCLES[name]
    # 36 kS/s puts every edge of these waves between two samples at 50 Hz.
    volts = PEAK * 230 * np.tile(cycle, 80)
    values = intervals_pct(volts, 36000) / (100 * PEAK)
    # The table's digits; the harmonics alias, but add their power all the same. A jump of the
    # crossing within the steep part of a wave costs nothing, ten cycles repeat exactly.
    assert values == pytest.approx(np.full(len(values), rms), abs=2e-5)


@pytest.mark.parametrize(
    ("harmonics", "rms"),
    [
        ({3: (5, 0), 5: (6, 0), 7: (5, 0)}, 0.71014),
        ({3: (10, 0)}, 0.71063),
        ({3: (10, 180)}, 0.71063),
    ],
)
def test_sums_of_harmonics(harmonics: Harmonics, rms: float) -> None:
    volts = supply_wave(50 * instants(16000, 1.6), 230, harmonics)
    assert intervals_pct(volts, 16000) / (100 * PEAK) == pytest.approx(np.full(7, rms), abs=1e-5)


@pytest.mark.parametrize("depth", [0.1, 0.01])
def test_amplitude_modulation_of_whole_cycles(depth: float) -> None:
    cycles = 50 * instants(16000, 2) + 0.15
    volts = supply_wave(cycles, 230) * (1 + depth * np.sin(TWO_PI * cycles / 10))
    expected = 100 * math.sqrt(1 + depth**2 / 2)  # 1.0024969 and 1.000025, elementary
    values = intervals_pct(volts, 16000)
    # At the run's ends the grid runs on at the frequency of the modulated part: 0.005 %.
    assert values == pytest.approx(np.full(len(values), expected), abs=0.005)


@pytest.mark.parametrize("cycles", [1, 10, 12])
@pytest.mark.parametrize("excess", [0.0001, 0.001, 0.005, 0.02])
def test_a_window_of_the_wrong_length_errs_as_the_closed_form_says(
    cycles: int, excess: float
) -> None:
    # |dU/U| <= |sin(2 pi k e)| / (4 pi k (1 + e)) in first order, elementary; largest over phase.
    per_cycle = 20000.0
    energy = accumulate_energy(np.sin(TWO_PI * np.arange(20000 * (cycles + 2)) / per_cycle))
    start = np.linspace(0, per_cycle, 401)
    length = np.full(401, cycles * per_cycle * (1 + excess))
    errors = window_rms(energy, start, length) * PEAK - 1
    bound = abs(math.sin(TWO_PI * cycles * excess)) / (4 * math.pi * cycles * (1 + excess))
    # Second order: half the square of the bound.
    assert float(np.abs(errors).max()) == pytest.approx(bound, rel=0.02, abs=1e-6)


def test_fractional_windows_beat_whole_samples() -> None:
    # 49.93 Hz at 16 kS/s: a window of 320 whole samples errs by up to 0.070 % (computed); one of
    # 320.448 samples, by the closed form for its two edge samples, by less than a fifth of that.
    period = 16000 / 49.93
    energy = accumulate_energy(np.sin(TWO_PI * np.arange(40000) / period))
    start = np.linspace(0, 30000, 5003)
    whole = window_rms(energy, np.round(start), np.full(len(start), 320.0)) * PEAK - 1
    exact = window_rms(energy, start, np.full(len(start), period)) * PEAK - 1
    assert 100 * float(np.abs(whole).max()) == pytest.approx(0.0701, abs=0.0005)
    assert 100 * float(np.abs(exact).max()) < 0.0701 / 5


def test_energy_between_two_instants_is_the_integral_of_the_held_samples() -> None:
    random = np.random.default_rng(3)
    volts = random.normal(0, 1, 40)
    energy = accumulate_energy(volts)
    for start, stop in ((2.3, 17.9), (0.0, 1.0), (5.5, 5.75), (-0.5, 39.5)):
        edges = np.unique(np.clip([start, stop, *(np.arange(41) - 0.5)], start, stop))
        pieces = [
            integrate.quad(lambda x: float(volts[min(39, round(x))] ** 2), a, b)[0]
            for a, b in pairwise(edges)
        ]
        got = energy_until(energy, np.array([stop])) - energy_until(energy, np.array([start]))
        # Steps integrate exactly: rounding only.
        assert float(got[0]) == pytest.approx(sum(pieces), rel=1e-9)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(seed=st.integers(0, 1000), period=st.integers(2, 50), first=st.integers(0, 40))
def test_sliding_rms_is_scipys_moving_average(seed: int, period: int, first: int) -> None:
    volts = np.random.default_rng(seed).normal(0, 100, 200)
    ours = sliding_rms(accumulate_energy(volts), first + 1, 140, float(period))
    # A window from the instant n holds half of sample n and half of sample n + period.
    weights = np.ones(period + 1)
    weights[[0, -1]] = 0.5
    mean = ndimage.correlate1d(volts**2, weights / period, mode="constant", origin=0)
    middle = np.arange(first + 1, 140) + (period + 1) // 2
    # Same sums in another order.
    assert ours == pytest.approx(np.sqrt(mean[middle]), rel=1e-9)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(place=st.integers(0, 3199))
def test_no_energy_is_lost_or_counted_twice_between_windows(place: int) -> None:
    # One sample of 1 V somewhere: contiguous windows hold its energy once, wherever it is.
    volts = np.zeros(3200)
    volts[place] = 1
    edges = np.linspace(-0.5, 3199.5, 11)
    rms = window_rms(accumulate_energy(volts), edges[:-1], np.diff(edges))
    assert float((rms**2 * np.diff(edges)).sum()) == pytest.approx(1.0, rel=1e-12)


@pytest.mark.parametrize("place", range(0, 40, 3))
def test_one_doubled_half_cycle_appears_once_in_the_basic_intervals(place: int) -> None:
    # IEC 61000-4-30: basic intervals neither overlap nor leave gaps.
    time_s = instants(16000, 3)
    start_s = 1 + place * 0.01
    bump = np.where((time_s > start_s) & (time_s < start_s + 0.01), 2.0, 1.0)
    ran = run(supply_wave(50 * time_s, 230) * bump, make_setup(16000))
    for left, right in zip(ran.intervals[:-1], ran.intervals[1:], strict=True):
        assert left.end_index == right.start_index
    spent = sum(part.urms_v**2 * (part.end_index - part.start_index) for part in ran.intervals)
    cycles = (ran.intervals[-1].end_index - ran.intervals[0].start_index) / 320
    # Three times the energy of a half cycle is added once. The ends are on crossings: a part in
    # ten thousand of one cycle.
    assert spent / 230**2 / 320 - cycles == pytest.approx(1.5, abs=1e-4)


def test_a_week_of_sums_loses_nothing() -> None:
    # The running sum is carried over: 64 pieces give bit by bit what one gives.
    volts = np.random.default_rng(1).normal(0, 230, 64 * 100)
    carried, total = 0.0, [0.0]
    for piece in volts.reshape(64, 100):
        energy = accumulate_energy(piece, carried)
        carried = float(energy[-1])
        total += energy[1:].tolist()
    assert np.array_equal(accumulate_energy(volts), total)
