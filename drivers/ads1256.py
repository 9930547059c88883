"""ADS1255 and ADS1256: 24 bits, one input, on SPI and one GPIO.

Rate: 2, 3.75, 7.5 or 15 kS/s, set by the chip's 7.68 MHz crystal. Estimates from Python, not
measured on a board: 2 kS/s on any Pi, 3.75 kS/s on a Pi 4 or 5 with losses now and then; more only
with a core of its own. The chip keeps no sample: a pause of one sample period loses data, which is
counted. Simultaneity: one input only; the multiplexer must settle for longer than a mains monitor
can wait. Bandwidth: 0.35 of the sample rate; the droop of the chip's filter is undone up to there.
Good for: rms, dips, swells, interruptions, frequency, and harmonics to the 14th at 2 kS/s, to the
26th at 3.75 kS/s (50 Hz). Not for impulses.

Commands, registers, timing: Texas Instruments SBAS288K. The waits t6 (50 clocks) and t11 are from
memory.
"""

import re
from typing import Annotated, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, field_validator

from drivers.clock import Clock
from drivers.equaliser import FLAT_SHARE, inverse_taps, sinc
from drivers.errors import OptionError, SourceFailed
from drivers.gpio_line import OpenEdges, open_edges
from drivers.plausible import Plausible
from drivers.ready_source import ReadyOptions, ReadySource
from drivers.source import SourceInfo, SourceOptions
from drivers.spi import OpenSpi, Part, Spi, open_spidev

READ_DATA, READ_REGISTER, WRITE_REGISTER = 0x01, 0x10, 0x50
SELF_CALIBRATE, RESET, STOP_CONTINUOUS = 0xF0, 0xFE, 0x0F
N_SET = 4  # registers that are set: STATUS, MUX, ADCON, DRATE
STATUS_MASK = 0x0E  # order, auto-calibration, buffer; the rest is identity and ready flag
AGAINST_COMMON = 8
FASTEST_HZ = 30_000.0  # of the first filter; slower rates average its output
FILTER_ORDER = 5
RATE_CODES = {15_000: 0xE0, 7500: 0xD0, 3750: 0xC0, 2000: 0xB0}
BEFORE_DATA_US = 7  # 50 periods of 7.68 MHz between a command and its answer
CALIBRATION_S = 0.1
RESET_WAIT_S = 0.005
CHECK_S = 1.0


