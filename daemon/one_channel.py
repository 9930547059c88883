"""Everything that belongs to one channel, from volts to events."""

import numpy as np
from numpy.typing import NDArray

from daemon.doubt import FrontEnd
from daemon.evidence import SampleHistory
from daemon.flagging import Span, WaitingIntervals
from daemon.measure.aggregate import (
    Aggregate,
    ShortAggregates,
    TenMinuteAggregates,
    TwoHourAggregates,
    parts_of,
)
from daemon.measure.channel import ChannelMeter, Intervals, Measured
from daemon.measure.flicker import FlickerMeter, Sensation, ShortTerm, ShortTermSlots
from daemon.measure.grid import SlotSchedule
from daemon.newest import Cycle, newest_upward, newest_wave
from daemon.numbering import Numbering
from daemon.plan import ChannelSetup, PipelineSetup
from daemon.rapid_change import RapidChangeLimits
from daemon.rapid_events import RapidEvents
from daemon.records import (
    BasicIntervals,
    HalfCycles,
    Output,
    TenMinuteValue,
    TenSecondFrequency,
    TwoHourValue,
)
from daemon.slow_events import SlowEvents
from daemon.standing import StandingInput
from daemon.transient_events import TransientEvents
from daemon.voltage_events import VoltageEvents

HISTORY_S = 4.0  # of samples kept beyond the newest frame: a dip of 2.5 s and its margins


