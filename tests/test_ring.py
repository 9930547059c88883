"""The shared ring and what goes through its pipes."""

import os
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.ring import (
    BlockReport,
    Credit,
    Report,
    ReportKind,
    Ring,
    latest_credit,
    pack_report,
    take_report,
)


@pytest.fixture
def memory() -> Iterator[int]:
    descriptor = os.memfd_create("ring-test")
    yield descriptor
    os.close(descriptor)


def numbered(
    first: int, n_samples: int, n_inputs: int = 2
) -> np.ndarray[tuple[int, int], np.dtype[np.float32]]:
    """Samples whose value tells their number and their column; exact in float32 up to 2**24."""
    values = np.arange(first, first + n_samples)[:, np.newaxis] + np.arange(n_inputs) * 0.25
    return values.astype(np.float32)


def test_two_mappings_see_the_same_samples(memory: int) -> None:
    writer, reader = Ring(memory, 10, 2), Ring(memory, 10, 2)
    writer.write(0, numbered(0, 4))
    assert np.array_equal(reader.read(0, 4), numbered(0, 4))
    assert os.fstat(memory).st_size == 10 * 2 * 4  # capacity x inputs x float32


@pytest.mark.parametrize(
    ("position", "n_samples"), [(0, 10), (7, 3), (7, 4), (9, 10), (23, 9), (7, 0)]
)
def test_it_wraps(memory: int, position: int, n_samples: int) -> None:
    ring = Ring(memory, 10, 2)
    ring.write(position, numbered(position, n_samples))
    assert np.array_equal(ring.read(position, n_samples), numbered(position, n_samples))


def test_a_position_after_weeks_is_still_exact(memory: int) -> None:
    """30 days at 200 kS/s are 5.2e11 samples, far beyond 32 bits."""
    ring = Ring(memory, 1000, 1)
    position = 30 * 86400 * 200_000 + 997
    ring.write(position, numbered(0, 7, 1))
    assert np.array_equal(ring.read(position, 7), numbered(0, 7, 1))


def test_what_was_read_is_a_copy_that_nobody_can_write_to(memory: int) -> None:
    ring = Ring(memory, 10, 1)
    ring.write(0, numbered(0, 5, 1))
    volts = ring.read(0, 5)
    ring.write(0, numbered(50, 5, 1))
    assert np.array_equal(volts, numbered(0, 5, 1))
    with pytest.raises(ValueError, match="read-only"):
        volts[0] = 0.0


@given(st.lists(st.integers(0, 10), max_size=40))
def test_any_chain_of_blocks_comes_out_as_it_went_in(lengths: list[int]) -> None:
    descriptor = os.memfd_create("ring-test")
    try:
        writer, reader = Ring(descriptor, 10, 2), Ring(descriptor, 10, 2)
        position = 0
        for length in lengths:
            writer.write(position, numbered(position, length))
            assert np.array_equal(reader.read(position, length), numbered(position, length))
            position += length
    finally:
        os.close(descriptor)


@given(
    st.lists(st.tuples(st.sampled_from(ReportKind), st.binary(max_size=300)), max_size=8),
    st.integers(1, 64),
)
def test_reports_survive_any_cut_of_the_stream(
    sent: list[tuple[ReportKind, bytes]], cut: int
) -> None:
    stream = b"".join(pack_report(kind, payload) for kind, payload in sent)
    arrived, got = bytearray(), []
    for start in range(0, len(stream), cut):
        arrived += stream[start : start + cut]
        while (report := take_report(arrived)) is not None:
            got.append(report)
    assert got == [Report(kind, payload) for kind, payload in sent]
    assert not arrived


def test_a_block_report_carries_large_numbers() -> None:
    report = BlockReport(2**40, 3200, 2**33, 2**62)
    assert BlockReport.unpack(report.pack()) == report


def test_the_newest_whole_credit_counts() -> None:
    before = Credit(1, 1)
    assert latest_credit(b"", before) == before
    first, second = Credit(10, 1), Credit(2**40, 7)
    assert latest_credit(first.pack() + second.pack(), before) == second
    assert latest_credit(first.pack() + second.pack()[:5], before) == first
