"""Several channels: unbalance (row U) and the polyphase rules for dips (D7, D8).

Phasors come from what the pipeline measures: the one-cycle rms of each channel, and the distance
of its zero crossings from those of the first.
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from daemon.measure.unbalance import Span, join_dips, join_interruptions, unbalance
from daemon.records import Kind
from tools.accuracy_events import LEAD
from tools.accuracy_ideal import Step, half_cycle_values, readings
from tools.accuracy_rows import EVENT_DURATION, EVENT_MAGNITUDE, EXACT, UNBALANCE, Row
from tools.streams import DECLARED_V, Ran, Wave, plain_setup, run_wave
from tools.waves import Floats, levels, supply_wave

NAMES = ("L1", "L2", "L3")
# Magnitudes in %, angle of the second phase, u2 and u0 in %: testing states of IEC 61000-4-30
# (from memory) and others, by symmetrical components.
STATES: tuple[tuple[str, tuple[float, float, float], float, float], ...] = (
    ("100/100/100 %", (100, 100, 100), -120, 0.0),
    ("73/80/87 %", (73, 80, 87), -120, 5.0518),
    ("152/140/128 %", (152, 140, 128), -120, 4.9487),
    ("100/100/90 %", (100, 100, 90), -120, 3.4483),
    ("second phase at -118 deg", (100, 100, 100), -118, 1.1637),
)


def three_phases(
    magnitudes_pct: tuple[float, float, float],
    second_deg: float = -120,
    steps: Sequence[Sequence[Step]] = ((), (), ()),
) -> Wave:
    """Three voltages against neutral; steps in cycles from a crossing of their own channel."""
    turns = (LEAD, LEAD + second_deg / 360, LEAD - 2 / 3)

    def wave(time_s: Floats) -> Floats:
        columns = []
        for lead, percent, own in zip(turns, magnitudes_pct, steps, strict=True):
            seconds = [((a - lead) / 50, (b - lead) / 50, level) for a, b, level in own]
            volts = supply_wave(50 * time_s + lead, DECLARED_V * percent / 100)
            columns.append(volts * levels(time_s, seconds))
        return np.stack(columns, axis=1)

    return wave


def phase_rows(rate_hz: int, *, is_quick: bool) -> list[Row]:
    """U1, D7 and D8."""
    del is_quick  # they are short
    rows = []
    for name, magnitudes_pct, second_deg, expected_pct in STATES:
        ran = run_wave(three_phases(magnitudes_pct, second_deg), 3, plain_setup(rate_hz, 50, NAMES))
        found = unbalance(_phasors(ran))
        u2, u0 = (math.nan, math.nan) if found is None else (found.u2_pct, found.u0_pct)
        rows.append(Row(f"U1 {name}: u2", rate_hz, expected_pct, u2, UNBALANCE))
        rows.append(Row(f"U1 {name}: u0", rate_hz, expected_pct, u0, UNBALANCE))
    return [*rows, *_joined_dips(rate_hz), *_no_interruption(rate_hz)]


def _phasors(ran: Ran) -> NDArray[np.complex128]:
    """rms and angle of each channel over the middle of the stretch."""
    first = ran.half_cycles[0]
    at = len(first.start_index) // 2 // 2 * 2  # a crossing in the same sense as the first one
    period, start = float(first.period[at]), float(first.start_index[at])
    phasors = []
    for channel in ran.half_cycles:
        # Both senses of crossings are half a turn apart; the expected angles say which one it is.
        near = channel.start_index[
            np.argmin(np.abs(channel.start_index - _due(channel.channel, start, period)))
        ]
        turn = np.exp(-2j * np.pi * (near - start) / period)
        phasors.append(float(channel.urms_v[at]) * turn)
    return np.array(phasors)


def _due(channel: int, start: float, period: float) -> float:
    """Where a sound supply would cross upwards."""
    return start + channel * period / 3


def _joined_dips(rate_hz: int) -> list[Row]:
    """L1 dips for 100 ms, L2 from 60 ms to 200 ms after the same instant: one dip of the supply."""
    first: list[Step] = [(100, 105, 0.7)]
    second: list[Step] = [(103 - 1 / 3, 110 - 1 / 3, 0.5)]
    wave = three_phases((100, 100, 100), steps=(first, second, []))
    ran = run_wave(wave, 4, plain_setup(rate_hz, 50, NAMES))
    joined = join_dips(_spans(ran, rate_hz))
    rows = [Row("D7 dips of two phases overlap: dips", rate_hz, 1, len(joined), EXACT)]
    if len(joined) != 1:
        return rows
    ideal = [readings(half_cycle_values(steps, 250), 0.9, 0.92)[0] for steps in (first, second)]
    start = ideal[0].start_cycle
    end = ideal[1].start_cycle + ideal[1].halves / 2 + 1 / 3
    (dip,) = joined
    measured = ((dip.end_index or math.nan) - dip.start_index) / rate_hz * 50
    size_pct = 100 * dip.extreme_v / DECLARED_V
    rows.append(Row("D7 duration of both", rate_hz, end - start, measured, EVENT_DURATION))
    rows.append(Row("D7 residual of the worse", rate_hz, 50, size_pct, EVENT_MAGNITUDE))
    return rows


def _no_interruption(rate_hz: int) -> list[Row]:
    """Two phases gone, the third at 50 %: a dip of the supply, and no interruption of it."""
    steps: list[list[Step]] = [[(100, 110, level)] for level in (0.0, 0.0, 0.5)]
    ran = run_wave(three_phases((100, 100, 100), steps=steps), 4, plain_setup(rate_hz, 50, NAMES))
    spans = _spans(ran, rate_hz)
    gone = [span for span in spans if ran.events[spans.index(span)].kind is Kind.INTERRUPTION]
    return [
        Row("D8 two phases gone, one at 50 %: dips", rate_hz, 1, len(join_dips(spans)), EXACT),
        Row("D8 the same: interruptions", rate_hz, 0, len(join_interruptions(gone, 3)), EXACT),
    ]


def _spans(ran: Ran, rate_hz: int) -> list[Span]:
    return [
        Span(
            NAMES.index(event.channel),
            event.start_s * rate_hz,
            None if event.duration_s is None else (event.start_s + event.duration_s) * rate_hz,
            event.value,
        )
        for event in ran.events
    ]