class OneChannel:
    """Measures one channel and finds its events; what it brings goes into an `Output`."""

    def __init__(
        self, number: int, setup: PipelineSetup, schedule: SlotSchedule, numbering: Numbering
    ) -> None:
        self._number = number
        self._setup = setup
        self._schedule = schedule
        self._channel = setup.channels[number]
        self._numbering = numbering
        self._newest_upward: Cycle | None = None
        self._waiting = WaitingIntervals()
        self._voltage_events = VoltageEvents(
            self._channel.name,
            setup.sample_rate_hz,
            setup.supply,
            setup.limits,
            FrontEnd(abs(self._channel.gain_v_per_v) * setup.full_scale_v, setup.is_converter),
        )
        self._slow_events = SlowEvents(
            self._channel.name, setup.sample_rate_hz, setup.supply.frequency_hz, setup.slow_limits
        )
        self._rapid_events = _rapid_events(self._channel.name, setup)
        self._transient_events = _transient_events(self._channel.name, setup)
        self._longer = _LongerValues(number, setup, schedule)
        self._standing = StandingInput(
            self._channel.name, setup.sample_rate_hz, setup.supply, setup.limits.dip_v
        )
        self.begin(0)

    def begin(self, first_index: int) -> None:
        """A new segment starts with the sample of this index."""
        setup = self._setup
        self._meter = ChannelMeter(
            setup.sample_rate_hz, setup.supply, first_index, setup.bandwidth_hz, self._schedule
        )
        self._history = SampleHistory(setup.sample_rate_hz, setup.longest_s + HISTORY_S)
        self._longer.begin(first_index)
        if self._transient_events is not None:
            self._transient_events.begin()

    def feed(self, first_index: int, volts: NDArray[np.float32], out: Output) -> Measured:
        """Take one frame, in volts at the converter's input."""
        mains_v = scaled(volts.astype(np.float64), self._channel)
        self._history.add(first_index, mains_v)
        out.findings += self._standing.feed(first_index, mains_v)
        measured = self._detect(self._meter.feed(mains_v), out)
        self._longer.take_energy(self._meter.newest_energy(len(mains_v)))
        if self._transient_events is not None:
            out.events += self._transient_events.feed(
                first_index, mains_v, measured.crossings, self._history, self._numbering
            )
        return measured

    def finish_meter(self, out: Output) -> Measured:
        """The segment is over: measure what is left of it."""
        measured = self._detect(self._meter.finish(), out)
        if self._transient_events is not None:
            out.events += self._transient_events.finish(
                measured.crossings, self._history, self._numbering
            )
        return measured

    def finish(self, out: Output) -> None:
        """The segment is over: hand on what is still under way, without an end."""
        out.events += self._voltage_events.finish(self._history, self._numbering)
        out.findings += self._standing.finish(self._history.next_index)
        out.events += self._slow_events.finish(self._history.next_index, self._numbering)
        if self._rapid_events is not None:
            out.events += self._rapid_events.finish(self._numbering)
        self._longer.finish(out)

    @property
    def history(self) -> SampleHistory:
        """The samples of this segment, back to well before the newest windows."""
        return self._history

    @property
    def spans(self) -> list[Span]:
        """Where a dip, swell or interruption touched the voltage, as of the latest frame."""
        return self._voltage_events.spans

    def release(self, spans: list[Span], seen_until: float, out: Output) -> None:
        """Hand on the intervals of which it is certain by now whether a disturbance touched them.

        :param spans: of all lines.
        :param seen_until: all lines have been measured up to this sample.
        """
        ready = self._waiting.take(spans, seen_until)
        if ready is not None:
            self._use(ready, out)
        for pst in self._longer.take_spans(spans):
            out.events += self._slow_events.take_flicker(pst, self._numbering)
        self._longer.release(out)

    def take_frequency(self, value: TenSecondFrequency, out: Output) -> None:
        """Take the power frequency of this channel."""
        out.frequencies.append(value)
        out.events += self._slow_events.take_frequency(value, self._numbering)

    @property
    def period(self) -> float:
        """Of the newest cycle measured, in samples; of a nominal one before the first."""
        if self._newest_upward is None:
            return self._setup.sample_rate_hz / self._setup.supply.frequency_hz
        return self._newest_upward[1]

    def latest_wave(self, n_cycles: int) -> NDArray[np.float64]:
        """The newest whole cycles in V, from an upward zero crossing on; empty before the first."""
        return newest_wave(self._history, self._newest_upward, n_cycles, self._setup.sample_rate_hz)

    def _detect(self, measured: Measured, out: Output) -> Measured:
        crossings, urms_v = measured.crossings, measured.urms_half_v
        self._newest_upward = newest_upward(crossings, self._newest_upward)
        out.half_cycles.append(HalfCycles(self._number, crossings.index, crossings.period, urms_v))
        out.events += self._voltage_events.feed(
            measured, self._meter, self._history, self._numbering
        )
        if self._rapid_events is not None:
            out.events += self._rapid_events.feed(crossings.index, urms_v, self._numbering)
        self._waiting.add(_basic_intervals(self._number, measured.intervals))
        return measured

    def _use(self, intervals: BasicIntervals, out: Output) -> None:
        out.basic.append(intervals)
        for short in self._longer.take_intervals(intervals):
            out.events += self._slow_events.take_short(short, self._numbering)


