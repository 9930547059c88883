"""Frequency and magnitude: rows F and M, and waves of known rms.

The cases follow the testing states of IEC 61000-4-30 (2003/2008 editions) and the test points of
IEC 62586-2, both from memory. What is expected follows from the signal.
"""

import math
from dataclasses import replace

import numpy as np

from tools.accuracy_rows import EXACT, FREQUENCY, MAGNITUDE, Grade, Limit, Row, worst
from tools.streams import DECLARED_V, Wave, plain_setup, run_wave
from tools.wave_shapes import SHAPES, Shape
from tools.waves import (
    MANY_CROSSINGS,
    PEAK,
    STATE_2,
    STATE_3,
    Floats,
    Harmonics,
    levels,
    supply_wave,
    true_rms,
)

LEAD = 0.13  # of a cycle: no crossing falls on the first sample
SLOT_S = 10
RANGE_HZ = ((50, 42.5), (50, 50.05), (50, 57.5), (60, 51.0), (60, 59.95), (60, 69.0))
QUICK_RANGE_HZ = RANGE_HZ[::5]
STATES = {"state 2": STATE_2, "state 3": STATE_3}
POINTS_PCT = (10, 45, 80, 115, 150)
ENERGY = Limit(0.05, "", "each burst counted once, our reading of gapless", Grade.OWN)


def supply(
    hz: float, percent: float = 100, harmonics: Harmonics | None = None, dc_pct: float = 0
) -> Wave:
    """A steady voltage; per cent are of the declared one."""
    rms_v, dc_v = DECLARED_V * percent / 100, DECLARED_V * dc_pct / 100

    def wave(time_s: Floats) -> Floats:
        return supply_wave(hz * time_s + LEAD, rms_v, harmonics) + dc_v

    return wave


# Frequency


def frequency_rows(rate_hz: int, *, is_quick: bool) -> list[Row]:
    """F1 to F8. Every value of ten seconds counts, not their mean."""
    duration_s = 10.5 if is_quick else 60.5
    rows = [
        _frequency(f"F1 {hz:g} Hz", rate_hz, (hz,), duration_s, supply(hz), nominal_hz)
        for nominal_hz, hz in (QUICK_RANGE_HZ if is_quick else RANGE_HZ)
    ]
    steady: dict[str, Wave] = {
        **{f"F2 {name}": supply(50, 100, state) for name, state in STATES.items()},
        "F3 seven zero crossings a cycle": supply(50, 100, MANY_CROSSINGS),
        "F4 10 % of declared": supply(50, 10),
        "F4 150 % of declared": supply(50, 150),
        "F4 5 % direct voltage": supply(50, 100, None, 5),
        "F7 interharmonic 1 % at 75 Hz": supply(50, 100, {1.5: (1, 40)}),
        "F7 interharmonic 1 % at 25 Hz": supply(50, 100, {0.5: (1, 40)}),
    }
    chosen = QUICK_STEADY if is_quick else tuple(steady)
    rows += [_frequency(name, rate_hz, (50,), 10.5, steady[name]) for name in chosen]
    # Whole cycles of the slot over their time, from the phase: 499 and 504 of them.
    rows.append(
        _frequency("F5 ramp 49.9 to 50.1 Hz", rate_hz, (50.00016,), 11, _ramp(49.9, 50.1, 0.1))
    )
    rows.append(_frequency("F6 ramp 50 to 51 Hz", rate_hz, (50.50080,), 11, _ramp(50, 51, 0)))
    rows.append(_frequency("F8 step at the edge of a slot", rate_hz, (50, 50.5), 20.5, _step))
    return rows


QUICK_STEADY = ("F3 seven zero crossings a cycle", "F4 10 % of declared")


