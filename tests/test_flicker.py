"""Flicker against the response tables of IEC 61000-4-15, edition 2, and a second implementation.

The table values are from memory of the standard; each was confirmed by computing it from the
standard's own definition of the meter (filters, scale, percentiles), to 0.13 % for table 5.
"""

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from daemon.measure.flicker import (
    LAMPS,
    FlickerMeter,
    Sensation,
    ShortTermSlots,
    chain,
    long_term,
    pinst_scale,
    short_term,
)
from tests.signals import slots_from

Floats = NDArray[np.float64]
Table = dict[tuple[int, int], dict[float, float]]

SETTLE_S = 30  # three times what the meter itself leaves out

# IEC 61000-4-15 ed. 2, table 5: voltage changes a minute -> dV/V in % for Pst 1 (rectangular).
# 4800 a minute belongs to 60 Hz, 4000 to 50 Hz. (The 1.045 of 120 V, 60 Hz is the computed one.)
TABLE_5: Table = {
    (230, 50): {1: 2.715, 2: 2.191, 7: 1.450, 39: 0.894, 110: 0.722, 1620: 0.407, 4000: 2.343},
    (230, 60): {1: 2.719, 2: 2.194, 7: 1.450, 39: 0.895, 110: 0.723, 1620: 0.409, 4800: 3.263},
    (120, 50): {1: 3.178, 2: 2.561, 7: 1.694, 39: 1.045, 110: 0.844, 1620: 0.545, 4000: 3.426},
    (120, 60): {1: 3.181, 2: 2.564, 7: 1.694, 39: 1.045, 110: 0.844, 1620: 0.548, 4800: 4.837},
}
# Tables 1 and 2: modulation in Hz -> dV/V in % for a highest Pinst of 1.
SINES: Table = {
    (230, 50): {
        0.5: 2.325,
        1: 1.397,
        1.5: 1.067,
        3: 0.645,
        8.8: 0.250,
        20: 0.704,
        33 + 1 / 3: 2.128,
    },
    (120, 60): {0.5: 2.455, 1: 1.465, 3: 0.717, 8.8: 0.321, 20: 0.978, 25: 1.464, 40: 4.394},
}
SQUARES: Table = {
    (230, 50): {0.5: 0.509, 2: 0.398, 8.8: 0.196, 18: 0.446, 25: 0.764},
    (120, 60): {0.5: 0.598, 2: 0.469, 8.8: 0.252, 18: 0.624, 25: 1.089},
}


def time_s(duration_s: float, rate_hz: float) -> Floats:
    return np.arange(round(duration_s * rate_hz)) / rate_hz


def envelope(t: Floats, modulation_hz: float, depth_pct: float, *, square: bool) -> Floats:
    wave = np.sin(2 * np.pi * modulation_hz * t + 1e-6)
    return 1 + depth_pct / 200 * (np.sign(wave) if square else wave)


def carrier(t: Floats, mains_hz: float, rms_v: float) -> Floats:
    return rms_v * math.sqrt(2) * np.sin(2 * np.pi * mains_hz * t)


def sensation_of(volts: Floats, rate_hz: float, lamp_v: int, mains_hz: int) -> Floats:
    """All Pinst after the settling, measured in frames of a second."""
    meter = FlickerMeter(rate_hz, lamp_v, mains_hz)
    frame = round(rate_hz)
    parts = [meter.feed(volts[n : n + frame]) for n in range(0, len(volts), frame)]
    index = np.concatenate([part.index for part in parts])
    pinst = np.concatenate([part.pinst for part in parts])
    return pinst[index >= SETTLE_S * rate_hz]


def pst_of(cell: tuple[int, int], per_minute: float, depth_pct: float, minutes: float) -> float:
    t = time_s(SETTLE_S + 60 * minutes + 5, 2400)
    volts = carrier(t, cell[1], cell[0]) * envelope(t, per_minute / 120, depth_pct, square=True)
    pinst = sensation_of(volts, 2400, *cell)
    return short_term(pinst[: round(6000 * minutes)])