def filter_response(rate_hz: float, share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Of the fifth-order sinc filter at 30 kS/s and the average behind it."""
    turns = share * rate_hz / FASTEST_HZ
    n_averaged = round(FASTEST_HZ / rate_hz)
    average = np.sinc(n_averaged * turns) / np.sinc(turns)
    return np.asarray(sinc(turns, FILTER_ORDER) * average)


class Ads1256Options(ReadyOptions):
    """The `driver:` table for ADS1255 and ADS1256."""

    input: str = "ain0"
    """`ain0`: against AINCOM at ground; `ain0-ain1`: between two pins."""
    gain: Literal[1, 2, 4, 8, 16, 32, 64] = 1
    vref_v: Annotated[float, Field(ge=0.5, le=2.6, allow_inf_nan=False)] = 2.5
    bias_v: Annotated[float | None, Field(gt=0, le=5, allow_inf_nan=False)] = None
    """The sensor's rest level, taken off each reading. When not given: the middle of the range for
    an input against ground, nothing for a pair."""
    is_buffered: bool = False
    """The chip's input buffer; it limits the pins to AVDD - 2 V."""
    sample_rate_hz: Literal[2000, 3750, 7500, 15000] = 2000
    speed_hz: Annotated[int, Field(ge=100_000, le=1_920_000)] = 1_900_000

    @field_validator("input")
    @classmethod
    def _are_pins(cls, value: str) -> str:
        if not re.fullmatch(r"ain[0-7](-ain[0-7])?", value) or value[:4] == value[5:]:
            raise ValueError("must be ain0 to ain7, or a pair such as ain0-ain1")
        return value

    @property
    def is_pair(self) -> bool:
        return "-" in self.input

    @property
    def range_v(self) -> float:
        return 2.0 * self.vref_v / self.gain

    @property
    def rest_v(self) -> float:
        if self.bias_v is None:
            return 0.0 if self.is_pair else self.range_v / 2.0
        return self.bias_v

    @property
    def full_scale_v(self) -> float:
        """The smaller way from rest to where the converter clips."""
        low_v = -self.range_v if self.is_pair else 0.0
        return min(self.range_v - self.rest_v, self.rest_v - low_v)


class Ads1256:
    """The chip's registers and data."""

    def __init__(self, spi: Spi, options: Ads1256Options, clock: Clock) -> None:
        self._spi = spi
        self._options = options
        self._clock = clock
        positive, negative = int(options.input[3]), AGAINST_COMMON
        if options.is_pair:
            negative = int(options.input[8])
        self._registers = bytes(
            (
                options.is_buffered << 1,
                positive << 4 | negative,
                options.gain.bit_length() - 1,  # clock output and sensor detection off
                RATE_CODES[options.sample_rate_hz],
            )
        )
        request = Part(bytes((READ_DATA,)), BEFORE_DATA_US, is_last=False)
        self._data_parts = (request, Part(bytes(3)))
        request = Part(bytes((READ_REGISTER, N_SET - 1)), BEFORE_DATA_US, is_last=False)
        self._register_parts = (request, Part(bytes(N_SET)))

    def set_up(self) -> None:
        """Reset, write, calibrate, and read back.

        :raises SourceFailed: the chip does not answer as it should.
        """
        self._spi.exchange((STOP_CONTINUOUS,))
        self._spi.exchange((RESET,))
        self._clock.sleep_s(RESET_WAIT_S)
        self._spi.exchange((WRITE_REGISTER, N_SET - 1, *self._registers))
        self._spi.exchange((SELF_CALIBRATE,))
        self._clock.sleep_s(CALIBRATION_S)
        if not self.is_as_set():
            raise SourceFailed(
                "the converter does not answer with what was set: check wiring, supply and clock"
            )

    def is_as_set(self) -> bool:
        """Whether the registers still hold what was written."""
        found = self._spi.exchange_parts(self._register_parts)[2:]
        return bytes((found[0] & STATUS_MASK, *found[1:])) == self._registers

    def sample(self) -> bytes:
        """The three bytes of the newest conversion."""
        return self._spi.exchange_parts(self._data_parts)[1:]

    def volts(self, samples: list[bytes]) -> NDArray[np.float64]:
        """Shape (n_samples, 1)."""
        data = np.frombuffer(b"".join(samples), dtype=np.uint8).reshape(len(samples), 3)
        codes = (data.astype(np.int32) @ np.array([1 << 24, 1 << 16, 1 << 8], dtype=np.int32)) >> 8
        volts = codes * (self._options.range_v / ((1 << 23) - 1)) - self._options.rest_v
        return np.asarray(volts[:, np.newaxis])


class Ads1256Source(ReadySource):
    """Reads every conversion between two edges of the ready line."""

    Options: ClassVar[type[SourceOptions]] = Ads1256Options
    is_hardware: ClassVar[bool] = True

    def __init__(
        self,
        options: SourceOptions,
        clock: Clock,
        open_spi: OpenSpi = open_spidev,
        open_line: OpenEdges = open_edges,
    ) -> None:
        if not isinstance(options, Ads1256Options):
            raise OptionError(f"driver.name is {options.name!r}: these are not ads1256 options")
        super().__init__(options, clock, open_spi, open_line)
        self._options = options
        rate_hz = float(options.sample_rate_hz)
        self._inverse = inverse_taps(lambda share: filter_response(rate_hz, share))

    @property
    def _taps(self) -> NDArray[np.float64]:
        return self._inverse

    def _describe(self) -> SourceInfo:
        options = self._options
        if options.full_scale_v <= 0.0:
            raise OptionError(
                f"driver.bias_v: {options.rest_v:g} is not within the range of the input, which"
                f" ends at {options.range_v:g}"
            )
        return SourceInfo(
            sample_rate_hz=float(options.sample_rate_hz),
            inputs=(options.input,),
            bits=24,
            full_scale_v=options.full_scale_v,
            bandwidth_hz=options.sample_rate_hz * FLAT_SHARE,
            is_simultaneous=True,
            is_live=True,
        )

    def _attach(self, spi: Spi) -> Ads1256:
        self._registers = Ads1256(spi, self._options, self._clock)
        self._plausible = Plausible(self._options.full_scale_v)
        return self._registers

    def _start(self) -> None:
        self._checked_ns = self._clock.monotonic_ns()

    def _read_ready(self) -> None:
        """Read the newest conversion; the ones before it are lost, the chip has one register."""
        counter = self._counter
        begin_ns = self._clock.monotonic_ns()
        index = counter.index
        sample = self._registers.sample()
        counter.poll()
        is_whole = not counter.has_edge_since(begin_ns)  # it was not replaced meanwhile
        counter.mark_read(index)
        if is_whole:
            self._keep(index, sample)
        if (begin_ns - self._checked_ns) / 1e9 > CHECK_S:
            self._checked_ns = begin_ns
            if not self._registers.is_as_set():
                self._begin_again()

    def _push(self, volts: NDArray[np.float64]) -> None:
        if self._plausible.is_odd(volts) and not self._registers.is_as_set():
            self._begin_again()
        else:
            super()._push(volts)