def _frequency(
    case: str,
    rate_hz: int,
    expected_hz: tuple[float, ...],
    duration_s: float,
    wave: Wave,
    nominal_hz: int = 50,
) -> Row:
    ran = run_wave(wave, duration_s, plain_setup(rate_hz, nominal_hz))
    n_slots = int(duration_s // SLOT_S)
    wanted = expected_hz if len(expected_hz) == n_slots else expected_hz * n_slots
    found = [value.frequency_hz for value in ran.frequencies]
    found += [math.nan] * (n_slots - len(found))
    pairs = zip(wanted, found, strict=True)
    return worst(case, [Row(case, rate_hz, hz, value, FREQUENCY) for hz, value in pairs])


def _ramp(from_hz: float, to_hz: float, lead: float) -> Wave:
    def wave(time_s: Floats) -> Floats:
        ramp = np.minimum(time_s, SLOT_S)
        turns = from_hz * ramp + (to_hz - from_hz) * ramp**2 / (2 * SLOT_S)
        return supply_wave(turns + to_hz * (time_s - ramp) + lead, DECLARED_V)

    return wave


def _step(time_s: Floats) -> Floats:
    return supply_wave(
        np.where(time_s < SLOT_S, 50 * time_s, 500 + 50.5 * (time_s - SLOT_S)), DECLARED_V
    )


# Magnitude


def magnitude_rows(rate_hz: int, *, is_quick: bool) -> list[Row]:
    """M1 to M6, over 10 or 12 cycles."""
    rows = [_magnitude(f"M1 {point} % of declared", rate_hz, 50, point, {}) for point in POINTS_PCT]
    rows += [
        worst(
            f"M2 {name}, {hz:g} Hz",
            [_magnitude("", rate_hz, hz, point, state) for point in POINTS_PCT],
        )
        for name, state in STATES.items()
        for hz in (49.5, 49, 51)
    ]
    rows += [
        _magnitude(f"M3 {hz:g} Hz", rate_hz, hz, 100, {}, nominal_hz) for nominal_hz, hz in RANGE_HZ
    ]
    rows += [_known_wave(shape, rate_hz) for shape in SHAPES]
    rows.append(_gapless(rate_hz))
    if not (is_quick and rate_hz > LONG_QUICK_HZ):
        rows.append(_resynchronised(rate_hz))
    return rows


LONG_QUICK_HZ = 8000  # the quick battery runs its long cases at this rate only


def _magnitude(
    case: str, rate_hz: int, hz: float, percent: float, harmonics: Harmonics, nominal_hz: int = 50
) -> Row:
    ran = run_wave(supply(hz, percent, harmonics), 1.6, plain_setup(rate_hz, nominal_hz))
    expected = true_rms(percent, harmonics)
    return worst(case, _interval_rows(case, rate_hz, expected, ran.intervals_pct()))


def _interval_rows(case: str, rate_hz: int, expected: float, values: Floats) -> list[Row]:
    found = values.tolist() or [math.nan]
    return [Row(case, rate_hz, expected, value, MAGNITUDE) for value in found]


def _known_wave(shape: Shape, rate_hz: int) -> Row:
    """Near 50 Hz, with a number of samples a cycle that puts every edge between two of them."""
    per_cycle = 12 * max(1, round(rate_hz / 50 / 12))

    def wave(time_s: Floats) -> Floats:
        return np.asarray(PEAK * DECLARED_V * shape.volts(time_s * rate_hz / per_cycle))

    ran = run_wave(wave, 1.6, plain_setup(rate_hz))
    values = ran.intervals_pct() / PEAK
    return worst(f"M4 {shape.name}", _interval_rows("", rate_hz, 100 * shape.rms, values))


def _gapless(rate_hz: int) -> Row:
    """Half cycles of twice the voltage, in turn at each place of a basic interval.

    A burst adds three times its own energy, half a cycle's: it has to show as that, once.
    """
    n_bursts, hz = 21, 50
    starts = [(50 + 21 * n / 2 - LEAD) / hz for n in range(n_bursts)]
    steps = [(start, start + 0.5 / hz, 2.0) for start in starts]

    def wave(time_s: Floats) -> Floats:
        return supply_wave(hz * time_s + LEAD, DECLARED_V) * levels(time_s, steps)

    ran = run_wave(wave, 7, plain_setup(rate_hz))
    length = np.array([part.end_index - part.start_index for part in ran.intervals])
    excess = (np.square(ran.intervals_pct() / 100) - 1) * length
    bursts = excess / (3 * rate_hz / hz / 2)
    off = float(np.abs(bursts - np.round(bursts)).max(initial=0))
    counted = float(bursts.sum()) if off < ENERGY.width / 2 else math.nan
    return Row(f"M5 gapless: {n_bursts} half-cycle bursts", rate_hz, n_bursts, counted, ENERGY)


def _resynchronised(rate_hz: int) -> Row:
    """600 s at 49.7 Hz are 2982 basic intervals."""
    ran = run_wave(
        supply(49.7), 601, replace(plain_setup(rate_hz), slot_origin_index=0.2 * rate_hz)
    )
    start_s = np.array([part.start_index for part in ran.intervals]) / rate_hz - 0.2
    count = int(np.count_nonzero((start_s >= 0) & (start_s < 600)))
    one_either_way = EXACT.at(1)
    return Row("M6 basic intervals in ten minutes, 49.7 Hz", rate_hz, 2982, count, one_either_way)