def flat(table: Table) -> list[tuple[tuple[int, int], float, float]]:
    return [(cell, key, depth) for cell, row in table.items() for key, depth in row.items()]


@pytest.mark.parametrize(("cell", "per_minute", "depth_pct"), flat(TABLE_5))
def test_every_cell_of_table_5(cell: tuple[int, int], per_minute: float, depth_pct: float) -> None:
    # The standard allows 5 %. Ours: 1 %, but 3 % for one and two changes a minute, where the
    # input adaptor with its one minute follows the changes and makes every other step larger.
    tolerance = 0.03 if per_minute <= 2 else 0.01
    assert pst_of(cell, per_minute, depth_pct, 10) == pytest.approx(1, abs=tolerance)


@pytest.mark.parametrize(("cell", "modulation_hz", "depth_pct"), flat(SINES))
def test_sinusoidal_modulation(
    cell: tuple[int, int], modulation_hz: float, depth_pct: float
) -> None:
    t = time_s(SETTLE_S + 20, 3200)
    volts = carrier(t, cell[1], cell[0]) * envelope(t, modulation_hz, depth_pct, square=False)
    # Table 1: 8 %. Ours 1 %: twice the rounding of three printed digits.
    assert sensation_of(volts, 3200, *cell).max() == pytest.approx(1, abs=0.01)


@pytest.mark.parametrize(("cell", "modulation_hz", "depth_pct"), flat(SQUARES))
def test_rectangular_modulation(
    cell: tuple[int, int], modulation_hz: float, depth_pct: float
) -> None:
    t = time_s(SETTLE_S + 20, 3200)
    volts = carrier(t, cell[1], cell[0]) * envelope(t, modulation_hz, depth_pct, square=True)
    # Table 2: 8 %. Ours 4 %: where carrier and modulation meet shifts these by 1 to 2 % in depth,
    # twice that in Pinst.
    assert sensation_of(volts, 3200, *cell).max() == pytest.approx(1, abs=0.04)


@pytest.mark.parametrize("rate_hz", [1000, 8000, 11025, 16000])
def test_any_sampling_rate_gives_the_same(rate_hz: int) -> None:
    t = time_s(SETTLE_S + 10, rate_hz)
    volts = carrier(t, 50, 230) * envelope(t, 8.8, 0.25, square=False)
    assert sensation_of(volts, rate_hz, 230, 50).max() == pytest.approx(1, abs=0.003)


@pytest.mark.parametrize("factor", [0.2, 0.5, 2, 5, 10])
def test_linear(factor: float) -> None:
    # 61000-4-15 ed. 2, linearity, from memory: 5 %. Two minutes hold 39 whole periods.
    assert pst_of((230, 50), 39, 0.894 * factor, 2) / factor == pytest.approx(1, abs=0.01)


@pytest.mark.parametrize(("lamp_v", "amplitude_pct"), [(230, 3.611), (120, 4.126)])
@pytest.mark.parametrize("upper_hz", [150, 250, 450])
def test_two_interharmonics_ten_hertz_apart(
    lamp_v: int, amplitude_pct: float, upper_hz: float
) -> None:
    # 61000-4-15 ed. 2, bandwidth: their beat is a modulation of 10 Hz.
    t = time_s(SETTLE_S + 20, 3200)
    volts = carrier(t, 50 if lamp_v == 230 else 60, 1)
    for tone_hz in (upper_hz, upper_hz - 10):
        volts += carrier(t, tone_hz, amplitude_pct / 100)
    highest = sensation_of(volts, 3200, lamp_v, 50 if lamp_v == 230 else 60).max()
    # The adaptor divides by the mean square, tones included: 0.5 % in Pinst.
    assert highest == pytest.approx(1, abs=0.02)


