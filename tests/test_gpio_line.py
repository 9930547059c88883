"""The data-ready line against the kernel's own header, and edges as the kernel gives them."""

import fcntl
import os
import struct
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.clock import ManualClock
from drivers.errors import SourceFailed, SourceUnavailable
from drivers.gpio_line import (
    CHIP_INFO,
    FLAG_FALLING,
    FLAG_INPUT,
    GET_CHIP_INFO,
    GET_LINE,
    LINE_EVENT,
    LINE_REQUEST,
    Edge,
    GpioEdges,
    open_edges,
    packed_request,
)
from drivers.ready import LOST_READY_S, OFF_RATE_EDGES, ReadyCounter
from tests.chips.kernel_header import compiled


def asked(folder: Path, *expressions: str) -> list[int]:
    body = "".join(f'printf("%lu\\n", (unsigned long)({one}));' for one in expressions)
    return compiled(folder, "linux/gpio.h", body)


class TestLayout:
    def test_requests_flags_and_sizes_are_the_headers(self, tmp_path: Path) -> None:
        numbers = asked(
            tmp_path,
            "GPIO_GET_CHIPINFO_IOCTL", "GPIO_V2_GET_LINE_IOCTL",
            "GPIO_V2_LINE_FLAG_INPUT", "GPIO_V2_LINE_FLAG_EDGE_FALLING",
            "sizeof(struct gpiochip_info)", "sizeof(struct gpio_v2_line_request)",
            "sizeof(struct gpio_v2_line_event)",
        )  # fmt: skip
        ours = [GET_CHIP_INFO, GET_LINE, FLAG_INPUT, FLAG_FALLING]
        assert numbers == [*ours, CHIP_INFO.size, LINE_REQUEST.size, LINE_EVENT.size]

    def test_fields_lie_where_the_header_has_them(self, tmp_path: Path) -> None:
        fields = ("offsets[0]", "config.flags", "num_lines", "event_buffer_size", "fd")
        expressions = [f"offsetof(struct gpio_v2_line_request, {field})" for field in fields]
        at = asked(tmp_path, *expressions)
        request = packed_request(17, FLAG_INPUT | FLAG_FALLING)
        read = [
            struct.unpack_from(form, request, offset)[0]
            for form, offset in zip(["=I", "=Q", "=I", "=I", "=i"], at, strict=True)
        ]
        assert read == [17, 0b100100, 1, 64, 0]
        fields = ("timestamp_ns", "id", "offset", "seqno", "line_seqno")
        at = asked(tmp_path, *(f"offsetof(struct gpio_v2_line_event, {field})" for field in fields))
        packed = LINE_EVENT.pack(1, 2, 3, 4, 5, b"")
        assert [packed[offset] for offset in at] == [1, 2, 3, 4, 5]


@pytest.fixture
def line() -> Iterator[tuple[GpioEdges, int]]:
    """A pipe in the place of the kernel's line; what is written to it are edges."""
    reading, writing = os.pipe()
    edges = GpioEdges(reading, "GPIO 17")
    yield edges, writing
    edges.close()
    os.close(writing)


def event(t_ns: int, number: int) -> bytes:
    return LINE_EVENT.pack(t_ns, 2, 17, number + 100, number, b"")


class TestEdges:
    def test_come_one_by_one_with_time_and_number(self, line: tuple[GpioEdges, int]) -> None:
        edges, writing = line
        assert edges.wait(0.0) is None
        os.write(writing, event(1_000, 1) + event(2_000, 3))
        assert edges.wait(1.0) == Edge(1_000, 1)
        assert edges.wait(0.0) == Edge(2_000, 3)
        assert edges.wait(0.0) is None

    def test_an_end_or_a_piece_is_a_failure(self, line: tuple[GpioEdges, int]) -> None:
        edges, writing = line
        os.write(writing, b"x" * 5)
        with pytest.raises(SourceFailed, match="gave 5 bytes"):
            edges.wait(0.0)

    def test_after_closing_it_is_not_open(self, line: tuple[GpioEdges, int]) -> None:
        edges, _ = line
        edges.close()
        edges.close()
        with pytest.raises(SourceFailed, match="not open"):
            edges.wait(0.0)

    def test_a_line_that_is_not_there_is_told(self) -> None:
        with pytest.raises(SourceUnavailable, match="GPIO"):
            open_edges(63)

    def test_the_request_reaches_the_kernel(self) -> None:
        """A file that is no GPIO chip refuses it with ENOTTY, not with a fault of the argument."""
        with open(os.devnull, "rb") as file, pytest.raises(OSError, match="Inappropriate ioctl"):
            fcntl.ioctl(file, GET_LINE, packed_request(17, FLAG_INPUT))


class Scripted:
    """Edges from a list."""

    def __init__(self, edges: list[Edge]) -> None:
        self.edges = edges

    def wait(self, timeout_s: float) -> Edge | None:
        return self.edges.pop(0) if self.edges else None

    def close(self) -> None:
        pass


class TestCounter:
    def test_missed_edges_count_and_the_numbers_may_wrap(self) -> None:
        numbers = [2**32 - 2, 2**32 - 1, 3, 4]  # 0, 1 and 2 were missed
        clock = ManualClock()
        edges = [Edge(n * 250_000, number) for n, number in zip((0, 1, 5, 6), numbers, strict=True)]
        counter = ReadyCounter(Scripted(edges), clock, 4000.0)
        assert counter.wait(0.0)
        assert (counter.index, counter.n_unread) == (6, 7)
        assert counter.n_unread_at(5 * 250_000) == 6
        counter.mark_read(6)
        assert counter.n_unread == 0
        assert not counter.is_off_rate

    def test_after_a_restart_time_counts_not_numbers(self) -> None:
        script = Scripted([Edge(n * 250_000, n + 1) for n in range(10)])
        counter = ReadyCounter(script, ManualClock(), 4000.0)
        counter.wait(0.0)
        counter.restart()
        script.edges = [Edge(100 * 250_000 + 60_000, 500)]
        counter.wait(0.0)
        assert counter.index == 100

    @pytest.mark.parametrize(("ratio", "is_off"), [(1.0001, False), (2.0, True), (0.5, True)])
    def test_another_rate_is_noticed_and_a_crystals_error_is_not(
        self, ratio: float, is_off: bool
    ) -> None:
        """100 millionths is twice what a poor crystal is off."""
        script = Scripted([])
        counter = ReadyCounter(script, ManualClock(), 4000.0)
        for n in range(40_000 if not is_off else 4 * OFF_RATE_EDGES):
            script.edges = [Edge(round(n * 250_000 / ratio), n + 1)]
            counter.wait(0.0)
            counter.mark_read(counter.index)
        assert counter.is_off_rate is is_off

    def test_silence_is_a_failure_after_half_a_second(self) -> None:
        clock = ManualClock()
        counter = ReadyCounter(Scripted([]), clock, 4000.0)
        clock.advance_s(LOST_READY_S - 0.01)
        assert not counter.wait(0.0)
        clock.advance_s(0.02)
        with pytest.raises(SourceFailed, match="still for"):
            counter.wait(0.0)
