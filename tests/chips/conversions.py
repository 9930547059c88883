"""Conversions paced by a chip's own clock, and the data-ready line as the driver sees it."""

from collections.abc import Callable
from typing import Protocol

from drivers.clock import ManualClock
from drivers.errors import SourceFailed, SourceUnavailable
from drivers.gpio_line import Edge

KERNEL_BUFFER = 64  # edges; the oldest are dropped when it is full


class Converter(Protocol):
    """A chip that converts by itself."""

    def next_ready_ns(self) -> float | None:
        """When the ready line falls next; None while it does not convert."""
        ...

    def convert(self) -> None:
        """The conversion at that instant happens."""
        ...


class ReadyLine:
    """Falling edges numbered and stamped as the kernel does it, on the test's own clock."""

    def __init__(self, chip: Converter, clock: ManualClock, first_number: int = 1) -> None:
        self._chip = chip
        self._clock = clock
        self._number = first_number
        self._edges: list[Edge] = []
        self._is_open = False
        self.is_cut = False  # the wire is broken
        self.error: str | None = None
        self.is_taken = False
        self.gpio = -1
        self.wake_s: Callable[[], float] = lambda: 30e-6

    def open(self, gpio: int) -> "ReadyLine":
        if self.is_taken:
            raise SourceUnavailable(f"GPIO {gpio} is in use by another program")
        self.gpio = gpio
        self._is_open = True
        self._edges = []
        return self

    def wait(self, timeout_s: float) -> Edge | None:
        if not self._is_open:
            raise SourceFailed("the line is not open")
        if self.error is not None:
            raise SourceFailed(self.error)
        self.catch_up(self._clock.monotonic_ns())
        if not self._edges and timeout_s > 0:
            self._pass_time(timeout_s)
        return self._edges.pop(0) if self._edges else None

    def close(self) -> None:
        self._is_open = False

    def catch_up(self, until_ns: float) -> None:
        """Let everything happen that is due by then."""
        while (due_ns := self._chip.next_ready_ns()) is not None:
            if due_ns > until_ns:
                return
            self._chip.convert()
            if not self.is_cut:
                self._edges.append(Edge(round(due_ns), self._number & 0xFFFFFFFF))
                self._edges = self._edges[-KERNEL_BUFFER:]
                self._number += 1

    def _pass_time(self, timeout_s: float) -> None:
        due_ns = self._chip.next_ready_ns()
        now_ns = self._clock.monotonic_ns()
        if self.is_cut or due_ns is None or due_ns - now_ns > timeout_s * 1e9:
            self._clock.advance_s(timeout_s)
        else:
            self._clock.advance_s(max(due_ns - now_ns, 0.0) / 1e9 + self.wake_s())
        self.catch_up(self._clock.monotonic_ns())