# 61000-4-15 ed. 2, distorted voltage: % at 180 degrees. Levels from memory; any steady shape must
# do, since only the variation of the mean square counts.
DISTORTION = {3: 5, 5: 6, 7: 5, 9: 1.5, 11: 3.5, 13: 3, 17: 2, 19: 1.76, 23: 1.41, 25: 1.27,
              29: 1.06, 31: 0.97}  # fmt: skip


@pytest.mark.parametrize("cell", [(230, 50), (120, 60)])
def test_distorted_voltage_with_many_zero_crossings(cell: tuple[int, int]) -> None:
    t = time_s(SETTLE_S + 20, 8000)
    volts = carrier(t, cell[1], 1)
    for order, percent in DISTORTION.items():
        volts -= carrier(t, order * cell[1], percent / 100)
    volts *= envelope(t, 8.8, LAMPS[cell[0]].reference_pct, square=False)
    assert sensation_of(volts, 8000, *cell).max() == pytest.approx(1, abs=0.003)


@pytest.mark.parametrize(("cell", "depth_pct"), [((230, 50), 1.418), ((120, 60), 2.126)])
def test_duty_cycle(cell: tuple[int, int], depth_pct: float) -> None:
    # 61000-4-15 ed. 2: 28 Hz rectangular, 12 s of every minute.
    t = time_s(SETTLE_S + 605, 2400)
    shape = envelope(t, 28, depth_pct, square=True)
    shape[(t - SETTLE_S) % 60 >= 12] = 1
    pinst = sensation_of(carrier(t, cell[1], cell[0]) * shape, 2400, *cell)
    assert short_term(pinst[:60000]) == pytest.approx(1, abs=0.01)


def test_frequency_and_level_changing_together() -> None:
    # 61000-4-15 ed. 2: 49.75 Hz at 230.000 V and 50.25 Hz at 228.812 V, changing at 0.5 Hz; levels
    # from memory. 1.054 was computed at 2400 S/s from the definition.
    t = time_s(SETTLE_S + 20, 2400)
    is_first = np.floor(t) % 2 == 0
    phase = 2 * np.pi * np.cumsum(np.where(is_first, 49.75, 50.25)) / 2400
    volts = np.where(is_first, 230.0, 228.812) * math.sqrt(2) * np.sin(phase)
    assert sensation_of(volts, 2400, 230, 50).max() == pytest.approx(1.054, abs=0.02)


def reference_pinst(volts: Floats, rate_hz: float) -> Floats:
    """230 V, 50 Hz, straight from the definition with scipy, every sample, no adaptor."""
    w = 2 * np.pi
    numerator = np.polymul([1.74802 * w * 9.15494, 0], [1 / (w * 2.27979), 1])
    denominator = np.polymul([1, 2 * w * 4.05981, (w * 9.15494) ** 2],
                             np.polymul([1 / (w * 1.22535), 1], [1 / (w * 21.9), 1]))  # fmt: skip
    y = signal.sosfilt(signal.butter(1, 0.05, "high", fs=rate_hz, output="sos"), volts**2 - 1)
    y = signal.sosfilt(signal.butter(6, 35, fs=rate_hz, output="sos"), y)
    y = signal.sosfilt(signal.tf2sos(*signal.bilinear(numerator, denominator, rate_hz)), y)
    low = signal.butter(1, 1 / (w * 0.3), fs=rate_hz, output="sos")
    return np.asarray(3.0959e5 * signal.sosfilt(low, y * y))


