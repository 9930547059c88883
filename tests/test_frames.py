"""Frames: the same pieces, whatever the blocks."""

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from daemon.measure.frames import Frame, Framer
from tests.signals import blocks, flat

SAMPLES = np.arange(2 * 103, dtype=np.float32).reshape(103, 2)


def framed(cuts: list[int], length: int, gap: tuple[int, int] | None = None) -> list[Frame]:
    parts = blocks(SAMPLES, sorted(set(cuts)))
    if gap is not None:
        at, n = gap
        before = blocks(SAMPLES[:at], sorted({cut for cut in cuts if cut < at}))
        after = blocks(SAMPLES[at:], sorted({cut - at for cut in cuts if cut > at}), at + n)
        parts = before + after
    framer = Framer(length)
    frames = [frame for part in parts for frame in framer.feed(part.first_index, part.volts)]
    return frames + framer.finish()


@given(cuts=st.lists(st.integers(1, 102)), length=st.integers(1, 120))
def test_any_cut_gives_the_same_frames(cuts: list[int], length: int) -> None:
    frames = framed(cuts, length)
    assert [flat(frame) for frame in frames] == [flat(frame) for frame in framed([], length)]


@given(
    cuts=st.lists(st.integers(1, 102)),
    length=st.integers(1, 120),
    at=st.integers(1, 102),
    n=st.integers(1, 50),
)
def test_a_gap_ends_one_segment_and_starts_another(
    cuts: list[int], length: int, at: int, n: int
) -> None:
    frames = framed(cuts, length, (at, n))
    # Every sample once and in order.
    assert np.array_equal(np.concatenate([frame.volts for frame in frames]), SAMPLES)
    for left, right in pairwise(frames):
        lost = n if left.ends_segment else 0
        assert right.first_index == left.first_index + len(left.volts) + lost
        assert right.starts_segment == left.ends_segment
    # Full length, except where a segment ends.
    assert all(len(frame.volts) == length for frame in frames if not frame.ends_segment)
    assert [frame.first_index for frame in frames if frame.starts_segment] == [0, at + n]
    assert sum(frame.ends_segment for frame in frames) == 2


def test_nothing_fed_gives_nothing() -> None:
    assert Framer(10).finish() == []


def test_finishing_twice_gives_nothing_more() -> None:
    framer = Framer(10)
    framer.feed(0, SAMPLES[:5])
    assert len(framer.finish()) == 1
    assert framer.finish() == []
