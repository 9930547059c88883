"""ADS131M02 to M08, bit by bit (Texas Instruments SBAS950B, SBAS889A)."""

import binascii
import math
from collections import deque
from collections.abc import Callable

import numpy as np

from tests.chips.bench import Intervals

Volts = Callable[[int, float], float]

CLOCK_PERIOD_NS = 40.0
SELECT_HIGH_NS = 15.0
AFTER_RESET_NS = 5000.0
REFERENCE_V = 1.2
FIFO_SAMPLES = 2
FIRST_AFTER_RESET_NS = 250_000.0
OSR = {0: 128, 1: 256, 2: 512, 3: 1024, 4: 2048, 5: 4096, 6: 8192, 7: 16384}
CHANNEL_ENABLES = {2: 0x0300, 3: 0x0700, 4: 0x0F00, 6: 0x3F00, 8: 0xFF00}


class Ads131Chip:
    """Frames of 24-bit words; each answer is to the command of the frame before.

    The decimation filter is not modelled: the voltage is taken at the instant of the conversion,
    and a test that needs the filter's droop gives voltages that have it.
    """

    modes = frozenset({1})

    def __init__(
        self, n_channels: int, volts: Volts, on_ns: float, clkin_hz: float = 8_192_000.0
    ) -> None:
        """:param on_ns: when the supply came."""
        self._n_channels = n_channels
        self._volts = volts
        self._clkin_hz = clkin_hz
        self._period = Intervals("a clock", CLOCK_PERIOD_NS)
        self._high = Intervals("chip select high", SELECT_HIGH_NS)
        self._random = np.random.default_rng(7)
        self._now_ns = 0.0
        self.speed = 1.0  # of its clock, against what is printed on it; counts from a set-up on
        self.is_dead = False  # no supply: drives nothing, converts nothing
        self.n_resets = 0
        self._samples: deque[tuple[int, ...]] = deque()
        self._last: tuple[int, ...] = (0,) * n_channels
        self.catch_up: Callable[[float], None] = lambda t_ns: None  # conversions up to then
        self.reset(on_ns)

    def reset(self, t_ns: float) -> None:
        """As at power-up, by command or by itself."""
        self.n_resets += 1
        self._registers = {
            0x00: 0x2000 | self._n_channels << 8, 0x02: 0x0510, 0x04: 0, 0x05: 0, 0x06: 0x0600,
            0x03: CHANNEL_ENABLES[self._n_channels] | 0x0E,
        }  # fmt: skip
        self._is_locked = False
        self._bad_check = 0
        self._reply: list[int] | None = [0xFF20 | self._n_channels]
        self._ready_after_ns = t_ns + AFTER_RESET_NS
        self._conversion_from(t_ns + FIRST_AFTER_RESET_NS)

    # --- conversions

    def next_ready_ns(self) -> float | None:
        if self.is_dead or not self._enables:
            return None
        return self._first_ns + self._n_converted * self._conversion_ns

    def convert(self) -> None:
        """One conversion; the buffer keeps the newest two."""
        t_s = (self._first_ns + self._n_converted * self._conversion_ns) / 1e9
        self._n_converted += 1
        if len(self._samples) == FIFO_SAMPLES:
            self._samples.popleft()
        self._samples.append(tuple(self._code(n, t_s) for n in range(self._n_channels)))

    @property
    def _enables(self) -> int:
        return self._registers[0x03] >> 8

    def _conversion_from(self, t_ns: float) -> None:
        ratio = OSR[self._registers[0x03] >> 2 & 7]
        self._conversion_ns = 2e9 * ratio / self._clkin_hz / self.speed
        self._first_ns = t_ns + self._conversion_ns
        self._n_converted = 0
        self._samples.clear()

    def _code(self, channel: int, t_s: float) -> int:
        if not self._enables >> channel & 1:
            return 0
        gain = 1 << (self._registers[0x04 + channel // 4] >> 4 * (channel % 4) & 7)
        code = math.floor(self._volts(channel, t_s) * gain / REFERENCE_V * (1 << 23))
        return min(max(code, -(1 << 23)), (1 << 23) - 1) & 0xFFFFFF

    # --- frames

    def select(self, t_ns: float) -> None:
        self._high.end(t_ns)
        self._period.begin(-math.inf)
        self._now_ns = t_ns
        self.catch_up(t_ns)
        self._sent: list[int] = []
        self._n_bits = 0
        self._word = 0
        if t_ns < self._ready_after_ns:
            raise AssertionError("selected less than 5 us after a reset")
        self._out = self._answer()

    def clock(self, sent: int, t_ns: float) -> int:
        self._period.end(t_ns)
        self._period.begin(t_ns)
        self._word = self._word << 1 | sent
        number, bit = divmod(self._n_bits, 24)
        self._n_bits += 1
        if bit == 23:
            self._sent.append(self._word >> 8)
            self._word = 0
        if self.is_dead or number >= len(self._out):
            return int(self._random.integers(2))
        return self._out[number] >> (23 - bit) & 1

    def deselect(self, t_ns: float) -> None:
        self._high.begin(t_ns)
        self._now_ns = t_ns
        if self.is_dead or not self._sent:
            return
        self._obey(self._sent[0])

    def _answer(self) -> list[int]:
        """The words of this frame, check word included."""
        flags = self._enables if self._samples else 0
        if self._samples:
            self._last = self._samples.popleft()
        reply = self._reply or [self._status(flags)]
        words = [word << 8 for word in reply]
        if len(words) == 1:
            words += list(self._last)
        data = b"".join(word.to_bytes(3, "big") for word in words)
        return [*words, binascii.crc_hqx(data, 0xFFFF) << 8]

    def _status(self, flags: int) -> int:
        mode = self._registers[0x02]
        return self._is_locked << 15 | mode & 0x0400 | mode & 0x0300 | flags

    def _obey(self, command: int) -> None:
        self._reply = None
        if self._is_locked and command not in (0x0000, 0x0655) and command >> 13 != 0b101:
            return
        if command == 0x0011:
            if len(self._sent) >= self._n_channels + 2:  # a short frame does not reset
                self.reset(self._now_ns)
        elif command in (0x0022, 0x0033, 0x0555, 0x0655):
            self._is_locked = command == 0x0555 or (self._is_locked and command != 0x0655)
            self._reply = [command]
        elif command >> 13 == 0b101:
            self._read(command >> 7 & 0x3F, (command & 0x7F) + 1)
        elif command >> 13 == 0b011:
            self._write(command >> 7 & 0x3F, (command & 0x7F) + 1)

    def _read(self, address: int, n_registers: int) -> None:
        registers = {**self._registers, 0x01: self._status(self._enables if self._samples else 0)}
        content = [registers.get(address + n, 0) for n in range(n_registers)]
        header = [0xE000 | address << 7 | (n_registers - 1)] if n_registers > 1 else []
        self._reply = [*header, *content]

    def _write(self, address: int, n_registers: int) -> None:
        for n, value in enumerate(self._sent[1 : 1 + n_registers]):
            self._registers[address + n] = value
            if address + n == 0x03:
                self._conversion_from(self._now_ns)
        self._reply = [0x4000 | address << 7 | (n_registers - 1)]