def test_irregular_flicker_agrees_with_a_second_implementation() -> None:
    rng = np.random.default_rng(5)
    t = time_s(150, 4800)
    steps = np.repeat(rng.normal(0, 0.004, 1500), 480)  # a new level every 0.1 s
    volts = math.sqrt(2) * np.sin(2 * np.pi * 50 * t) * (1 + steps)
    expected = reference_pinst(volts, 4800)
    meter = FlickerMeter(4800, 230, 50)
    seen = meter.feed(230 * volts)
    # The decimating filter is symmetric: its delay is 4.5 values of 400 a second.
    at = np.round(seen.index - 4.5 * 12).astype(int)
    late = seen.index > SETTLE_S * 4800
    difference = seen.pinst[late] - expected[at][late]
    # Measured 0.11 % of the rms; a delay wrong by one value of 400 a second gives 1.6 %.
    rms = math.sqrt(np.mean(expected[at][late] ** 2))
    assert math.sqrt(np.mean(difference**2)) < 0.003 * rms
    # Every sample against a hundred values a second, and no adaptor against one.
    every = expected[at[late][0] : at[late][-1]]
    assert short_term(seen.pinst[late]) == pytest.approx(short_term(every), rel=0.002)


def test_the_chain_is_the_standards_filters() -> None:
    """Poles and residues against the product of the three filters, written out."""
    for (lamp_v, mains_hz), cut_hz in {(230, 50): 35, (120, 60): 42}.items():
        poles, residues = chain(lamp_v, mains_hz)
        lamp = LAMPS[lamp_v]
        w = 2 * np.pi
        low = signal.butter(6, w * cut_hz, analog=True)
        for f in (0.02, 0.5, 8.8, 25, 35, 100):
            s = 2j * np.pi * f
            weight = lamp.gain * w * lamp.w1_hz * s
            weight /= s**2 + 2 * w * lamp.lambda_hz * s + (w * lamp.w1_hz) ** 2
            weight *= (1 + s / w / lamp.w2_hz) / (1 + s / w / lamp.w3_hz) / (1 + s / w / lamp.w4_hz)
            high = s / (s + w * 0.05)
            passed = high * signal.freqs(*low, [2 * np.pi * f])[1][0] * weight
            assert (residues / (s - poles)).sum() == pytest.approx(passed, abs=1e-9)


def test_scale_factors() -> None:
    # Computed in continuous time from the definition: 3.0959e5 and 3.0764e5.
    assert pinst_scale(230, 50) == pytest.approx(3.0959e5, rel=1e-4)
    assert pinst_scale(120, 60) == pytest.approx(3.0764e5, rel=1e-4)


def test_any_split_gives_the_same() -> None:
    rng = np.random.default_rng(3)
    volts = 325 * np.sin(2 * np.pi * 50 * time_s(30, 11025)) * (1 + 0.01 * rng.normal(size=330750))
    whole = FlickerMeter(11025, 230, 50, 1000).feed(volts)
    meter = FlickerMeter(11025, 230, 50, 1000)
    cuts = np.sort(rng.integers(0, len(volts), 40))
    parts = [meter.feed(piece) for piece in np.split(volts, cuts)]
    assert np.array_equal(np.concatenate([part.index for part in parts]), whole.index)
    # Sums of three squares may round differently with their place in an array.
    pinst = np.concatenate([part.pinst for part in parts])
    assert pinst == pytest.approx(whole.pinst, rel=1e-9)
    assert np.diff(whole.index) == pytest.approx(11025 / meter.pinst_rate_hz)


@pytest.mark.parametrize("tone_hz", [355, 755, 3155])
def test_tones_between_harmonics_do_not_fold_into_flicker(tone_hz: float) -> None:
    # With the fundamental they make products 5 Hz off multiples of 400 and 3200 Hz. Let through,
    # 2 % would be 4 % of modulation at 5 Hz: Pinst 100, as 0.396 % there is Pinst 1.
    t = time_s(SETTLE_S + 5, 16000)
    volts = carrier(t, 50, 1) + carrier(t, tone_hz, 0.02)
    assert sensation_of(volts, 16000, 230, 50).max() < 2e-3