class _LongerValues:
    """Values of one channel over more than a basic interval, flicker included."""

    def __init__(self, number: int, setup: PipelineSetup, schedule: SlotSchedule) -> None:
        self._number = number
        self._setup = setup
        self._schedule = schedule
        declared_v = setup.supply.declared_v
        self._short = ShortAggregates(declared_v, schedule)
        self._ten_minute = TenMinuteAggregates(declared_v, schedule)
        self._two_hour = TwoHourAggregates(declared_v, schedule)
        self._flicker: FlickerMeter | None = None
        self._pst_slots: ShortTermSlots | None = None
        self._waiting: list[Aggregate] = []  # ten-minute values whose Pst is not known yet
        self._pst: dict[int, ShortTerm] = {}  # by the sample with which the slot begins
        self._seen: list[Sensation] = []

    def begin(self, first_index: int) -> None:
        setup = self._setup
        self._short.restart()
        if setup.lamp_v is None:
            return
        self._flicker = FlickerMeter(
            setup.sample_rate_hz, setup.lamp_v, setup.supply.frequency_hz, first_index
        )
        if self._pst_slots is None:
            self._pst_slots = ShortTermSlots(self._flicker.pinst_rate_hz, self._schedule)

    def take_energy(self, energy: NDArray[np.float64]) -> None:
        """Measure flicker; it waits until it is known where the frame was disturbed."""
        if self._flicker is not None:
            self._seen.append(self._flicker.feed_energy(energy))

    def take_spans(self, spans: list[Span]) -> list[ShortTerm]:
        """The slots complete by now, flagged where a disturbance touched them."""
        seen, self._seen = self._seen, []
        if self._pst_slots is None:
            return []
        found = []
        for part in seen:
            found += self._pst_slots.feed(part, spans)
        for value in found:
            self._pst[round(value.start_index)] = value
        return found

    def take_intervals(self, intervals: BasicIntervals) -> list[Aggregate]:
        """Take the next basic intervals; the 150/180-cycle values they complete."""
        parts = parts_of(intervals, self._setup.supply.declared_v)
        self._waiting += self._ten_minute.feed(parts)
        return self._short.feed(parts)

    def release(self, out: Output) -> None:
        """Hand on ten-minute values that are complete, flicker included, and what they fill."""
        known_until = np.inf if self._pst_slots is None else self._pst_slots.newest_index
        self._hand_on(sum(value.end_index <= known_until for value in self._waiting), out)

    def finish(self, out: Output) -> None:
        """The segment is over: values whose Pst will not come go without."""
        self._hand_on(len(self._waiting), out)

    def _hand_on(self, count: int, out: Output) -> None:
        ready, self._waiting = self._waiting[:count], self._waiting[count:]
        for value in ready:
            pst = self._pst.pop(round(value.start_index), None)
            out.ten_minute.append(_with_flicker(value, pst))
            out.two_hour += map(_two_hours, self._two_hour.feed(value, pst))


def _with_flicker(value: Aggregate, pst: ShortTerm | None) -> TenMinuteValue:
    return TenMinuteValue(
        channel=value.channel,
        start_index=value.start_index,
        urms_v=value.urms_v,
        under_pct=value.under_pct,
        over_pct=value.over_pct,
        thd_pct=value.thd_pct,
        pst=None if pst is None else pst.pst,
        flagged=value.flagged or (pst is not None and pst.flagged),
    )


def _two_hours(value: Aggregate) -> TwoHourValue:
    return TwoHourValue(
        channel=value.channel,
        start_index=value.start_index,
        urms_v=value.urms_v,
        under_pct=value.under_pct,
        over_pct=value.over_pct,
        thd_pct=value.thd_pct,
        plt=value.plt,
        flagged=value.flagged,
    )


def _rapid_events(channel: str, setup: PipelineSetup) -> RapidEvents | None:
    if setup.rapid_change_pct is None:
        return None
    declared_v = setup.supply.declared_v
    limits = RapidChangeLimits(
        threshold_v=setup.rapid_change_pct / 100 * declared_v,
        hysteresis_v=setup.rapid_change_pct / 200 * declared_v,
        dip_v=setup.limits.dip_v,
        swell_v=setup.limits.swell_v,
    )
    return RapidEvents(channel, setup.sample_rate_hz, setup.supply, limits)


def _transient_events(channel: str, setup: PipelineSetup) -> TransientEvents | None:
    if setup.transient_pct is None:
        return None
    return TransientEvents(channel, setup.sample_rate_hz, setup.supply, setup.transient_pct)


def scaled(raw_v: NDArray[np.float64], channel: ChannelSetup) -> NDArray[np.float64]:
    """Mains volts of input volts."""
    if channel.offset_v:
        raw_v = raw_v - channel.offset_v
    return raw_v * channel.gain_v_per_v if channel.gain_v_per_v != 1 else raw_v


def _basic_intervals(channel: int, found: Intervals) -> BasicIntervals:
    return BasicIntervals(
        channel,
        found.start_index,
        found.end_index,
        found.urms_v,
        found.frequency_hz,
        found.thd_pct,
        found.harmonics_pct,
        flagged=np.zeros(len(found.start_index), np.bool_),
    )
