"""A three-phase supply as one: unbalance on the windows of its first line, and types of dips."""

from dataclasses import replace

import numpy as np

from daemon.evidence import SampleHistory
from daemon.flagging import Span, WaitingUnbalance
from daemon.measure.channel import Intervals
from daemon.measure.grid import SlotSchedule
from daemon.measure.shared_window import Floats, Phasors, fundamental_phasors, samples_of
from daemon.measure.unbalance import dip_types, sequences
from daemon.measure.unbalance_values import FLOOR_SHARE, UnbalanceAggregates, unbalance_value
from daemon.numbering import Numbering
from daemon.plan import PipelineSetup, Wiring
from daemon.records import Event, Kind, Output, UnbalanceValue
from daemon.slow_events import SlowEvents, SlowLimits

N_PHASES = 3
LONGEST_TYPED_S = 2.5  # of longer dips the samples before are gone when they are over
REFERENCE_CYCLES = 4  # before a dip: where its phases stood


def is_three_phase(setup: PipelineSetup) -> bool:
    """Whether there are three lines of one three-phase supply."""
    return setup.wiring is Wiring.THREE_PHASE and len(setup.lines) == N_PHASES


class ThreePhase:
    """Feeds on the windows of the first line and the samples of all three.

    :param setup: of a supply that `is_three_phase`.
    """

    def __init__(self, setup: PipelineSetup, schedule: SlotSchedule, numbering: Numbering) -> None:
        self._supply = setup.supply
        self._rate_hz = setup.sample_rate_hz
        self._numbering = numbering
        self._waiting = WaitingUnbalance()
        self._longer = UnbalanceAggregates(schedule)
        self._events = SlowEvents(
            "-".join(setup.channels[number].name for number in setup.lines),
            setup.sample_rate_hz,
            setup.supply.frequency_hz,
            SlowLimits(None, None, unbalance_pct=setup.slow_limits.unbalance_pct),
        )

    def begin(self) -> None:
        """A new segment starts."""
        self._longer.restart()

    def follow(self, windows: Intervals, histories: list[SampleHistory]) -> None:
        """Measure on the first line's new windows.

        :param histories: of the three lines, reaching back to before the first window.
        """
        edges = zip(windows.start_index.tolist(), windows.end_index.tolist(), strict=True)
        self._waiting.add([self._measure(start, end, histories) for start, end in edges])

    def release(self, spans: list[Span], seen_until: float, out: Output) -> None:
        """Hand on the values of which it is certain by now whether a disturbance touched them."""
        ready = self._waiting.take(spans, seen_until)
        out.unbalance += ready
        for value in ready:
            out.unbalance_ten_minute += self._longer.ten_minute(value)
            for short in self._longer.short(value):
                out.events += self._events.take_unbalance(short, self._numbering)

    def type_dips(self, events: list[Event], histories: list[SampleHistory]) -> list[Event]:
        """The same events; a dip that is over says of which type it is, where that is certain."""
        return [self._typed(event, histories) for event in events]

    def finish(self, next_index: int, out: Output) -> None:
        """The segment is over: an event still under way is handed on without an end."""
        out.events += self._events.finish(next_index, self._numbering)

    def _measure(self, start: float, end: float, histories: list[SampleHistory]) -> UnbalanceValue:
        phasors = _phasors(histories, start, end - start, self._supply.cycles_per_basic)
        return unbalance_value(start, end, phasors, self._supply.declared_v)

    def _typed(self, event: Event, histories: list[SampleHistory]) -> Event:
        is_dip = event.kind in (Kind.DIP, Kind.INTERRUPTION)
        is_here = event.duration_s is not None and event.duration_s <= LONGEST_TYPED_S
        cycle = self._rate_hz / self._supply.frequency_hz
        start, lowest = event.start_s * self._rate_hz, event.extreme_s * self._rate_hz
        if (
            not (is_dip and is_here and event.complete)
            or start < histories[0].first_index + (REFERENCE_CYCLES + 1) * cycle
        ):
            return event
        found = self._dip_type(start, lowest, histories)
        return replace(event, detail=replace(event.detail, dip_type=found)) if found else event

    def _dip_type(self, start: float, lowest: float, histories: list[SampleHistory]) -> str | None:
        """The one type that the phasors of the cycle with the lowest rms fit, if there is one.

        :param start, lowest: where the dip begins and where that cycle does, in samples.
        """
        cycle = self._rate_hz / self._supply.frequency_hz
        n_cycles = REFERENCE_CYCLES // 2
        at = start - (REFERENCE_CYCLES + 1) * cycle
        earlier = _phasors(histories, at, n_cycles * cycle, n_cycles)
        before = _phasors(histories, at + n_cycles * cycle, n_cycles * cycle, n_cycles)
        sizes = np.abs(sequences(before))
        if max(sizes[1:]) < FLOOR_SHARE * self._supply.declared_v:
            return None
        # Over whole nominal cycles the phase moves by what the frequency is off.
        off_turns = float(np.angle(np.vdot(earlier, before))) / (2 * np.pi)
        period = cycle / (1 + off_turns / n_cycles)
        during = _phasors(histories, lowest, period, 1)
        n_between = (lowest - at - n_cycles * cycle) / period
        turn = np.exp(-2j * np.pi * n_between) * np.conj(before[0]) / abs(before[0])
        phasors_pu = during * turn / max(sizes[1:])
        if sizes[2] > sizes[1]:  # connected the other way round
            phasors_pu = phasors_pu[[0, 2, 1]]
        matches = dip_types(phasors_pu)
        return matches[0].type.value if len(matches) == 1 else None


def _phasors(histories: list[SampleHistory], start: float, length: float, n_cycles: int) -> Phasors:
    """Fundamental phasors of the three lines over one window, in samples of the run."""
    first, stop = samples_of(start, start + length)
    volts: Floats = np.zeros((N_PHASES, stop - first))
    for row, history in zip(volts, histories, strict=True):
        begins, samples = history.samples(first, stop)
        row[begins - first : begins - first + len(samples)] = samples
    return fundamental_phasors(volts, start - first, length, n_cycles)
