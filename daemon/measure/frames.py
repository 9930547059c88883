"""Any split into blocks, one stream of frames: this is what makes every result independent of it.

A segment is a run of samples without a gap. It is cut into frames of one fixed length, counted
from its first sample; only its last frame may be shorter. All measuring works on frames, or on
several of them joined, of which at most the last is urgent.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """A piece of a segment."""

    first_index: int
    volts: NDArray[np.float32]  # shape (n_samples, n_inputs), at the converter's input
    starts_segment: bool
    ends_segment: bool


NO_FRAMES: tuple[Frame, ...] = ()


class Framer:
    """Cuts blocks into frames of `length` samples."""

    def __init__(self, length: int) -> None:
        self.next_index = 0  # of the sample expected next
        self.n_lost = 0  # samples before the latest block that gave anything else than `NO_FRAMES`
        self._length = length
        self._parts: list[NDArray[np.float32]] = []
        self._full_at = length  # the frame under way ends before this sample
        self._is_first = True  # no frame of this segment has been given
        self._is_begun = False

    def feed(self, first_index: int, volts: NDArray[np.float32]) -> Sequence[Frame]:
        """Take one block; a jump in the numbering ends the segment.

        :returns: `NO_FRAMES` itself where the block only had to be kept and none were lost before
            it; nearly all are so, and for them as little is done here as can be.
        """
        if first_index != self.next_index or not self._is_begun:
            return self._feed_first(first_index, volts)
        self._parts.append(volts)
        self.next_index = next_index = first_index + len(volts)
        if next_index < self._full_at:
            return NO_FRAMES
        self.n_lost = 0
        return self._full_frames(next_index)

    @property
    def n_held(self) -> int:
        """Samples of the frame under way."""
        return self.next_index - self._full_at + self._length if self._is_begun else 0

    def finish(self) -> list[Frame]:
        """The last, possibly empty, frame of the segment."""
        if not self._is_begun:
            return []
        held = self._held()
        first = self.next_index - len(held)
        frame = Frame(first, held, self._is_first, ends_segment=True)
        self._parts, self._is_first, self._is_begun = [], True, False
        return [frame]

    def _feed_first(self, first_index: int, volts: NDArray[np.float32]) -> list[Frame]:
        """The first block of a segment; what is left of the one before."""
        frames = self.finish()
        n_lost = first_index - self.next_index
        self.next_index, self._is_begun = first_index, True
        self._full_at = first_index + self._length
        frames += self.feed(first_index, volts)
        self.n_lost = n_lost
        return frames

    def _full_frames(self, next_index: int) -> list[Frame]:
        held = self._held()
        first = next_index - len(held)
        stops = range(self._length, len(held) + 1, self._length)
        frames = []
        for stop in stops:
            piece = held[stop - self._length : stop]
            frames.append(Frame(first + stop - self._length, piece, self._is_first, False))
            self._is_first = False
        self._parts = [held[stops[-1] :]]
        self._full_at = first + stops[-1] + self._length
        return frames

    def _held(self) -> NDArray[np.float32]:
        return self._parts[0] if len(self._parts) == 1 else np.concatenate(self._parts)


class Batches:
    """Joins frames of one segment, at most `n_frames` of them, to be measured at once."""

    def __init__(self, n_frames: int) -> None:
        self._n_frames = n_frames
        self._held: list[Frame] = []

    @property
    def newest(self) -> Frame | None:
        """The latest frame, while it waits."""
        return self._held[-1] if self._held else None

    @property
    def n_held(self) -> int:
        """Samples that wait."""
        return sum(len(frame.volts) for frame in self._held)

    def add(self, frame: Frame, *, is_urgent: bool) -> Frame | None:
        """Take a frame; all that wait as one, if it is urgent or the last that was waited for."""
        self._held.append(frame)
        if not is_urgent and len(self._held) < self._n_frames:
            return None
        held, self._held = self._held, []
        return _joined(held) if len(held) > 1 else frame


def _joined(frames: list[Frame]) -> Frame:
    first, last = frames[0], frames[-1]
    volts = np.concatenate([frame.volts for frame in frames])
    return Frame(first.first_index, volts, first.starts_segment, last.ends_segment)
