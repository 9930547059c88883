"""ADS8684 and ADS8688, bit by bit (Texas Instruments SBAS582; Linux ti-ads8688.c)."""

import math
from collections.abc import Callable

import numpy as np

from tests.chips.bench import Intervals

Volts = Callable[[int, float], float]

CLOCK_PERIOD_NS = 1e9 / 17e6
CYCLE_NS = 2000.0  # 500 kS/s
RANGES_V = {0: (-10.24, 10.24), 1: (-5.12, 5.12), 2: (-2.56, 2.56), 5: (0, 10.24), 6: (0, 5.12)}


class Ads8688Chip:
    """Holds the selected input when selected, and obeys when deselected."""

    modes = frozenset({1})

    def __init__(self, n_inputs: int, volts: Volts) -> None:
        self._n_inputs = n_inputs
        self._volts = volts
        self._random = np.random.default_rng(10)
        self._period = Intervals("a clock", CLOCK_PERIOD_NS)
        self._cycle = Intervals("a cycle", CYCLE_NS)
        self.is_dead = False
        self.held_s: list[float] = []
        self.reset()

    def reset(self) -> None:
        """As at power-up, by command or by itself: widest range, nothing selected."""
        self._registers = {0x01: 0xFF}
        self._selected: int | None = None

    def select(self, t_ns: float) -> None:
        self._cycle.end(t_ns)
        self._cycle.begin(t_ns)
        self._period.begin(-math.inf)
        self._sent = 0
        self._n_bits = 0
        self._out = 0 if self._selected is None else self._code(self._selected, t_ns / 1e9)
        self.held_s.append(t_ns / 1e9)

    def clock(self, sent: int, t_ns: float) -> int:
        self._period.end(t_ns)
        self._period.begin(t_ns)
        self._sent = self._sent << 1 | sent
        self._n_bits += 1
        if self._n_bits == 16:
            self._look_at_register()
        if self.is_dead or not 17 <= self._n_bits <= 32:
            return int(self._random.integers(2))
        return self._out >> (32 - self._n_bits) & 1

    def deselect(self, t_ns: float) -> None:
        if self.is_dead or self._n_bits < 16:
            return
        command = self._sent >> (self._n_bits - 8)
        if command == 0x85:
            self.reset()
        elif command >= 0xC0 and (command - 0xC0) % 4 == 0:
            self._selected = (command - 0xC0) // 4
        elif command < 0x80 and command & 1:
            self._registers[command >> 1] = self._sent >> (self._n_bits - 16) & 0xFF

    def _look_at_register(self) -> None:
        """A read, or the echo of a write, comes with clocks 17 to 24."""
        command, value = self._sent >> 8, self._sent & 0xFF
        if 1 < command < 0x80:
            content = value if command & 1 else self._registers.get(command >> 1, 0)
            self._out = content << 8

    def _code(self, channel: int, t_s: float) -> int:
        low_v, high_v = RANGES_V[self._registers.get(0x05 + channel, 0)]
        share = (self._volts(channel, t_s) - low_v) / (high_v - low_v)
        return min(max(math.floor(share * 65536), 0), 65535)
