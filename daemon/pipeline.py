"""Measure and detect, joined once: blocks in, records and events out, in one thread.

Every result depends only on the samples and their numbering, never on how they were cut into
blocks: the framer sees to that. While nothing disturbs, some frames are measured at once: a call of
numpy costs as much for one second of samples as for ten.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from daemon.calm import Calm
from daemon.evidence import SampleHistory
from daemon.flagging import Span
from daemon.measure.channel import Measured
from daemon.measure.frames import NO_FRAMES, Batches, Frame, Framer
from daemon.measure.grid import SlotGrid, SlotSchedule
from daemon.measure.phasors import sum_length
from daemon.measure.slots import FrequencySlots
from daemon.neutral_earth import NeutralEarth
from daemon.newest import NEWEST_S, Waiting
from daemon.numbering import Numbering
from daemon.one_channel import OneChannel, scaled
from daemon.plan import PipelineSetup
from daemon.records import Gap, Output
from daemon.three_phase import ThreePhase, is_three_phase
from drivers.source import Block

KEEP_SPANS_S = 1.0  # beyond the longest interval that may still wait


class Pipeline:
    """Feeds on blocks; remembers what it needs of the samples before them."""

    def __init__(self, setup: PipelineSetup) -> None:
        numbering = Numbering()
        self._setup = setup
        self._schedule = schedule = SlotSchedule(setup.slot_grid)
        self._lines = {
            number: OneChannel(number, setup, schedule, numbering) for number in setup.lines
        }
        self._first_line = next(iter(self._lines.values()))
        self._neutral_earth = {
            number: NeutralEarth(number, setup, schedule)
            for number in range(len(setup.channels))
            if number not in self._lines
        }
        self._three_phase = (
            ThreePhase(setup, schedule, numbering) if is_three_phase(setup) else None
        )
        self._frequency = FrequencySlots(setup.sample_rate_hz, schedule)
        self._framer = Framer(frame_length(setup))
        self._batches = Batches(setup.frames_at_once)
        self._calm = Calm(setup)
        self._nothing = Output()
        self._spans: dict[tuple[int, float], float] = {}  # by line and start, their ends

    def feed(self, block: Block) -> Output:
        """Take one block; lost samples before it end the segment and are handed on as a gap.

        What a disturbance does to the voltage is handed on with the frame it lies in or the next;
        anything else, transients included, up to `BATCH_S` later. Most blocks complete no frame:
        what they bring is one and the same empty `Output`, to which nobody may add anything.
        """
        frames = self._framer.feed(block.first_index, block.volts)
        if frames is NO_FRAMES:
            return self._nothing
        out, n_lost = Output(), self._framer.n_lost
        if n_lost:
            out.gaps.append(Gap(block.first_index - n_lost, n_lost, "samples lost"))
        self._take_all(frames, out)
        return out

    def take_grid(self, grid: SlotGrid) -> None:
        """Lay the slots by another grid from its `from_index` on.

        :raises ValueError: samples that it counts from have already been fed, or it counts from
            before the grid that was handed in last.
        """
        if grid.from_index < self._framer.next_index:
            raise ValueError("samples from which a slot grid counts have already been fed")
        self._schedule.take(grid)

    def finish(self) -> Output:
        """No more blocks: everything still under way is handed on as it stands."""
        out = Output()
        self._take_all(self._framer.finish(), out)
        return out

    def latest_waves(self, n_cycles: int) -> list[NDArray[np.float64]]:
        """The newest whole cycles of every channel in V, from an upward zero crossing on."""
        if waiting := self._waiting():
            return [channel.wave(n_cycles) for channel in waiting]
        channels = self._lines | self._neutral_earth
        return [channels[number].latest_wave(n_cycles) for number in sorted(channels)]

    def waiting_rms(self) -> list[float]:
        """rms of every channel in V over the newest whole cycle that waits to be measured.

        Empty where nothing waits: then the newest half-cycle values have been handed on.
        """
        return [channel.rms_v() for channel in self._waiting()]

    @property
    def n_waiting(self) -> int:
        """The newest samples, of which nothing is known yet: they wait to be measured."""
        return self._framer.n_held + self._batches.n_held

    @property
    def _histories(self) -> list[SampleHistory]:
        return [line.history for line in self._lines.values()]

    def _waiting(self) -> list[Waiting]:
        """The newest samples of every channel, if they wait."""
        frame = self._batches.newest
        if frame is None:
            return []
        newest = frame.volts[-round(NEWEST_S * self._setup.sample_rate_hz) :].astype(np.float64)
        volts = [scaled(newest[:, channel.column], channel) for channel in self._setup.channels]
        lead = self._setup.lines[0]
        return [
            Waiting(volts[at], volts[at if at in self._lines else lead], line.period)
            for at in range(len(volts))
            for line in [self._lines.get(at, self._first_line)]
        ]

    def _take_all(self, frames: Sequence[Frame], out: Output) -> None:
        for frame in frames:
            batch = self._batches.add(frame, is_urgent=self._is_urgent(frame))
            if batch is not None:
                self._take(batch, out)

    def _is_urgent(self, frame: Frame) -> bool:
        """Whether somebody may be waiting for what a frame brings."""
        if frame.ends_segment or self._setup.frames_at_once == 1:
            return True
        if frame.starts_segment:
            self._calm.begin()
        is_calm = self._calm.look(frame.volts)
        is_under_way = any(line.spans for line in self._lines.values())
        return frame.starts_segment or is_under_way or not is_calm

    def _take(self, frame: Frame, out: Output) -> None:
        n_told = len(out.events)
        if frame.starts_segment:
            self._begin(frame.first_index)
        is_empty = len(frame.volts) == 0 and not frame.starts_segment
        measured = [] if is_empty else self._measure(frame, out)
        self._note_spans()
        first = measured[:1]
        if frame.ends_segment:
            measured = [line.finish_meter(out) for line in self._lines.values()]
            self._note_spans()
            first += measured[:1]
        for part in first:
            self._follow(part, out)
        spans = self._touched()
        seen_until = np.inf if frame.ends_segment else min(map(_seen_until, measured))
        self._release(spans, seen_until, out)
        self._count_frequency(first, spans, out)
        self._forget_spans(seen_until)
        if frame.ends_segment:
            self._finish(frame.first_index + len(frame.volts), out)
        if self._three_phase is not None:
            out.events[n_told:] = self._three_phase.type_dips(out.events[n_told:], self._histories)

    def _begin(self, first_index: int) -> None:
        for line in self._lines.values():
            line.begin(first_index)
        for other in self._neutral_earth.values():
            other.begin()
        if self._three_phase is not None:
            self._three_phase.begin()

    def _measure(self, frame: Frame, out: Output) -> list[Measured]:
        """What each line found; the others only keep their samples."""
        columns = [frame.volts[:, channel.column] for channel in self._setup.channels]
        for number, other in self._neutral_earth.items():
            other.feed(frame.first_index, columns[number])
        return [
            line.feed(frame.first_index, columns[number], out)
            for number, line in self._lines.items()
        ]

    def _follow(self, first_line: Measured, out: Output) -> None:
        """Measure what is measured on the windows of the first line."""
        for other in self._neutral_earth.values():
            other.follow(first_line, out)
        if self._three_phase is not None:
            self._three_phase.follow(first_line.intervals, self._histories)

    def _note_spans(self) -> None:
        """Remember where disturbances touched the lines; a line forgets those that are over."""
        for number, line in self._lines.items():
            self._spans |= {(number, start): end for start, end in line.spans}

    def _touched(self) -> list[Span]:
        """Where any line was disturbed, each start once."""
        touched: dict[float, float] = {}
        for (_, start), end in self._spans.items():
            touched[start] = max(end, touched.get(start, end))
        return list(touched.items())

    def _forget_spans(self, seen_until: float) -> None:
        """Drop those that nothing still waiting can touch; at the end of a segment, all."""
        oldest = seen_until - KEEP_SPANS_S * self._setup.sample_rate_hz
        is_over = np.isinf(seen_until) and seen_until > 0
        kept = {} if is_over else self._spans
        self._spans = {place: end for place, end in kept.items() if end > oldest}

    def _release(self, spans: list[Span], seen_until: float, out: Output) -> None:
        """Hand on what all lines have been measured up to, whatever became of it on any."""
        for line in self._lines.values():
            line.release(spans, seen_until, out)
        for other in self._neutral_earth.values():
            other.release(spans, seen_until, out)
        if self._three_phase is not None:
            self._three_phase.release(spans, seen_until, out)

    def _finish(self, next_index: int, out: Output) -> None:
        self._frequency.restart()
        for line in self._lines.values():
            line.finish(out)
        for other in self._neutral_earth.values():
            other.finish()
        if self._three_phase is not None:
            self._three_phase.finish(next_index, out)

    def _count_frequency(self, measured: list[Measured], spans: list[Span], out: Output) -> None:
        """Power frequency is taken from the first line, its flags from all."""
        for part in measured:
            for value in self._frequency.feed(part.crossings, spans):
                self._first_line.take_frequency(value, out)


def frame_length(setup: PipelineSetup) -> int:
    """About `frame_s`, and a multiple of what the fundamental tracker sums at a time."""
    multiple = sum_length(setup.sample_rate_hz)
    return multiple * max(1, round(setup.frame_s * setup.sample_rate_hz / multiple))


def _seen_until(latest: Measured) -> float:
    """Values are stamped with the start of their window: one more cycle has been seen."""
    index = latest.crossings.index
    return float(index[-1]) if len(index) else -np.inf
