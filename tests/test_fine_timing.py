"""Start and end of dips and swells in the waveform, against the instants they were made with.

The vectors D1 and D2 of the project's measurement notes: depths, lengths and phases of dips and
swells, with 2 % fifth harmonic and a 12-bit converter of 1000 V full scale.
"""

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.fine_timing import FineTiming, Fundamental, Samples, fine_timing

Floats = NDArray[np.float64]

PEAK_V = 230 * np.sqrt(2)
CODE_V = 1000 / 2048
BOUND_S = 1e-3


def converted(volts: Floats) -> Floats:
    """12 bits over +-1000 V."""
    return np.asarray(np.round(volts / CODE_V) * CODE_V)


def shape(turns: Floats) -> Floats:
    angle = 2 * np.pi * turns
    return np.asarray(PEAK_V * (np.sin(angle) + 0.02 * np.sin(5 * angle + 1)))


class Made:
    """A rectangular dip or swell that begins 12 cycles and `start_deg` after the first sample."""

    def __init__(self, rate_hz: float, frequency_hz: float, start_deg: float, cycles: float):
        self.rate_hz, self.period = rate_hz, rate_hz / frequency_hz
        self.start = (12 + start_deg / 360) * self.period
        self.end = self.start + cycles * self.period
        self.index = np.arange(int(self.end + 0.3 * rate_hz), dtype=np.float64)
        self.is_inside = (self.index >= self.start) & (self.index < self.end)

    def volts(self, ratio: float, jump_deg: float = 0.0) -> Floats:
        turns = self.index / self.period
        inside = ratio * shape(turns + jump_deg / 360)
        return converted(np.where(self.is_inside, inside, shape(turns)))

    def timing(self, volts: Floats) -> FineTiming | None:
        """What is found around the ends that half-cycle values give; None when they give none."""
        ends = half_cycle_ends(volts, self.period)
        if ends is None:
            return None
        start, end = ends
        before, at_end = 0.0, round(end / self.period) * self.period
        return fine_timing(
            cut(volts, start - 0.1 * self.rate_hz, start + 0.2 * self.rate_hz),
            start,
            cut(volts, end - 0.1 * self.rate_hz, end + 0.2 * self.rate_hz),
            end,
            Fundamental(before, self.period),
            Fundamental(at_end, self.period),
        )


def half_cycle_ends(volts: Floats, period: float) -> tuple[float, float] | None:
    """First one-cycle rms on the half-cycle grid beyond 90 or 110 %, first one back by 2 %."""
    starts = np.arange(0, len(volts) - period - 2, period / 2)
    energy = np.concatenate([[0.0], np.cumsum(volts**2)])
    places = np.arange(len(energy)) - 0.5
    until = np.interp(np.stack([starts, starts + period]), places, energy)
    percent = 100 * np.sqrt((until[1] - until[0]) / period) / 230
    for beyond, back in ((percent < 90, percent >= 92), (percent > 110, percent <= 108)):
        if beyond.any():
            first = int(np.argmax(beyond))
            return float(starts[first]), float(starts[first + np.argmax(back[first:])])
    return None


def cut(volts: Floats, start: float, stop: float) -> Samples:
    first = max(0, int(start))
    return Samples(first, volts[first : int(stop)])


def turned_deg(angle_deg: float) -> float:
    """An angle between -180 and 180 degrees."""
    return (angle_deg + 180) % 360 - 180


def assert_ends(made: Made, found: FineTiming, start_deg: float, cycles: float) -> None:
    assert found.start_index is not None
    assert found.end_index is not None
    bound = BOUND_S * made.rate_hz
    assert abs(found.start_index - made.start) <= bound
    assert abs(found.end_index - made.end) <= bound
    # One sample of a 50 Hz wave at 8 kS/s is 2.25 degrees, 1 ms is 18: the larger one counts.
    bound_deg = max(360 / made.period, 360 * bound / made.period)
    assert found.start_angle_deg is not None
    assert found.end_angle_deg is not None
    assert abs(turned_deg(found.start_angle_deg - start_deg)) <= bound_deg
    assert abs(turned_deg(found.end_angle_deg - start_deg - 360 * cycles)) <= bound_deg


RATIOS = (0.0, 0.4, 0.7, 0.85, 0.89, 1.15, 1.2, 2.0)
CYCLES = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 5.0, 10.0, 30.0, 150.0)


@pytest.mark.parametrize(
    ("rate_hz", "frequency_hz"), [(8_000.0, 50.0), (8_000.0, 60.0), (16_000.0, 49.6)]
)
def test_grid_of_dips_and_swells(rate_hz: float, frequency_hz: float) -> None:
    generator = np.random.default_rng(int(frequency_hz))
    n_found = 0
    for ratio, cycles in itertools.product(RATIOS, CYCLES):
        for start_deg in (0.0, 45.0, 90.0, float(generator.uniform(0, 360))):
            made = Made(rate_hz, frequency_hz, start_deg, cycles)
            found = made.timing(made.volts(ratio))
            if found is None:
                assert cycles < 1.5  # too short or too shallow for a half-cycle value to cross
                continue
            assert_ends(made, found, start_deg, cycles)
            # 1 % of the size: 12 bits, and the fifth harmonic where the fit ends in mid cycle.
            assert found.voltage_ratio == pytest.approx(ratio, abs=0.01)
            is_dropout = ratio == 0.0
            assert found.dropout_half_cycles == (round(2 * cycles) if is_dropout else None)
            n_found += 1
    # Of 320: half a cycle crosses no threshold at 85, 89 and 115 %, a whole one not always.
    assert n_found > 270


