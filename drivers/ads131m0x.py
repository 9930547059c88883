"""ADS131M02, M03, M04, M06, M08: 24 bits, all inputs at the same instant, on SPI and one GPIO.

Rate: 4, 8, 16 or 32 kS/s with the usual 8.192 MHz clock, set by that clock. Estimates from Python,
not measured on a board: Pi Zero 2 W and 3B+ 4 kS/s with losses, Pi 4 and 5 4 kS/s with one core
half busy, 8 kS/s with losses now and then. The chip keeps two samples: a pause of two sample
periods loses data, which is counted. Simultaneity: yes. Bandwidth: 0.35 of the sample rate; the
droop of the chip's sinc3 filter is undone up to there.
Good for: rms, dips, swells, interruptions, frequency, and harmonics to the 28th at 4 kS/s, to the
50th at 8 kS/s (50 Hz; 60 Hz: to the 46th). Not for impulses.

Frames, commands, registers: Texas Instruments SBAS950B, SBAS889A. The two-sample buffer and its
restart: same, and not tried on hardware.
"""

import binascii
from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, field_validator

from drivers.clock import Clock
from drivers.equaliser import FLAT_SHARE, inverse_taps, sinc
from drivers.errors import OptionError, SourceFailed
from drivers.gpio_line import OpenEdges, open_edges
from drivers.ready_source import ReadyOptions, ReadySource
from drivers.source import SourceInfo, SourceOptions
from drivers.spi import OpenSpi, Spi, open_spidev

NULL, RESET, UNLOCK = 0x0000, 0x0011, 0x0655
READ, WRITE = 0xA000, 0x6000
ID, STATUS, MODE, CLOCK, GAIN1, GAIN2 = 0x00, 0x01, 0x02, 0x03, 0x04, 0x05
STATUS_RESET = 1 << 10
STATUS_WORD_LENGTH, WORD_LENGTH_24 = 3 << 8, 1 << 8
MODE_WORD = 0x0110  # 24-bit words, time-out on, ready line by level, reset flag cleared
HIGH_RESOLUTION = 0b10
OSR_CODES = {128: 0, 256: 1, 512: 2, 1024: 3}
REFERENCE_V = 1.2
WORD_BYTES = 3
FIFO_SAMPLES = 2
SETTLING_SAMPLES = 3  # to be dropped after any change of the set-up
MAX_BAD_FRAMES = 3  # in a row, before the chip is set up anew
RESET_WAIT_S = 0.006  # longer than the chip's own time-out of a broken frame, 4 ms
FILTER_ORDER = 3
MAX_EMPTYINGS = 5


def check_word(data: bytes) -> int:
    """CRC-16/CCITT-FALSE: polynomial 0x1021, starting from 0xFFFF."""
    return binascii.crc_hqx(data, 0xFFFF)


