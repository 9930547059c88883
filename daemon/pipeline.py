"""Measure and detect, joined once: blocks in, records and events out, in one thread.

Every result depends only on the samples and their numbering, never on how they were cut into
blocks: the framer sees to that.
"""

import numpy as np
from numpy.typing import NDArray

from daemon.measure.channel import ChannelMeter, Measured
from daemon.measure.frames import Frame, Framer
from daemon.measure.slots import FrequencySlots
from daemon.numbering import Numbering
from daemon.one_channel import OneChannel
from daemon.plan import PipelineSetup
from daemon.records import Gap, Output
from drivers.source import Block


class Pipeline:
    """Feeds on blocks; remembers what it needs of the samples before them."""

    def __init__(self, setup: PipelineSetup) -> None:
        self._setup = setup
        numbering = Numbering()
        self._channels = [
            OneChannel(number, setup, numbering) for number in range(len(setup.channels))
        ]
        self._frequency = FrequencySlots(setup.sample_rate_hz, setup.slot_origin_index)
        self._framer = Framer(frame_length(setup))
        self._next_index = 0

    def feed(self, block: Block) -> Output:
        """Take one block; lost samples before it end the segment and are handed on as a gap."""
        out = Output()
        n_lost = block.first_index - self._next_index
        if n_lost:
            out.gaps.append(Gap(self._next_index, n_lost, "samples lost"))
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
        return [channel.latest_wave(n_cycles) for channel in self._channels]

    def _take(self, frame: Frame, out: Output) -> None:
        measured = []
        for channel, setup in zip(self._channels, self._setup.channels, strict=True):
            if frame.starts_segment:
                channel.begin(frame.first_index)
            measured.append(channel.feed(frame.first_index, frame.volts[:, setup.column], out))
        first = measured[:1]
        if frame.ends_segment:
            measured = [channel.finish_meter(out) for channel in self._channels]
            first += measured[:1]
        spans = [span for channel in self._channels for span in channel.spans]
        for channel, latest in zip(self._channels, measured, strict=True):
            channel.release(spans, _seen_until(latest, frame), out)
        self._count_frequency(first, out)
        if frame.ends_segment:
            self._frequency.restart()
            for channel in self._channels:
                channel.finish(out)

    def _count_frequency(self, measured: list[Measured], out: Output) -> None:
        """Power frequency is taken from the first channel."""
        channel = self._channels[0]
        for part in measured:
            for value in self._frequency.feed(part.crossings, channel.spans):
                channel.take_frequency(value, out)


def frame_length(setup: PipelineSetup) -> int:
    """About `frame_s`, and a multiple of what the fundamental tracker sums at a time."""
    multiple = ChannelMeter(setup.sample_rate_hz, setup.supply, 0).frame_multiple
    return multiple * max(1, round(setup.frame_s * setup.sample_rate_hz / multiple))


def _seen_until(latest: Measured, frame: Frame) -> float:
    """Values are stamped with the start of their window: one more cycle has been seen."""
    if frame.ends_segment:
        return np.inf
    index = latest.crossings.index
    return float(index[-1]) if len(index) else -np.inf
