"""ADS1255 and ADS1256, bit by bit (Texas Instruments SBAS288K)."""

import math
from collections.abc import Callable

import numpy as np

from tests.chips.bench import Intervals

Volts = Callable[[int, float], float]
"""Voltage on a pin at an instant in seconds; pin 8 is AINCOM."""

CLOCK_PERIOD_NS = 4e9 / 7.68e6
BEFORE_DATA_NS = 50e9 / 7.68e6  # t6, from memory
SELECT_HIGH_NS = 8e9 / 7.68e6  # from memory
CALIBRATION_NS = 5e6
SETTLING_NS = 0.7e6
RATES_HZ = {0xF0: 30_000, 0xE0: 15_000, 0xD0: 7500, 0xC0: 3750, 0xB0: 2000, 0xA1: 1000, 0x92: 500}
AFTER_RESET = (0x30, 0x01, 0x20, 0xF0, 0xE0, 0, 0, 0, 0, 0, 0)


class Ads1256Chip:
    """One data register, replaced at each conversion, whoever may be reading it.

    The filter is not modelled: the voltage is taken at the instant of the conversion.
    """

    modes = frozenset({1})

    def __init__(self, volts: Volts, on_ns: float, vref_v: float = 2.5) -> None:
        self._volts = volts
        self._vref_v = vref_v
        self._random = np.random.default_rng(11)
        self._period = Intervals("a clock", CLOCK_PERIOD_NS)
        self._before_data = Intervals("the wait before data (t6)", BEFORE_DATA_NS)
        self._high = Intervals("chip select high", SELECT_HIGH_NS)
        self.is_dead = False
        self.speed = 1.0  # of its crystal, against what is printed on it; counts from a set-up on
        self.catch_up: Callable[[float], None] = lambda t_ns: None
        self.n_resets = 0
        self.reset(on_ns)

    def reset(self, t_ns: float) -> None:
        """As at power-up, by command or by itself."""
        self.n_resets += 1
        self._registers = list(AFTER_RESET)
        self._data = 0
        self._convert_from(t_ns + SETTLING_NS)

    # --- conversions

    def next_ready_ns(self) -> float | None:
        if self.is_dead:
            return None
        return self._first_ns + self._n_converted * self._conversion_ns

    def convert(self) -> None:
        t_ns = self._first_ns + self._n_converted * self._conversion_ns
        self._n_converted += 1
        mux, gain = self._registers[1], 1 << (self._registers[2] & 7)
        difference_v = self._volts(mux >> 4, t_ns / 1e9) - self._volts(mux & 15, t_ns / 1e9)
        code = round(difference_v * gain / (2 * self._vref_v) * ((1 << 23) - 1))
        self._data = min(max(code, -(1 << 23)), (1 << 23) - 1) & 0xFFFFFF

    def _convert_from(self, t_ns: float) -> None:
        self._conversion_ns = 1e9 / RATES_HZ[self._registers[3]] / self.speed
        self._first_ns = t_ns + self._conversion_ns
        self._n_converted = 0

    # --- wire

    def select(self, t_ns: float) -> None:
        self._high.end(t_ns)
        self._period.begin(-math.inf)
        self._byte, self._n_bits = 0, 0
        self._command: list[int] = []
        self._out: list[int] = []

    def clock(self, sent: int, t_ns: float) -> int:
        self._period.end(t_ns)
        self._period.begin(t_ns)
        if self._out:
            self._before_data.end(t_ns)
        level = self._out.pop(0) if self._out and not self.is_dead else None
        self._byte = self._byte << 1 | sent
        self._n_bits += 1
        if self._n_bits == 8:
            self._take(self._byte, t_ns)
            self._byte, self._n_bits = 0, 0
        return int(self._random.integers(2)) if level is None else level

    def deselect(self, t_ns: float) -> None:
        self._high.begin(t_ns)

    def _take(self, byte: int, t_ns: float) -> None:
        if self._out or self.is_dead:
            return
        self._command.append(byte)
        first = self._command[0]
        if first >> 4 == 0x1 and len(self._command) == 2:
            start = first & 0xF
            self._answer(self._registers[start : start + byte + 1], t_ns)
        elif first >> 4 == 0x5 and len(self._command) >= 3:
            self._write((first & 0xF) + len(self._command) - 3, byte, t_ns)
            if len(self._command) == self._command[1] + 3:
                self._command = []
        elif first == 0x01:
            self.catch_up(t_ns)
            self._answer(list(self._data.to_bytes(3, "big")), t_ns)
        elif first == 0xF0:
            self._convert_from(t_ns + CALIBRATION_NS)
            self._command = []
        elif first == 0xFE:
            self.reset(t_ns)
            self._command = []
        elif first >> 4 not in (0x1, 0x5):
            self._command = []

    def _write(self, address: int, value: int, t_ns: float) -> None:
        self._registers[address] = (0x30 | value & 0x0E) if address == 0 else value
        self._convert_from(t_ns + SETTLING_NS)

    def _answer(self, data: list[int], t_ns: float) -> None:
        self._out = [byte >> (7 - bit) & 1 for byte in data for bit in range(8)]
        self._command = []
        self._before_data.begin(t_ns)