class Ads131m0xOptions(ReadyOptions):
    """The `driver:` table for the ADS131M0x family."""

    chip: Literal["ads131m02", "ads131m03", "ads131m04", "ads131m06", "ads131m08"]
    inputs: Annotated[tuple[str, ...], Field(min_length=1, max_length=8)] = ("ch0",)
    gain: Literal[1, 2, 4, 8, 16, 32, 64, 128] = 1
    clkin_hz: Annotated[float, Field(ge=2e6, le=8.4e6, allow_inf_nan=False)] = 8_192_000.0
    sample_rate_hz: Annotated[float, Field(ge=1900, le=33_000)] = 4000.0
    speed_hz: Annotated[int, Field(ge=1_000_000, le=25_000_000)] = 8_000_000

    @field_validator("inputs")
    @classmethod
    def _are_inputs(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        unknown = [name for name in value if name not in {f"ch{n}" for n in range(8)}]
        if unknown or len(set(value)) < len(value):
            raise ValueError("must be ch0 to ch7, each once")
        return value

    @property
    def n_channels(self) -> int:
        return int(self.chip[-1])

    @property
    def used(self) -> list[int]:
        return [int(name[2:]) for name in self.inputs]


@dataclass(frozen=True, slots=True)
class Answer:
    """One frame from the chip."""

    word: int  # to the command of the frame before
    frame: bytes
    is_intact: bool

    @classmethod
    def of(cls, frame: bytes) -> "Answer":
        is_intact = check_word(frame[:-WORD_BYTES]) == int.from_bytes(frame[-3:-1], "big")
        return cls(int.from_bytes(frame[:2], "big"), frame, is_intact)


class Ads131m0x:
    """The chip's registers and frames."""

    def __init__(self, spi: Spi, options: Ads131m0xOptions, clock: Clock) -> None:
        self._spi = spi
        self._options = options
        self._clock = clock
        self._n_bytes = WORD_BYTES * (options.n_channels + 2)
        self._null = (0,) * self._n_bytes
        osr = round(options.clkin_hz / 2.0 / options.sample_rate_hz)
        self._clock_word = OSR_CODES[osr] << 2 | HIGH_RESOLUTION
        self._enables = sum(1 << channel for channel in options.used)

    def set_up(self) -> None:
        """Reset, identify, write and read back.

        :raises SourceFailed: the chip does not answer as it should.
        """
        self._clock.sleep_s(RESET_WAIT_S)
        for command in (NULL, UNLOCK, RESET):  # a full frame each, or a reset is ignored
            self._send(command)
        self._clock.sleep_s(RESET_WAIT_S)
        self._send(NULL)
        n_channels = self._options.n_channels
        found = self.register(ID) >> 8
        if found != 0x20 | n_channels:
            raise SourceFailed(
                f"the converter says it is {found:#04x}xx, not the {0x20 | n_channels:#04x}xx of an"
                f" {self._options.chip}: check wiring, clock and chip"
            )
        gain_code = self._options.gain.bit_length() - 1
        gains = sum(gain_code << (4 * n) for n in range(4))
        self._write(CLOCK, self._clock_word)  # no input on while the rest is set
        self._write(MODE, MODE_WORD)
        self._write(GAIN1, gains & (1 << 4 * min(n_channels, 4)) - 1)
        if n_channels > 4:
            self._write(GAIN2, gains & (1 << 4 * (n_channels - 4)) - 1)
        self._write(CLOCK, self._enables << 8 | self._clock_word)

    def frame(self) -> Answer:
        """The next sample, and the status as the answer's word."""
        return Answer.of(self._spi.exchange(self._null))

    def volts(self, frames: list[bytes]) -> NDArray[np.float64]:
        """The used inputs' readings, shape (n_frames, n_inputs)."""
        words = np.frombuffer(b"".join(frames), dtype=np.uint8)
        words = words.reshape(len(frames), -1, WORD_BYTES)[:, 1:-1][:, self._options.used]
        codes = words.astype(np.int32) @ np.array([1 << 24, 1 << 16, 1 << 8], dtype=np.int32)
        return np.asarray(codes / 2.0**31 * (REFERENCE_V / self._options.gain))

    def is_new(self, answer: Answer) -> bool:
        """Whether every used input has a sample in it that was not read before."""
        return answer.word & self._enables == self._enables

    def has_been_reset(self, answer: Answer) -> bool:
        """Somebody or something else set the chip up."""
        return bool(
            answer.word & STATUS_RESET or answer.word & STATUS_WORD_LENGTH != WORD_LENGTH_24
        )

    def register(self, address: int) -> int:
        self._send(READ | address << 7)
        answer = Answer.of(self._spi.exchange(self._null))
        if not answer.is_intact:
            raise SourceFailed(f"the {self._options.chip} does not answer: its check word is wrong")
        return answer.word

    def _write(self, address: int, value: int) -> None:
        self._send(WRITE | address << 7, value)
        if self.register(address) != value:
            raise SourceFailed(f"the {self._options.chip} did not take register {address:#04x}")

    def _send(self, *words: int) -> None:
        data = b"".join(word.to_bytes(2, "big") + b"\0" for word in words)
        self._spi.exchange(tuple(data.ljust(self._n_bytes, b"\0")))


class Ads131m0xSource(ReadySource):
    """Reads every conversion of all inputs, as long as the chip's buffer still has it."""

    Options: ClassVar[type[SourceOptions]] = Ads131m0xOptions
    is_hardware: ClassVar[bool] = True

    def __init__(
        self,
        options: SourceOptions,
        clock: Clock,
        open_spi: OpenSpi = open_spidev,
        open_line: OpenEdges = open_edges,
    ) -> None:
        if not isinstance(options, Ads131m0xOptions):
            raise OptionError(f"driver.name is {options.name!r}: these are not ads131m0x options")
        super().__init__(options, clock, open_spi, open_line)
        self._options = options
        self._inverse = inverse_taps(lambda share: sinc(share, FILTER_ORDER))

    @property
    def _taps(self) -> NDArray[np.float64]:
        return self._inverse

    def _describe(self) -> SourceInfo:
        options = self._options
        rate_hz = _exact_rate_hz(options)
        return SourceInfo(
            sample_rate_hz=rate_hz,
            inputs=options.inputs,
            bits=24,
            full_scale_v=REFERENCE_V / options.gain,
            bandwidth_hz=rate_hz * FLAT_SHARE,
            is_simultaneous=True,
            is_live=True,
        )

    def _attach(self, spi: Spi) -> Ads131m0x:
        self._frames = Ads131m0x(spi, self._options, self._clock)
        return self._frames

    def _start(self) -> None:
        self._clock.sleep_s((SETTLING_SAMPLES + 1) / self._rate_hz)
        self._n_bad = 0
        self._counter.restart()
        self._empty_buffer()
        self._counter.restart()

    def _read_ready(self) -> None:
        """Read what is ready, if the chip can still have all of it."""
        counter = self._counter
        n_ready, last_index = counter.n_unread, counter.index
        if n_ready > FIFO_SAMPLES:
            self._give_up()
            return
        answers = [self._frames.frame() for _ in range(n_ready - 1)]
        begin_ns = self._clock.monotonic_ns()
        answers.append(self._frames.frame())
        counter.poll()
        if counter.n_unread_at(begin_ns) > FIFO_SAMPLES:
            self._give_up()
            return
        counter.mark_read(last_index)
        for index, answer in enumerate(answers, start=last_index - n_ready + 1):
            self._keep_good(index, answer)
        if self._n_bad >= MAX_BAD_FRAMES:
            self._hand_on()
            self._begin()

    def _keep_good(self, index: int, answer: Answer) -> None:
        """A sample that is damaged or not new is left out, and so counted as lost."""
        is_reset = answer.is_intact and self._frames.has_been_reset(answer)
        if is_reset or not answer.is_intact or not self._frames.is_new(answer):
            self._n_bad += MAX_BAD_FRAMES if is_reset else 1
            return
        self._n_bad = 0
        self._keep(index, answer.frame)

    def _give_up(self) -> None:
        """Nobody knows which samples the chip still has: start from an empty buffer."""
        self._empty_buffer()
        self._counter.mark_read(self._counter.index)

    def _empty_buffer(self) -> None:
        """Read as many samples as the chip keeps, between two conversions."""
        for _ in range(MAX_EMPTYINGS):
            begin_ns = self._clock.monotonic_ns()
            for _ in range(FIFO_SAMPLES):
                self._frames.frame()
            self._counter.poll()
            if not self._counter.has_edge_since(begin_ns):
                return
        raise SourceFailed("the bus is too slow for this sample rate")


def _exact_rate_hz(options: Ads131m0xOptions) -> float:
    """The rate that clock and a ratio of the chip give.

    :raises OptionError: every option that does not fit the chip or another option.
    """
    faults = [
        f"driver.inputs: {options.chip} has no ch{channel}"
        for channel in options.used
        if channel >= options.n_channels
    ]
    rates_hz = [options.clkin_hz / 2.0 / ratio for ratio in OSR_CODES]
    if not any(abs(rate_hz - options.sample_rate_hz) < 0.5 for rate_hz in rates_hz):
        possible = ", ".join(f"{rate_hz:g}" for rate_hz in sorted(rates_hz))
        faults.append(
            f"driver.sample_rate_hz: {options.sample_rate_hz:g} is not one of {possible}, which"
            f" clkin_hz {options.clkin_hz:g} gives"
        )
    if faults:
        raise OptionError("; ".join(faults))
    return min(rates_hz, key=lambda rate_hz: abs(rate_hz - options.sample_rate_hz))
