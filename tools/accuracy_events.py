"""Dips, swells, interruptions, rapid changes and flags: rows D, R and G.

Expected readings follow in closed form from the definition of one-cycle rms on the half-cycle grid
(`accuracy_ideal`), thresholds 90, 110, 5 % and 2 % hysteresis. Limits count from there: how far a
reading by definition lies from the rectangle itself is the method's own matter.
"""

import math
from dataclasses import replace
from itertools import product

import numpy as np

from daemon.rapid_change import RapidChangeDetector, RapidChangeLimits
from daemon.records import Event
from tools.accuracy_ideal import Reading, Step, half_cycle_values, readings
from tools.accuracy_rows import (
    EVENT_DURATION,
    EVENT_MAGNITUDE,
    EXACT,
    RAPID_CHANGE,
    Row,
    worst,
)
from tools.streams import DECLARED_V, Wave, plain_setup, run_wave
from tools.waves import Floats, levels, supply_wave

LEAD = 0.15  # of a cycle the supply is ahead at time 0
PAUSE = 40  # cycles from one rectangle to the next
DIPS = (0.0, 0.4, 0.7, 0.85, 0.89)
SWELLS = (1.15, 1.2, 2.0)
ANGLES_DEG = (0, 45, 90)
CYCLES = (0.5, 1, 1.5, 2, 2.5, 3, 5, 10, 30, 150)
QUICK_CYCLES = (0.5, 1, 10)


def stepped(hz: float, steps: list[Step], turn_deg: float = 0) -> Wave:
    """The declared voltage with rectangles, given in cycles from an upward zero crossing."""
    seconds = [((start - LEAD) / hz, (stop - LEAD) / hz, level) for start, stop, level in steps]
    turn_from_s = seconds[0][0] if turn_deg else math.inf

    def wave(time_s: Floats) -> Floats:
        turns = hz * time_s + LEAD + np.where(time_s >= turn_from_s, turn_deg / 360, 0)
        return supply_wave(turns, DECLARED_V) * levels(time_s, seconds)

    return wave


def dip_rows(rate_hz: int, *, is_quick: bool) -> list[Row]:
    """D1 to D6, D9, D10, D12. D7 and D8 need several channels."""
    cycles = QUICK_CYCLES if is_quick else CYCLES
    rows = []
    for name, values in (("D1 dip to", DIPS), ("D2 swell to", SWELLS)):
        for level, angle in product(values, ANGLES_DEG):
            case = f"{name} {100 * level:g} % from {angle} deg"
            rows += rectangles(case, rate_hz, 50, [(level, angle, length) for length in cycles])
    rows += rectangles("60 Hz, dips from 30 deg", rate_hz, 60, [(0.4, 30, 1), (0.7, 30, 5)])
    interruption_cycles = (1, 2, 5, 30) if is_quick else (*range(1, 31), 3000)
    wanted = [(0.0, 108.0, float(length)) for length in interruption_cycles]
    rows += rectangles("D3 interruption at 49.7 Hz", rate_hz, 49.7, wanted)
    rows += _one_dip("D4 hysteresis: back only at 92.1 %", rate_hz, 50, HYSTERESIS)
    rows += rectangles("D5 89.9 % is a dip, 90.1 % is none", rate_hz, 50, EDGE)
    phases = [(0.0, 1.8 * n, 0.5) for n in range(0, 100, 5 if is_quick else 1)]
    rows += rectangles("D6 a half cycle lost at any phase", rate_hz, 50, phases)
    rows += [_phase_jump(rate_hz, turn_deg) for turn_deg in (-60, -30, 30, 60)]
    rows += _one_dip("D10 two stages, 70 and 40 %", rate_hz, 50, STAGES)
    for hz in (47, 53):
        rows += rectangles(f"D12 dip to 70 % at {hz} Hz", rate_hz, hz, [(0.7, 0, 10)])
    return rows


