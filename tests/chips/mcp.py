"""MCP3004, 3008, 3204, 3208, 3302, 3304, bit by bit (Microchip DS21295D, DS21298, DS21697F)."""

import math
from collections.abc import Callable

import numpy as np

from tests.chips.bench import Intervals

Volts = Callable[[int, float], float]
"""Voltage on a pin at an instant in seconds."""

BITS = {"mcp3004": 10, "mcp3008": 10, "mcp3204": 12, "mcp3208": 12, "mcp3302": 13, "mcp3304": 13}
FASTEST_HZ = {10: 3.6e6, 12: 2.0e6, 13: 2.1e6}  # at 5 V; the last two from memory
SELECT_HIGH_NS = {10: 270.0, 12: 500.0, 13: 475.0}  # from memory
CONVERSION_NS = 1.2e6  # the held voltage droops; from memory


class McpChip:
    """Waits for a start bit, takes four bits, holds, and answers bit by bit."""

    modes = frozenset({0, 3})

    def __init__(self, name: str, volts: Volts, vref_v: float, fastest_hz: float = 0.0) -> None:
        self._bits = BITS[name]
        self._n_pins = 8 if name in ("mcp3008", "mcp3208", "mcp3304") else 4
        self._volts = volts
        self._vref_v = vref_v
        self._random = np.random.default_rng(2)
        self._period = Intervals("a clock", 1e9 / (fastest_hz or FASTEST_HZ[self._bits]))
        self._high = Intervals("chip select high", SELECT_HIGH_NS[self._bits])
        self._conversion = Intervals("a conversion", 0.0, CONVERSION_NS)
        self._since_start = -1  # clocks since the start bit; -1 while waiting for it
        self._selection = 0
        self._answer: list[int] = []
        self._last_ns = 0.0
        self.held_s: list[float] = []  # hold instants, for tests of time stamps

    def select(self, t_ns: float) -> None:
        self._high.end(t_ns)
        self._since_start = -1
        self._selection = 0
        self._period.begin(-math.inf)

    def deselect(self, t_ns: float) -> None:
        self._high.begin(t_ns)

    def clock(self, sent: int, t_ns: float) -> int:
        self._period.end(t_ns)
        self._period.begin(t_ns)
        if self._since_start < 0:
            self._since_start = 0 if sent else -1
            return self._floating()
        self._since_start += 1
        if self._since_start <= 4:
            self._selection = self._selection << 1 | sent
        elif self._since_start == 6:  # held at the falling edge before this one
            self._hold((self._last_ns + t_ns) / 2.0)
        self._last_ns = t_ns
        if self._since_start <= 5:
            return self._floating()
        return self._bit(self._since_start - 6, t_ns)

    def _hold(self, t_ns: float) -> None:
        code = self.code(self._selection, t_ns / 1e9)
        bits = [code >> n & 1 for n in range(self._bits)]  # lowest first
        self._answer = [0, *reversed(bits), *bits[1:]]
        self.held_s.append(t_ns / 1e9)
        self._conversion.begin(t_ns)

    def _bit(self, number: int, t_ns: float) -> int:
        if number == self._bits:
            self._conversion.end(t_ns)
        return self._answer[number] if number < len(self._answer) else 0

    def code(self, selection: int, t_s: float) -> int:
        """What the converter makes of a selection: flag for single-ended, and three bits."""
        span = 1 << (12 if self._bits == 13 else self._bits)
        number = selection & 7 & (self._n_pins - 1)
        if selection & 8:
            return _clipped(self._volts(number, t_s) / self._vref_v * span, 0, span - 1)
        difference_v = self._volts(number, t_s) - self._volts(number ^ 1, t_s)
        lowest = -span if self._bits == 13 else 0
        code = _clipped(difference_v / self._vref_v * span, lowest, span - 1)
        return code & ((1 << self._bits) - 1)

    def _floating(self) -> int:
        return int(self._random.integers(2))


def _clipped(value: float, lowest: int, highest: int) -> int:
    return min(max(math.floor(value), lowest), highest)