def test_voltage_lost_and_back_leaves_no_trace() -> None:
    t = time_s(240, 2400)
    volts = carrier(t, 50, 230)
    volts[60 * 2400 : 120 * 2400] *= 1e-5
    meter = FlickerMeter(2400, 230, 50)
    seen = meter.feed(volts)
    # A step decays with the 0.05 Hz high-pass to e^(-2 x 100 s / 3.18 s) after 100 s; what stays
    # is the carrier itself, 100 Hz, that the low-pass lets through before as after.
    before = seen.pinst[seen.index < 55 * 2400].max()
    assert before < 1e-3
    assert seen.pinst[seen.index > 220 * 2400].max() == pytest.approx(before, rel=0.01)
    assert np.isfinite(seen.pinst).all()


@pytest.mark.parametrize("phase_rad", [0.0, 0.8, 1.6])
def test_a_start_shows_no_flicker_of_its_own(phase_rad: float) -> None:
    # 49.3 Hz: the first mean square holds no whole number of cycles. Pst of this would be 0.03.
    volts = 325 * np.sin(2 * np.pi * 49.3 * time_s(60, 2400) + phase_rad)
    seen = FlickerMeter(2400, 230, 50).feed(volts)
    assert 10 <= seen.index[0] / 2400 <= 13
    assert seen.pinst.max() < 2e-3


def test_no_voltage_is_no_flicker() -> None:
    seen = FlickerMeter(2400, 230, 50).feed(np.zeros(60 * 2400))
    assert len(seen.pinst)
    assert not seen.pinst.any()


def test_constant_sensation() -> None:
    # The five weights add up to 0.5096.
    assert short_term(np.full(60000, 1.96232)) == pytest.approx(1, abs=1e-5)


def test_percentiles_of_a_known_distribution() -> None:
    # Evenly spread from 0 to 100: exceeded x % of the time is 100 - x.
    ramp = np.linspace(0, 100, 60001)
    smoothed = [99.9, 100 - 3.2 / 3, 100 - 9.2 / 3, 100 - 54 / 5, 100 - 160 / 3]
    power = float(np.dot([0.0314, 0.0525, 0.0657, 0.28, 0.08], smoothed))
    assert short_term(ramp) == pytest.approx(math.sqrt(power), rel=1e-9)


def test_long_term() -> None:
    # cbrt((11 x 0.125 + 8) / 12)
    assert long_term(np.array([0.5] * 11 + [2.0])) == pytest.approx(0.92101, abs=1e-5)


RATE_HZ = 1000.0
PER_S = 100.0


def steady(first_s: float, stop_s: float, pinst: float) -> Sensation:
    index = np.arange(first_s, stop_s, 1 / PER_S) * RATE_HZ
    return Sensation(index, np.full(len(index), pinst))


def test_short_term_slots_lie_on_the_origin() -> None:
    slots = ShortTermSlots(PER_S, slots_from(-60_000, RATE_HZ))  # a slot begins at 540 s
    assert slots.feed(steady(0, 539, 1), []) == []
    first = slots.feed(steady(539, 600, 4), [])
    second = slots.feed(steady(600, 1200, 4), [])
    assert [value.start_index for value in first + second] == [-60_000, 540_000]
    assert [value.flagged for value in first + second] == [True, False]  # the first saw 540 s
    assert second[0].pst == pytest.approx(math.sqrt(0.5096 * 4))


@pytest.mark.parametrize(
    ("span", "flags"),
    [
        ((100_000.0, 101_000.0), [True, False, False]),
        ((599_900.0, 600_100.0), [True, True, False]),
        ((600_000.0, np.inf), [False, True, True]),
    ],
)
def test_a_disturbance_flags_the_slots_it_touches(
    span: tuple[float, float], flags: list[bool]
) -> None:
    slots = ShortTermSlots(PER_S, slots_from(0, RATE_HZ))
    values = []
    for n in range(0, 1802, 2):
        now = (n + 4) * RATE_HZ  # the dip is known 4 s before its Pinst arrives
        known = [span] if span[0] <= now and (np.isinf(span[1]) or now < span[1] + 3e3) else []
        values += slots.feed(steady(n, n + 2, 1), known)
    assert [value.flagged for value in values] == flags