EDGE = [(0.901, 0.0, 10.0), (0.899, 0.0, 10.0)]
STAGES: list[Step] = [(100, 105, 0.7), (105, 110, 0.4)]
HYSTERESIS: list[Step] = [(50, 150, 0.899), (150, 250, 0.905), (250, 350, 0.919), (350, 450, 0.921)]


def rectangles(
    case: str, rate_hz: int, hz: float, wanted: list[tuple[float, float, float]]
) -> list[Row]:
    """Several rectangles one after the other, each (level, angle in degrees, cycles)."""
    steps: list[Step] = []
    start = PAUSE
    for level, angle, length in wanted:
        begin = start + angle / 360
        steps.append((begin, begin + length, level))
        start += math.ceil(length) + PAUSE
    return _compared(case, rate_hz, hz, steps, start)


def _one_dip(case: str, rate_hz: int, hz: float, steps: list[Step]) -> list[Row]:
    return _compared(case, rate_hz, hz, steps, math.ceil(steps[-1][1]) + PAUSE)


def _compared(case: str, rate_hz: int, hz: float, steps: list[Step], n_cycles: int) -> list[Row]:
    """The events of a stepped voltage against the readings that the definition gives."""
    setup = plain_setup(rate_hz, 60 if hz > 55 else 50)
    events = run_wave(stepped(hz, steps), n_cycles / hz, setup).events
    values = half_cycle_values(steps, 2 * n_cycles - 4)
    ideal = readings(values, 0.9, 0.92) + readings(values, 1.1, 1.08, is_swell=True)
    rows = [Row(f"{case}: events", rate_hz, len(ideal), len(events), EXACT)]
    if len(events) != len(ideal) or not events:
        return rows
    pairs = list(zip(sorted(ideal, key=lambda one: one.start_cycle), events, strict=True))
    sizes = [
        Row("", rate_hz, 100 * one.extreme, event.value_pct, EVENT_MAGNITUDE)
        for one, event in pairs
    ]
    lengths = [_length(rate_hz, hz, one, event) for one, event in pairs]
    return [*rows, worst(f"{case}: size", sizes), worst(f"{case}: duration", lengths)]


def _length(rate_hz: int, hz: float, ideal: Reading, event: Event) -> Row:
    measured = math.nan if event.duration_s is None else event.duration_s * hz
    return Row("", rate_hz, ideal.halves / 2, measured, EVENT_DURATION)


def _phase_jump(rate_hz: int, turn_deg: float) -> Row:
    """A dip to 70 % with a jump that stays, from a zero crossing: one event, of this size.

    On the old grid a window holds either all of the new voltage or half a cycle of it.
    """
    wave = stepped(50, [(100, 110, 0.7)], turn_deg)
    events = run_wave(wave, 4, plain_setup(rate_hz)).events
    measured = events[0].value_pct if len(events) == 1 else math.nan
    return Row(
        f"D9 dip to 70 % with a jump of {turn_deg} deg", rate_hz, 70, measured, EVENT_MAGNITUDE
    )


# Rapid voltage changes: sequences of half cycles, in % of declared


def _drop(bottom: float) -> Floats:
    tail = 100 - 1 - 6 * np.exp(-np.arange(600) / 10)
    return np.concatenate([np.full(300, 100.0), np.full(40, bottom), tail])


STEP = np.concatenate([np.full(300, 100.0), [98.0], np.full(300, 96.0)])
SLOW = np.concatenate([np.full(300, 100.0), np.linspace(100, 96, 400), np.full(300, 96.0)])
FAST = np.concatenate([np.full(300, 100.0), np.linspace(100, 96, 100), np.full(300, 96.0)])
# Name, sequence, threshold in %, and steady and largest change in %; none: no event.
CHANGES: tuple[tuple[str, Floats, float, tuple[float, float] | None], ...] = (
    ("R1 step of 4 %, threshold 3 %", STEP, 3, (3.98, 3.98)),
    ("R2 step of 4 %, threshold 5 %", STEP, 5, None),
    ("R3 drop of 7 % with slow return", _drop(93), 3, (1.17, 7.0)),
    ("R4 ramp of 4 % in 4 s", SLOW, 3, None),
    ("R5 ramp of 4 % in 1 s", FAST, 3, None),
    ("R6 drop to 88 %: a dip", _drop(88), 3, None),
)


