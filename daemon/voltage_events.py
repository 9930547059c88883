"""Dips, swells and interruptions of one channel, each with the evidence that belongs to it."""

from collections import deque
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from daemon.doubt import FrontEnd, doubts
from daemon.evidence import (
    POST_S,
    PRE_S,
    TRACE_MARGIN_S,
    WHOLE_S,
    SampleHistory,
    TraceHistory,
    TraceRecorder,
)
from daemon.fine_timing import Fundamental, Samples, fine_timing
from daemon.levels import LevelTimer
from daemon.measure.channel import ChannelMeter, Measured, Supply
from daemon.measure.fundamental import Crossings
from daemon.numbering import Numbering
from daemon.records import NO_DETAIL, Event, EventDetail, Kind, Waveform
from daemon.thresholds import Disturbance, ThresholdDetector, VoltageLimits

Floats = NDArray[np.float64]

# Of a recording a frame of 160 000 samples may be one event: slid at once, they would need 13 MB.
SLID_AT_ONCE = 1 << 14


@dataclass(slots=True)
class _Growing:
    """One disturbance while its evidence is being collected."""

    number: int
    group: int
    now: Disturbance
    levels: LevelTimer
    trace: TraceRecorder
    is_start_seen: bool  # the segment did not begin inside it
    slid_until: int  # one-cycle rms has been slid up to this sample
    before: Fundamental | None  # where the fundamental stood when it began
    head: Waveform | None = None
    is_told: bool = False  # handed on as open already
    pieces: list[Waveform] = field(default_factory=list)


