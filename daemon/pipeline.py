"""Measure and detect, joined once: blocks in, records and events out, in one thread.

Every result depends only on the samples and their numbering, never on how they were cut into
blocks: the framer sees to that.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from daemon.evidence import SampleHistory
from daemon.measure.channel import ChannelMeter, Intervals, Measured, Supply
from daemon.measure.frames import Frame, Framer
from daemon.measure.slots import FrequencySlots, TenMinuteSlots
from daemon.numbering import Numbering
from daemon.records import (
    BasicInterval,
    Event,
    Gap,
    HalfCycles,
    TenMinuteValue,
    TenSecondFrequency,
)
from daemon.slow_events import SlowEvents, SlowLimits
from daemon.thresholds import VoltageLimits
from daemon.voltage_events import VoltageEvents
from drivers.source import Block

HISTORY_S = 3.0  # of samples kept beyond the newest frame: an event's margins, and then some
LIVE_FRAME_S = 1.0
BULK_FRAME_S = 5.0  # a recording needs no quick answer, and long frames cost less


@dataclass(frozen=True, slots=True)
class ChannelSetup:
    """One measured voltage: mains volts = gain x (input volts - offset)."""

    name: str
    column: int  # of the blocks
    gain_v_per_v: float
    offset_v: float


@dataclass(frozen=True, slots=True)
class PipelineSetup:
    """Everything the measurement has to know beforehand."""

    sample_rate_hz: float
    full_scale_v: float  # at the converter's input
    supply: Supply
    channels: tuple[ChannelSetup, ...]
    limits: VoltageLimits
    slow_limits: SlowLimits
    slot_origin_index: float = 0.0  # a sample index at which a 10-minute slot begins
    frame_s: float = LIVE_FRAME_S  # samples are measured in pieces of this length


@dataclass(slots=True)
class Output:
    """What one block brought, in order of time for each channel."""

    half_cycles: list[HalfCycles] = field(default_factory=list)
    intervals: list[BasicInterval] = field(default_factory=list)
    frequencies: list[TenSecondFrequency] = field(default_factory=list)
    ten_minute: list[TenMinuteValue] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)


class _Chain:
    """Everything that belongs to one channel."""

    def __init__(self, number: int, setup: PipelineSetup) -> None:
        channel = setup.channels[number]
        self.number = number
        self.setup = channel
        self.rate_hz = setup.sample_rate_hz
        self.upward: tuple[float, float] | None = None  # newest upward crossing, and its period
        self.history = SampleHistory(setup.sample_rate_hz, setup.frame_s + HISTORY_S)
        self.meter: ChannelMeter | None = None
        self.waiting: list[BasicInterval] = []
        self.ten_minute = TenMinuteSlots(setup.sample_rate_hz, setup.slot_origin_index)
        self.voltage_events = VoltageEvents(
            channel.name,
            setup.sample_rate_hz,
            setup.supply.declared_v,
            setup.limits,
            abs(channel.gain_v_per_v) * setup.full_scale_v,
        )
        self.slow_events = SlowEvents(
            channel.name, setup.sample_rate_hz, setup.supply.frequency_hz, setup.slow_limits
        )

    def latest_wave(self, n_cycles: int) -> NDArray[np.float64]:
        """The newest whole cycles in V, from an upward zero crossing on; empty before the first."""
        if self.upward is None:
            return np.empty(0)
        start, period = self.upward
        first = start - (n_cycles - 1) * period
        rate_hz = self.rate_hz
        wave = self.history.cut(first / rate_hz, (start + period) / rate_hz)
        return np.empty(0) if wave is None else wave.volts.astype(np.float64)


class Pipeline:
    """Feeds on blocks; remembers what it needs of the samples before them."""

    def __init__(self, setup: PipelineSetup) -> None:
        self._setup = setup
        self._chains = [_Chain(number, setup) for number in range(len(setup.channels))]
        self._frequency = FrequencySlots(setup.sample_rate_hz, setup.slot_origin_index)
        self._numbering = Numbering()
        self._framer = Framer(frame_length(setup))
        self._next_index: int | None = None

    def feed(self, block: Block) -> Output:
        """Take one block; lost samples before it end the segment and are handed on as a gap."""
        out = Output()
        if self._next_index is not None and block.first_index != self._next_index:
            n_lost = block.first_index - self._next_index
            out.gaps.append(Gap(self._next_index, n_lost, "samples lost"))
        elif self._next_index is None and block.first_index > 0:
            out.gaps.append(Gap(0, block.first_index, "samples lost"))
        self._next_index = block.first_index + len(block.volts)
        for frame in self._framer.feed(block.first_index, block.volts):
            self._take(frame, out)
        return out

    def finish(self) -> Output:
        """No more blocks: everything still under way is handed on as it stands."""
        out = Output()
        for frame in self._framer.finish():
            self._take(frame, out)
        return out

    def latest_waves(self, n_cycles: int) -> list[NDArray[np.float64]]:
        """The newest whole cycles of every channel in V, from an upward zero crossing on."""
        return [chain.latest_wave(n_cycles) for chain in self._chains]

    def _take(self, frame: Frame, out: Output) -> None:
        if frame.starts_segment:
            for chain in self._chains:
                chain.meter = ChannelMeter(
                    self._setup.sample_rate_hz, self._setup.supply, frame.first_index
                )
                chain.history = SampleHistory(
                    self._setup.sample_rate_hz, self._setup.frame_s + HISTORY_S
                )
        fed = [self._measure(chain, frame, out) for chain in self._chains]
        if frame.ends_segment:
            last = [self._finish_meter(chain, out) for chain in self._chains]
        else:
            last = []
        self._release(out, everything=frame.ends_segment)
        for measured in [*fed[:1], *last[:1]]:
            self._count_frequency(measured, out)
        if frame.ends_segment:
            self._end_segment(out)

    def _measure(self, chain: _Chain, frame: Frame, out: Output) -> Measured:
        assert chain.meter is not None
        raw = frame.volts[:, chain.setup.column].astype(np.float64)
        volts = scaled(raw, chain.setup)
        chain.history.add(frame.first_index, volts)
        return self._detect(chain, chain.meter.feed(volts), out)

    def _finish_meter(self, chain: _Chain, out: Output) -> Measured:
        assert chain.meter is not None
        return self._detect(chain, chain.meter.finish(), out)

    def _detect(self, chain: _Chain, measured: Measured, out: Output) -> Measured:
        assert chain.meter is not None
        crossings = measured.crossings
        if crossings.is_upward.any():
            newest = int(np.flatnonzero(crossings.is_upward)[-1])
            chain.upward = (float(crossings.index[newest]), float(crossings.period[newest]))
        out.half_cycles.append(
            HalfCycles(chain.number, crossings.index, crossings.period, measured.urms_half_v)
        )
        out.events += chain.voltage_events.feed(
            measured, chain.meter, chain.history, self._numbering
        )
        chain.waiting += _basic_intervals(chain.number, measured.intervals)
        return measured

    def _release(self, out: Output, *, everything: bool) -> None:
        """Hand on the intervals about which it is certain whether a disturbance touched them."""
        spans = [span for chain in self._chains for span in chain.voltage_events.spans]
        for chain in self._chains:
            # Values are stamped with the start of their window: one more cycle has been seen.
            seen = np.inf if everything else self._seen_until(out, chain)
            ready = [interval for interval in chain.waiting if interval.end_index <= seen]
            chain.waiting = chain.waiting[len(ready) :]
            for interval in ready:
                self._use(chain, _flag(interval, spans), out)

    def _seen_until(self, out: Output, chain: _Chain) -> float:
        index = out.half_cycles[-len(self._chains) + chain.number].start_index
        return float(index[-1]) if len(index) else -np.inf

    def _use(self, chain: _Chain, interval: BasicInterval, out: Output) -> None:
        out.intervals.append(interval)
        out.ten_minute += chain.ten_minute.feed(interval)
        out.events += chain.slow_events.take_interval(interval, self._numbering)

    def _count_frequency(self, measured: Measured, out: Output) -> None:
        """Power frequency is taken from the first channel."""
        chain = self._chains[0]
        upward = measured.crossings.index[measured.crossings.is_upward]
        for value in self._frequency.feed(upward, bool(chain.voltage_events.spans)):
            out.frequencies.append(value)
            out.events += chain.slow_events.take_frequency(value, self._numbering)

    def _end_segment(self, out: Output) -> None:
        self._frequency.restart()
        for chain in self._chains:
            out.events += chain.voltage_events.finish(chain.history)
            out.events += chain.slow_events.finish()


def frame_length(setup: PipelineSetup) -> int:
    """About `frame_s`, and a multiple of what the fundamental tracker sums at a time."""
    multiple = ChannelMeter(setup.sample_rate_hz, setup.supply, 0).frame_multiple
    return multiple * max(1, round(setup.frame_s * setup.sample_rate_hz / multiple))


def scaled(raw_v: NDArray[np.float64], channel: ChannelSetup) -> NDArray[np.float64]:
    """Mains volts of input volts."""
    if channel.offset_v:
        raw_v = raw_v - channel.offset_v
    return raw_v * channel.gain_v_per_v if channel.gain_v_per_v != 1 else raw_v


def _basic_intervals(channel: int, found: Intervals) -> list[BasicInterval]:
    return [
        BasicInterval(
            channel=channel,
            start_index=float(found.start_index[n]),
            end_index=float(found.end_index[n]),
            urms_v=float(found.urms_v[n]),
            frequency_hz=float(found.frequency_hz[n]),
            thd_pct=float(found.thd_pct[n]),
            harmonics_pct=found.harmonics_pct[n],
            flagged=False,
        )
        for n in range(len(found.start_index))
    ]


def _flag(interval: BasicInterval, spans: list[tuple[float, float]]) -> BasicInterval:
    start, end = interval.start_index, interval.end_index
    if not any(begins < end and ends > start for begins, ends in spans):
        return interval
    return BasicInterval(
        channel=interval.channel,
        start_index=start,
        end_index=end,
        urms_v=interval.urms_v,
        frequency_hz=interval.frequency_hz,
        thd_pct=interval.thd_pct,
        harmonics_pct=interval.harmonics_pct,
        flagged=True,
    )