def rapid_change_rows(rate_hz: int, *, is_quick: bool) -> list[Row]:
    """R1 to R6, each half cycle of the wave with the amplitude of the sequence."""
    del is_quick  # they are short
    rows = []
    for name, sequence, threshold_pct, expected in CHANGES:
        ran = run_wave(_sequence_wave(sequence), len(sequence) / 100, plain_setup(rate_hz))
        halves = ran.half_cycles[0]
        limits = RapidChangeLimits.from_percent(DECLARED_V, threshold_pct, 90, 110)
        changes = RapidChangeDetector(50, limits).feed(halves.start_index, halves.urms_v)
        count = 0 if expected is None else 1
        rows.append(Row(f"{name}: events", rate_hz, count, len(changes), EXACT))
        if expected is not None and len(changes) == 1:
            steady_pct, largest_pct = expected
            steady = 100 * (changes[0].delta_ss_v or math.nan) / DECLARED_V
            largest = 100 * changes[0].delta_max_v / DECLARED_V
            rows.append(Row(f"{name}: steady", rate_hz, steady_pct, steady, RAPID_CHANGE))
            rows.append(Row(f"{name}: largest", rate_hz, largest_pct, largest, RAPID_CHANGE))
    return rows


def _sequence_wave(sequence: Floats) -> Wave:
    def wave(time_s: Floats) -> Floats:
        place = np.minimum((100 * time_s).astype(np.intp), len(sequence) - 1)
        return supply_wave(50 * time_s, DECLARED_V * sequence[place] / 100)

    return wave


# Flags


def flag_rows(rate_hz: int, *, is_quick: bool) -> list[Row]:
    """G1: slots that a dip touches are flagged, and no others."""
    rows = [
        _flagged_slots(rate_hz, "inside a slot", 14.0, {1}),
        _flagged_slots(rate_hz, "over the edge of two slots", 19.95, {1, 2}),
    ]
    if not is_quick:
        rows.append(_flagged_ten_minutes(rate_hz))
    return rows


def _dip_at(start_s: float) -> Wave:
    return stepped(50, [(50 * start_s + LEAD, 50 * start_s + 5 + LEAD, 0.5)])


def _flagged_slots(rate_hz: int, where: str, start_s: float, expected: set[int]) -> Row:
    """Slots of ten seconds, and basic intervals that do not hold the dip."""
    ran = run_wave(_dip_at(start_s), 41, plain_setup(rate_hz))
    (event,) = ran.events
    slots = {round(value.start_index / rate_hz / 10) for value in ran.frequencies if value.flagged}
    wrong = len(slots ^ expected)
    for part in ran.intervals:
        touched = _holds(part.start_index / rate_hz, part.end_index / rate_hz, event)
        wrong += touched != part.flagged
    return Row(f"G1 dip {where}: wrong flags", rate_hz, 0, wrong, EXACT)


def _holds(start_s: float, end_s: float, event: Event) -> bool:
    """Whether an interval and the event, up to half a cycle into its last window, overlap."""
    return event.start_s < end_s and event.start_s + (event.duration_s or 0) + 0.01 > start_s


def _flagged_ten_minutes(rate_hz: int) -> Row:
    """A dip over the tick at 1210 s flags both slots; those before and after stay clean."""
    setup = replace(plain_setup(rate_hz), slot_origin_index=10 * rate_hz)
    ran = run_wave(_dip_at(1209.95), 2411, setup)
    whole = [value for value in ran.ten_minute if value.start_index >= 10 * rate_hz]
    flags = [value.flagged for value in whole]
    wrong = sum(a != b for a, b in zip(flags, [False, True, True, False], strict=False))
    wrong += abs(len(flags) - 4)
    return Row("G1 dip over a ten-minute tick: wrong flags", rate_hz, 0, wrong, EXACT)
