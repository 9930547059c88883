"""A bus on the bench: what a driver gets in place of /dev/spidev, with a chip model at its end.

The bench knows levels and edges only: chip select, one clock after another, one bit each way. Time
passes on the test's own clock, as long as the bits take plus what the operating system adds.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from enum import Enum
from typing import Protocol

import numpy as np

from drivers.clock import ManualClock
from drivers.errors import SourceFailed, SourceUnavailable
from drivers.spi import Part, SpiSettings

CS_CHANGE_NS = 10_000.0  # SPI core of Linux: chip select stays high that long within a message


class TimingError(AssertionError):
    """A minimum or maximum of the data sheet was violated."""


class Chip(Protocol):
    """A chip, seen from its pins. `t_ns` never goes back."""

    modes: frozenset[int]

    def select(self, t_ns: float) -> None:
        """Chip select goes low."""
        ...

    def clock(self, sent: int, t_ns: float) -> int:
        """The edge of one clock at which both sides look; the level of the chip's data line."""
        ...

    def deselect(self, t_ns: float) -> None:
        """Chip select goes high."""
        ...


class Line(Enum):
    """What can happen to the chip's data line."""

    GOOD = "good"
    LOW = "low"
    HIGH = "high"
    FLOATING = "floating"


def steady(duration_s: float) -> Iterator[float]:
    """What the operating system adds, always the same."""
    while True:
        yield duration_s


def jittery(seed: int, mean_s: float, rms_s: float) -> Iterator[float]:
    """What the operating system adds, normally distributed and never below zero."""
    random = np.random.default_rng(seed)
    while True:
        yield max(float(random.normal(mean_s, rms_s)), 0.0)


@dataclass
class Bench:
    """Chip, clock, and the faults that a test switches on. `bench.open` goes to the driver."""

    chip: Chip
    clock: ManualClock
    before_s: Iterator[float] = field(default_factory=lambda: steady(10e-6))
    after_s: Iterator[float] = field(default_factory=lambda: steady(10e-6))
    line: Line = Line.GOOD
    error: str | None = None  # the next calls fail with it
    is_absent: bool = False
    damage: Callable[[bytes], bytes] = bytes  # what noise makes of the received bytes
    n_calls: int = 0
    settings: SpiSettings | None = None
    n_open: int = 0
    sent: list[bytes] = field(default_factory=list)  # the last frames, oldest first

    def open(self, settings: SpiSettings) -> "BenchSpi":
        if self.is_absent:
            raise SourceUnavailable(f"{settings.path}: is not there")
        self.settings = settings
        self.n_open += 1
        return BenchSpi(self, settings)


class BenchSpi:
    """The bus as the driver sees it."""

    def __init__(self, bench: Bench, settings: SpiSettings) -> None:
        self._bench = bench
        self._settings = settings
        self._is_open = True
        self._random = np.random.default_rng(1)
        self._is_selected = False

    def exchange(self, data: tuple[int, ...]) -> bytes:
        return self.exchange_parts((Part(bytes(data)),))

    def exchange_parts(self, parts: tuple[Part, ...]) -> bytes:
        bench = self._bench
        if not self._is_open:
            raise SourceFailed("the bench is closed")
        bench.n_calls += 1
        if bench.error is not None:
            raise SourceFailed(bench.error)
        bench.clock.advance_s(next(bench.before_s))
        begin_ns = float(bench.clock.monotonic_ns())
        t_ns, received = begin_ns, b""
        for number, part in enumerate(parts):
            t_ns, got = self._part(part, t_ns)
            received += got
            if part.is_last and number < len(parts) - 1:
                t_ns += CS_CHANGE_NS
        if self._is_selected:  # the kernel raises it at the end of a message
            self._deselect(t_ns)
        bench.clock.advance_s((t_ns - begin_ns) / 1e9 + next(bench.after_s))
        return bench.damage(received)

    def close(self) -> None:
        if self._is_open:
            self._is_open = False
            self._bench.n_open -= 1

    def _part(self, part: Part, t_ns: float) -> tuple[float, bytes]:
        bench = self._bench
        bench.sent = [*bench.sent[-63:], part.data]
        if not self._is_selected:
            bench.chip.select(t_ns)
            self._is_selected = True
        period_ns = 1e9 / self._settings.speed_hz
        is_shifted = self._settings.mode not in bench.chip.modes
        level, word = int(self._random.integers(2)), 0
        n_bits = 8 * len(part.data)
        sent = int.from_bytes(part.data, "big")
        for n in range(n_bits):
            seen = bench.chip.clock(sent >> (n_bits - 1 - n) & 1, t_ns + (n + 0.5) * period_ns)
            level, late = seen, level  # a wrong mode looks at the edge before
            word = word << 1 | (late if is_shifted else seen)
        t_ns += n_bits * period_ns + part.delay_us * 1e3
        if part.is_last:
            self._deselect(t_ns)
        return t_ns, self._on_line(word.to_bytes(len(part.data), "big"))

    def _deselect(self, t_ns: float) -> None:
        self._bench.chip.deselect(t_ns)
        self._is_selected = False

    def _on_line(self, data: bytes) -> bytes:
        match self._bench.line:
            case Line.LOW:
                return bytes(len(data))
            case Line.HIGH:
                return b"\xff" * len(data)
            case Line.FLOATING:
                return self._random.bytes(len(data))
        return data


class Intervals:
    """Checks the time between two edges against what the data sheet allows."""

    def __init__(self, what: str, at_least_ns: float, at_most_ns: float = np.inf) -> None:
        self._what = what
        self._least_ns = at_least_ns
        self._most_ns = at_most_ns
        self._from_ns: float | None = None

    def begin(self, t_ns: float) -> None:
        self._from_ns = t_ns

    def end(self, t_ns: float) -> None:
        begun_ns, self._from_ns = self._from_ns, None
        if begun_ns is None:
            return
        took_ns = t_ns - begun_ns
        if not self._least_ns - 0.5 <= took_ns <= self._most_ns + 0.5:  # time has whole ns
            raise TimingError(
                f"{self._what} took {took_ns:.0f} ns; {self._least_ns:.0f} to {self._most_ns:.0f}"
            )