class VoltageEvents:
    """Feeds on what one channel's meter measured; hands on events, open ones included."""

    def __init__(
        self,
        channel: str,
        sample_rate_hz: float,
        supply: Supply,
        limits: VoltageLimits,
        front_end: FrontEnd,
    ) -> None:
        self._channel = channel
        self._fs_hz = sample_rate_hz
        self._declared_v = supply.declared_v
        self._half_cycle = sample_rate_hz / supply.frequency_hz / 2
        self._limits = limits
        self._front_end = front_end
        self._detector = ThresholdDetector(limits)
        self._growing: list[_Growing] = []
        self._traces = TraceHistory(sample_rate_hz)
        self._segment_start: float | None = None  # index of its first value
        self._newest_index = 0.0  # of the newest value
        self._upward: deque[Crossings] = deque(maxlen=4)  # of the latest frames
        self.spans: list[tuple[float, float]] = []  # in samples, touched as of the latest frame

    def feed(
        self,
        measured: Measured,
        meter: ChannelMeter,
        history: SampleHistory,
        numbering: Numbering,
    ) -> list[Event]:
        """Take one frame's values and the means to look closer at them."""
        index = measured.crossings.index
        if len(index):
            self._newest_index = float(index[-1])
            if self._segment_start is None:
                self._segment_start = float(index[0])
        self._upward.append(measured.crossings)
        self._traces.add(index, measured.urms_half_v)
        self._extend_traces(measured)
        ended = self._detector.feed(index, measured.urms_half_v)
        touched = [*ended, self._detector.open] if self._detector.open else ended
        for disturbance in touched:
            self._update(disturbance, numbering)
        self.spans = self._touched_spans()
        if not self._growing:
            return []
        self._slide(measured, meter)
        return self._hand_on(history, is_last=False)

    def finish(self, history: SampleHistory, numbering: Numbering) -> list[Event]:
        """The segment is over: what is still open stays without an end."""
        left = self._detector.abandon()
        if left is not None:
            self._growing[-1].now = left
            numbering.end(self._growing[-1].number, history.next_index)
        self._segment_start = None
        return self._hand_on(history, is_last=True)

    def _touched_spans(self) -> list[tuple[float, float]]:
        """A disturbance begins after the start of its first window beyond the threshold, and it
        is over half a cycle into the first window that is back inside."""
        return [
            (
                grown.now.start_index,
                np.inf if grown.now.end_index is None else grown.now.end_index + self._half_cycle,
            )
            for grown in self._growing
        ]

    def _extend_traces(self, measured: Measured) -> None:
        times = measured.crossings.index / self._fs_hz
        for grown in self._growing:
            if grown.now.end_index is None:
                grown.trace.add(times, measured.urms_half_v)
            else:
                keep = times <= grown.now.end_index / self._fs_hz + TRACE_MARGIN_S
                grown.trace.add(times[keep], measured.urms_half_v[keep])

    def _update(self, disturbance: Disturbance, numbering: Numbering) -> None:
        for grown in self._growing:
            if grown.now.start_index == disturbance.start_index:
                grown.now = disturbance
                if disturbance.end_index is not None:
                    numbering.end(grown.number, disturbance.end_index)
                return
        start, end = disturbance.start_index, disturbance.end_index
        number, group = numbering.enter(self._channel, start, end, 2 * self._half_cycle)
        trace = TraceRecorder(*self._traces.since(start / self._fs_hz - TRACE_MARGIN_S))
        levels = LevelTimer(disturbance.is_swell)
        is_start_seen = start != self._segment_start
        first_slid = int(start - 2 * self._half_cycle)
        self._growing.append(
            _Growing(
                number=number,
                group=group,
                now=disturbance,
                levels=levels,
                trace=trace,
                is_start_seen=is_start_seen,
                slid_until=first_slid,
                before=self._fundamental(start),
            )
        )

    def _fundamental(self, index: float) -> Fundamental | None:
        """The fundamental as it was tracked up to an index."""
        for crossings in reversed(self._upward):
            upward = crossings.index[crossings.is_upward]
            place = int(np.searchsorted(upward, index, side="right")) - 1
            if place >= 0:
                period = float(crossings.period[crossings.is_upward][place])
                return Fundamental(float(upward[place]), period)
        return None

    def _slide(self, measured: Measured, meter: ChannelMeter) -> None:
        """Slide one-cycle rms over what this frame added to each disturbance."""
        if len(measured.crossings.index) == 0:
            return
        until = int(measured.crossings.index[-1])
        period = float(measured.crossings.period[-1])
        for grown in self._growing:
            end = grown.now.end_index
            stop = until if end is None else min(until, int(end + period))
            while stop > grown.slid_until:
                here = min(stop, grown.slid_until + SLID_AT_ONCE)
                _, slid = meter.sliding_rms(grown.slid_until, here, period)
                grown.levels.feed(100 * slid / self._declared_v)
                grown.slid_until = here

    def _hand_on(self, history: SampleHistory, *, is_last: bool) -> list[Event]:
        events, still_growing = [], []
        for grown in self._growing:
            if self._is_settled(grown, history, is_last=is_last):
                self._keep_waveform(grown, history)
                events.append(self._event(grown, is_final=True))
                continue
            still_growing.append(grown)
            if self._keep_head(grown, history) or not grown.is_told:
                grown.is_told = True
                events.append(self._event(grown, is_final=False))
        self._growing = still_growing
        return events

    def _is_settled(self, grown: _Growing, history: SampleHistory, *, is_last: bool) -> bool:
        end = grown.now.end_index
        if is_last:
            return True
        margin = max(POST_S, TRACE_MARGIN_S) * self._fs_hz
        return end is not None and end + margin <= min(history.next_index, self._newest_index)

    def _keep_head(self, grown: _Growing, history: SampleHistory) -> bool:
        """Keep the start of an event that goes on for longer than the history reaches back."""
        start_s = grown.now.start_index / self._fs_hz
        stop_s = start_s + WHOLE_S - PRE_S - POST_S
        if grown.head is not None or history.next_index < stop_s * self._fs_hz:
            return False
        grown.head = history.cut(start_s - PRE_S, stop_s)
        return grown.head is not None

    def _keep_waveform(self, grown: _Growing, history: SampleHistory) -> None:
        start_s = grown.now.start_index / self._fs_hz
        end = grown.now.end_index
        end_s = history.next_index / self._fs_hz if end is None else end / self._fs_hz
        if end_s + POST_S - (start_s - PRE_S) <= WHOLE_S:
            pieces = [history.cut(start_s - PRE_S, end_s + POST_S)]
        else:
            head = grown.head or history.cut(start_s - PRE_S, start_s + POST_S)
            pieces = [head, history.cut(end_s - PRE_S, end_s + POST_S)]
        grown.pieces = [piece for piece in pieces if piece is not None]

    def _event(self, grown: _Growing, *, is_final: bool) -> Event:
        now = grown.now
        start_s = now.start_index / self._fs_hz
        end_s = None if now.end_index is None or not is_final else now.end_index / self._fs_hz
        pieces = grown.pieces or ([grown.head] if grown.head else [])
        return Event(
            number=grown.number,
            kind=_kind(now),
            channel=self._channel,
            group=grown.group,
            start_s=start_s,
            duration_s=None if end_s is None else end_s - start_s,
            value=now.extreme_v,
            unit="V",
            value_pct=100 * now.extreme_v / self._declared_v,
            threshold=self._threshold_v(now),
            extreme_s=now.extreme_index / self._fs_hz,
            below_interruption_s=self._interrupted_s(now),
            level_times=grown.levels.times(self._fs_hz),
            complete=end_s is not None and grown.is_start_seen,
            flags=self._flags(grown, pieces),
            trace=grown.trace.trace(np.inf if end_s is None else end_s + TRACE_MARGIN_S),
            waveforms=tuple(pieces),
            detail=replace(
                self._detail(grown) if is_final else NO_DETAIL,
                interruption_start_s=_seconds(now.interruption_start, self._fs_hz),
                interruption_end_s=_seconds(now.interruption_end, self._fs_hz),
            ),
        )

    def _threshold_v(self, now: Disturbance) -> float:
        """The limit that was passed; an interruption is known by its own."""
        if now.is_swell:
            return self._limits.swell_v
        return self._limits.interruption_v if now.is_interruption else self._limits.dip_v

    def _detail(self, grown: _Growing) -> EventDetail:
        """What the waveform kept with the event says of its two ends."""
        if grown.before is None or not grown.pieces or not grown.is_start_seen:
            return NO_DETAIL
        first, last = grown.pieces[0], grown.pieces[-1]
        end_index = grown.now.end_index
        is_long = len(grown.pieces) > 1
        fine = fine_timing(
            start=_samples(first),
            start_index=grown.now.start_index,
            end=None if end_index is None else _samples(last),
            end_index=end_index,
            before=grown.before,
            at_end=self._fundamental(end_index) if is_long and end_index is not None else None,
        )
        return EventDetail(
            start_fine_s=_seconds(fine.start_index, self._fs_hz),
            end_fine_s=_seconds(fine.end_index, self._fs_hz),
            start_angle_deg=fine.start_angle_deg,
            end_angle_deg=fine.end_angle_deg,
            phase_jump_deg=fine.phase_jump_deg,
            dropout_half_cycles=fine.dropout_half_cycles,
        )

    def _flags(self, grown: _Growing, pieces: list[Waveform]) -> tuple[str, ...]:
        is_clipped = any(
            float(np.abs(piece.volts).max(initial=0.0)) >= 0.999 * self._front_end.full_scale_v
            for piece in pieces
        )
        flags = {"clipped": is_clipped, "start_not_seen": not grown.is_start_seen}
        end = grown.now.end_index
        span = (grown.now.start_index, np.iinfo(np.int64).max if end is None else end)
        cycle = round(2 * self._half_cycle)
        doubt = doubts(pieces, span, self._declared_v, cycle, self._front_end)
        return (*(flag for flag, is_set in flags.items() if is_set), *doubt)

    def _interrupted_s(self, now: Disturbance) -> float | None:
        if not now.is_interruption:
            return None
        samples = now.interrupted_samples
        if now.interrupted_from is not None:
            samples += self._newest_index + self._half_cycle - now.interrupted_from
        return samples / self._fs_hz


def _samples(waveform: Waveform) -> Samples:
    return Samples(waveform.first_index, waveform.volts.astype(np.float64))


def _seconds(index: float | None, sample_rate_hz: float) -> float | None:
    return None if index is None else index / sample_rate_hz


def _kind(now: Disturbance) -> Kind:
    if now.is_swell:
        return Kind.SWELL
    return Kind.INTERRUPTION if now.is_interruption else Kind.DIP