@pytest.mark.parametrize("jump_deg", [-60.0, -30.0, 15.0, 45.0])
@pytest.mark.parametrize("ratio", [0.4, 0.7])
def test_phase_jump(ratio: float, jump_deg: float) -> None:
    for start_deg, cycles in itertools.product((0.0, 45.0, 90.0, 200.0), (0.5, 1.5, 5.0)):
        made = Made(16_000.0, 50.0, start_deg, cycles)
        found = made.timing(made.volts(ratio, jump_deg))
        assert found is not None
        assert_ends(made, found, start_deg, cycles)
        # 2 % fifth harmonic in the wave and in its fit: up to 4 % of a radian.
        assert found.phase_jump_deg == pytest.approx(jump_deg, abs=2.3)


def test_no_jump_is_claimed_where_no_voltage_is_left() -> None:
    made = Made(16_000.0, 50.0, 90.0, 5.0)
    found = made.timing(made.volts(0.02))
    assert found is not None
    assert found.phase_jump_deg is None
    assert found.dropout_half_cycles == 10


def test_half_a_cycle_is_told_from_a_whole_one_of_half_the_depth() -> None:
    # Both read 70.7 % at first sight: a half-cycle dropout, and a whole cycle at 0.707.
    dropout, dip = Made(16_000.0, 50.0, 0.0, 0.5), Made(16_000.0, 50.0, 0.0, 1.0)
    half, whole = dropout.timing(dropout.volts(0.0)), dip.timing(dip.volts(np.sqrt(0.5)))
    assert half is not None
    assert whole is not None
    assert half.dropout_half_cycles == 1
    assert whole.dropout_half_cycles is None
    assert whole.voltage_ratio == pytest.approx(0.7071, abs=0.01)


def test_noise_moves_a_start_by_less_than_a_millisecond() -> None:
    generator = np.random.default_rng(4)
    for start_deg in generator.uniform(0, 360, 40):
        made = Made(16_000.0, 50.0, float(start_deg), 4.0)
        noise_v = 0.003 * PEAK_V  # rms: 0.3 % of the peak, ten times what is common
        volts = made.volts(0.8) + generator.normal(0, noise_v, len(made.index))
        found = made.timing(volts)
        assert found is not None
        assert_ends(made, found, float(start_deg), 4.0)


def test_a_transient_on_the_start_does_not_move_it() -> None:
    made = Made(16_000.0, 50.0, 45.0, 5.0)
    volts = made.volts(0.5)
    at = int(made.start) + 8
    volts[at : at + 6] += 300.0
    found = made.timing(volts)
    assert found is not None
    assert_ends(made, found, 45.0, 5.0)


@pytest.mark.parametrize("time_constant_s", [0.06, 0.2, 0.6])
@pytest.mark.parametrize("start_deg", [0.0, 70.0, 130.0])
def test_a_motor_start_has_a_start_and_no_end(time_constant_s: float, start_deg: float) -> None:
    made = Made(16_000.0, 50.0, start_deg, 150.0)
    since_s = np.maximum(made.index - made.start, 0) / made.rate_hz
    factor = 1 - 0.35 * np.exp(-since_s / time_constant_s) * (made.index >= made.start)
    found = made.timing(converted(factor * shape(made.index / made.period)))
    assert found is not None
    assert found.start_index == pytest.approx(made.start, abs=BOUND_S * made.rate_hz)
    assert found.end_index is None
    assert found.end_angle_deg is None
    assert found.dropout_half_cycles is None


def test_each_end_of_a_two_stage_dip_belongs_to_its_own_stage() -> None:
    made = Made(16_000.0, 50.0, 90.0, 10.0)
    turns = made.index / made.period
    is_second = made.index >= made.start + 5 * made.period
    factor = np.where(made.is_inside, np.where(is_second, 0.7, 0.4), 1.0)
    found = made.timing(converted(factor * shape(turns)))
    assert found is not None
    assert_ends(made, found, 90.0, 10.0)
    assert found.voltage_ratio == pytest.approx(0.4, abs=0.01)


def test_an_end_not_seen_is_not_told() -> None:
    made = Made(16_000.0, 50.0, 45.0, 5.0)
    volts = made.volts(0.5)
    start = 12 * made.period
    found = fine_timing(cut(volts, start - 1600, start + 800), start, None, None, fundamental(made))
    assert found.start_index == pytest.approx(made.start, abs=2.0)
    assert found.end_index is None


def test_too_few_samples_before_say_nothing() -> None:
    made = Made(16_000.0, 50.0, 45.0, 5.0)
    volts = made.volts(0.5)
    start = 12 * made.period
    found = fine_timing(cut(volts, start - 300, start + 800), start, None, None, fundamental(made))
    assert found == FineTiming(None, None, None, None, None, None, None)


def test_a_steady_voltage_has_no_ends() -> None:
    made = Made(16_000.0, 50.0, 45.0, 5.0)
    volts = made.volts(1.0)
    where = cut(volts, 2000, 7000)
    found = fine_timing(where, 4000.0, where, 5000.0, fundamental(made))
    assert found == FineTiming(None, None, None, None, None, None, None)


def fundamental(made: Made) -> Fundamental:
    return Fundamental(0.0, made.period)
