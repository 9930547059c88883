"""ADS8684 (4 inputs) and ADS8688 (8): 16 bits, inputs of +-2.56 to +-10.24 V without bias, on SPI.

Rate: 2 to 10 kS/s, paced by the program (4 kS/s is the default). Estimates for one input from
Python, not measured on a board: Pi Zero 2 W and 3B+ 2 to 4 kS/s, Pi 4 and 5 4 to 8 kS/s.
Simultaneity: none. Inputs are converted one after the other, about 20 microseconds apart and
interpolated to common instants. Bandwidth: an eighth of the sample rate, less where the measured
jitter says so; the chip's own filter (15 kHz) does nothing against aliases at these rates.
Good for: rms, dips, swells, interruptions, frequency, and the lowest harmonics that
`bandwidth_hz` leaves (to the 10th at 4 kS/s and 50 Hz). Not for distortion limits, not for
impulses.

Commands, registers and ranges: Texas Instruments SBAS582, and the Linux driver ti-ads8688.c. That
an input is held when chip select goes low is from memory and not tried on hardware.
"""

from typing import Annotated, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, field_validator

from drivers.clock import Clock
from drivers.errors import OptionError, SourceFailed
from drivers.paced import CS_HIGH_S, Timing, refuse_busy_wire
from drivers.paced_source import PacedSource
from drivers.plausible import Plausible
from drivers.source import SourceOptions
from drivers.spi import OpenSpi, Part, Spi, SpiOptions, SpiSettings, open_spidev

RESET = 0x85
SELECT = 0xC0  # + 4 * input
SEQUENCE = 0x01  # register of a mode that is not used here: it keeps a mark
MARK = 0xA5  # not what a reset leaves there (FFh), nor what a stuck line gives
RANGE = 0x05  # register of input 0
RANGE_CODES = {10.24: 0, 5.12: 1, 2.56: 2}
FRAME_BITS = 32
RESET_WAIT_S = 0.02
CHECK_SCANS = 2000  # at least so many scans between two looks at the chip's registers


class Ads8688Options(SpiOptions):
    """The `driver:` table for ADS8684 and ADS8688."""

    chip: Literal["ads8684", "ads8688"] = "ads8688"
    inputs: Annotated[tuple[str, ...], Field(min_length=1, max_length=8)] = ("ch0",)
    range_v: float = 10.24
    """Plus or minus so many volts, with the chip's own reference of 4.096 V."""
    sample_rate_hz: Annotated[float, Field(ge=2000, le=10_000)] = 4000.0
    speed_hz: Annotated[int, Field(ge=500_000, le=17_000_000)] = 4_000_000

    @field_validator("range_v")
    @classmethod
    def _known_range(cls, value: float) -> float:
        if value not in RANGE_CODES:
            raise ValueError(f"must be one of {', '.join(map(str, RANGE_CODES))}")
        return value

    @field_validator("inputs")
    @classmethod
    def _are_inputs(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        unknown = [name for name in value if name not in {f"ch{n}" for n in range(8)}]
        if unknown or len(set(value)) < len(value):
            raise ValueError("must be ch0 to ch7, each once")
        return value

    @property
    def used(self) -> list[int]:
        return [int(name[2:]) for name in self.inputs]


class Scan:
    """Each frame brings the input that the frame before selected, and selects the next."""

    bits = 16

    def __init__(self, spi: Spi, options: Ads8688Options) -> None:
        self._spi = spi
        self._options = options
        used = options.used
        self._parts = tuple(Part(_selection(n)) for n in [*used[1:], used[0]])
        code = RANGE_CODES[options.range_v]
        self._registers = {SEQUENCE: MARK, **{RANGE + channel: code for channel in used}}
        self._lsb_v = 2.0 * options.range_v / 65536.0
        self.timing = _timing(options)
        self._since_check = 0
        self.full_scale_v = options.range_v
        self._plausible = Plausible(options.range_v)

    def set_up(self) -> None:
        """Set the ranges, read them back, and select the first input.

        :raises SourceFailed: the chip does not answer as it should.
        """
        for address, value in self._registers.items():
            self._spi.exchange((address << 1 | 1, value, 0))
        self._check()

    def scan(self) -> bytes:
        if len(self._parts) == 1:
            return self._spi.exchange(tuple(self._parts[0].data))
        return self._spi.exchange_parts(self._parts)

    def volts(self, scans: list[bytes]) -> NDArray[np.float64]:
        words = np.frombuffer(b"".join(scans), dtype=">u2")
        codes = words.reshape(len(scans), len(self._parts), 2)[:, :, 1].astype(np.float64)
        volts = np.asarray((codes - 32768.0) * self._lsb_v)
        self._since_check += len(scans)
        if self._plausible.is_odd(volts) or self._since_check >= CHECK_SCANS:
            self._check()
        return volts

    def _check(self) -> None:
        """After a reset by itself the chip would be back at its widest range, unnoticed."""
        self._since_check = 0
        for address, value in self._registers.items():
            if self._spi.exchange((address << 1, 0, 0))[2] != value:
                raise SourceFailed(
                    f"the {self._options.chip} does not answer with what was set: check wiring and"
                    " supply"
                )
        self._spi.exchange(tuple(_selection(self._options.used[0])))


def _selection(channel: int) -> bytes:
    return bytes((SELECT + 4 * channel, 0, 0, 0))


def _timing(options: Ads8688Options) -> Timing:
    """Each input is held when its frame begins."""
    frame_s = FRAME_BITS / options.speed_hz
    step_s = frame_s + CS_HIGH_S
    n_inputs = len(options.inputs)
    return Timing(tuple(n * step_s for n in range(n_inputs)), n_inputs * step_s - CS_HIGH_S)


class Ads8688Source(PacedSource):
    """One chip, its inputs converted in turn."""

    Options: ClassVar[type[SourceOptions]] = Ads8688Options
    is_hardware: ClassVar[bool] = True

    def __init__(
        self, options: SourceOptions, clock: Clock, open_spi: OpenSpi = open_spidev
    ) -> None:
        if not isinstance(options, Ads8688Options):
            raise OptionError(f"driver.name is {options.name!r}: these are not ads8688 options")
        super().__init__(options, clock, open_spi)
        self._options = options

    @property
    def _inputs(self) -> tuple[str, ...]:
        return self._options.inputs

    @property
    def _rate_hz(self) -> float:
        return self._options.sample_rate_hz

    def _settings(self) -> SpiSettings:
        options = self._options
        _refuse_unfit(options)
        return SpiSettings(options.bus, options.device, 1, options.speed_hz)

    def _ready(self, spi: Spi) -> Scan:
        spi.exchange((RESET, 0, 0, 0))
        self._clock.sleep_s(RESET_WAIT_S)
        scan = Scan(spi, self._options)
        scan.set_up()
        return scan


def _refuse_unfit(options: Ads8688Options) -> None:
    n_inputs = int(options.chip[-1])
    faults = [
        f"driver.inputs: {options.chip} has no ch{channel}"
        for channel in options.used
        if channel >= n_inputs
    ]
    faults += refuse_busy_wire(_timing(options), options.sample_rate_hz)
    if faults:
        raise OptionError("; ".join(faults))
