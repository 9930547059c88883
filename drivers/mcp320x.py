"""MCP3004, 3008 (10 bits), 3204, 3208 (12 bits), 3302, 3304 (13 bits, differential) on SPI.

Rate: 2 to 10 kS/s, paced by the program (4 kS/s is the default). Estimates for one input from
Python, not measured on a board: Pi Zero 2 W and 3B+ 2 to 4 kS/s, Pi 4 and 5 4 to 8 kS/s, with one
core about half busy. Scans of several inputs take 40 microseconds more for each.
Simultaneity: none. Inputs are converted one after the other, 30 to 50 microseconds apart, which is
1 degree at 50 Hz; each is interpolated to common instants, so slow differences are removed.
Bandwidth: an eighth of the sample rate, less where the measured jitter says so.
Good for: rms, dips, swells, interruptions, frequency, and the lowest harmonics that
`bandwidth_hz` leaves (to the 10th at 4 kS/s and 50 Hz). Not for distortion limits, not for
impulses.

Frames and hold instant: Microchip DS21295, DS21298, DS21697.
"""

import re
from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, field_validator

from drivers.clock import Clock
from drivers.errors import OptionError, SourceFailed
from drivers.paced import CS_HIGH_S, Timing, refuse_busy_wire
from drivers.paced_source import PacedSource
from drivers.source import SourceOptions
from drivers.spi import OpenSpi, Part, Spi, SpiOptions, SpiSettings, open_spidev

FRAME_BYTES = 3
FRAME_BITS = 8 * FRAME_BYTES
SPOILED_SHARE = 0.1  # of the frames of a block: beyond it no chip is answering


@dataclass(frozen=True, slots=True)
class Chip:
    """What differs within the family."""

    bits: int  # of the answer, sign included
    n_inputs: int
    fastest_hz: int  # serial clock at 5 V
    is_signed: bool = False

    @property
    def start_clock(self) -> int:
        """Clock of the start bit, counted from 1: the answer's last bit is the frame's last."""
        return FRAME_BITS - (self.bits + 6)

    @property
    def hold_clock(self) -> int:
        """The input is held at the falling edge of this clock."""
        return self.start_clock + 5

    @property
    def code_span(self) -> int:
        """Codes from zero to the reference voltage."""
        return 1 << (self.bits - self.is_signed)

    def request(self, selection: int) -> bytes:
        """Frame that asks for a 4-bit selection: single-ended flag and input number."""
        command = 0b10000 | selection
        return (command << (FRAME_BITS - self.start_clock - 4)).to_bytes(FRAME_BYTES, "big")


CHIPS = {
    "mcp3004": Chip(10, 4, 3_600_000),
    "mcp3008": Chip(10, 8, 3_600_000),
    "mcp3204": Chip(12, 4, 2_000_000),
    "mcp3208": Chip(12, 8, 2_000_000),
    "mcp3302": Chip(13, 4, 2_100_000, is_signed=True),
    "mcp3304": Chip(13, 8, 2_100_000, is_signed=True),
}


class Mcp320xOptions(SpiOptions):
    """The `driver:` table for the MCP3x0x family."""

    chip: Literal["mcp3004", "mcp3008", "mcp3204", "mcp3208", "mcp3302", "mcp3304"]
    vref_v: Annotated[float, Field(ge=0.4, le=5.5, allow_inf_nan=False)]
    """Measured at the reference pin: every reading is in proportion to it."""
    inputs: Annotated[tuple[str, ...], Field(min_length=1, max_length=8)] = ("ch0",)
    """`ch0`: against ground; `ch0-ch1`: pins of one pair, either way round."""
    bias_v: Annotated[float | None, Field(gt=0, le=5.5, allow_inf_nan=False)] = None
    """The sensor's rest level, taken off each reading. When not given: half of vref_v, and nothing
    for the pairs of MCP3302 and MCP3304, which take both signs."""
    sample_rate_hz: Annotated[float, Field(ge=2000, le=10_000)] = 4000.0
    speed_hz: Annotated[int, Field(ge=100_000, le=3_600_000)] = 1_200_000
    """Serial clock. Below 1.2 MHz a Pi up to 4 handles a frame by interrupt, which is slower. At
    3.3 V 1.2 MHz is a little beyond what the 12-bit chips promise at 2.7 V (1 MHz)."""

    @field_validator("inputs")
    @classmethod
    def _are_pins(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for name in value:
            selection_of(name)
        if len(set(value)) < len(value):
            raise ValueError("names an input twice")
        return value


def selection_of(name: str) -> int:
    """The 4-bit selection of `ch0` to `ch7`, or of a pair such as `ch0-ch1` or `ch1-ch0`."""
    single = re.fullmatch(r"ch([0-7])", name)
    if single is not None:
        return 0b1000 | int(single[1])
    pair = re.fullmatch(r"ch([0-7])-ch([0-7])", name)
    if pair is None or int(pair[1]) ^ 1 != int(pair[2]):
        raise ValueError(f"{name!r} must be ch0 to ch7, or a pair such as ch0-ch1 or ch1-ch0")
    return int(pair[1])


class Scan:
    """All wanted inputs of one chip, asked for in one call."""

    def __init__(self, spi: Spi, options: Mcp320xOptions) -> None:
        self._spi = spi
        self._chip = chip = CHIPS[options.chip]
        self.bits = chip.bits
        self._parts = tuple(Part(chip.request(selection_of(name))) for name in options.inputs)
        self._lsb_v = options.vref_v / chip.code_span
        is_signed = np.array([chip.is_signed and "-" in name for name in options.inputs])
        if options.bias_v is None:
            self._bias_v = np.where(is_signed, 0.0, options.vref_v / 2.0)
        else:
            self._bias_v = np.full(len(is_signed), options.bias_v)
        low_v = np.where(is_signed, -options.vref_v, 0.0)
        self.full_scale_v = float(
            np.minimum(options.vref_v - self._bias_v, self._bias_v - low_v).min()
        )
        self.timing = _timing(chip, len(options.inputs), options.speed_hz)

    def scan(self) -> bytes:
        if len(self._parts) == 1:
            return self._spi.exchange(tuple(self._parts[0].data))
        return self._spi.exchange_parts(self._parts)

    def volts(self, scans: list[bytes]) -> NDArray[np.float64]:
        frames = np.frombuffer(b"".join(scans), dtype=np.uint8)
        frames = frames.reshape(len(scans), len(self._parts), FRAME_BYTES)
        words = frames.astype(np.int32) @ np.array([1 << 16, 1 << 8, 1], dtype=np.int32)
        bits = self._chip.bits
        self._refuse_no_answer(words)
        codes = words & ((1 << bits) - 1)
        if self._chip.is_signed:
            codes = np.where(codes >= 1 << (bits - 1), codes - (1 << bits), codes)
        return np.asarray(codes * self._lsb_v - self._bias_v)

    def _refuse_no_answer(self, words: NDArray[np.int32]) -> None:
        """The bit before each answer is zero; a floating or high line gives it other values."""
        has_null = (words >> self._chip.bits) & 1 == 0
        if np.mean(~has_null) > SPOILED_SHARE:
            raise SourceFailed("the converter does not answer: its data line floats or is high")
        if not words.any() and np.all(self._bias_v > 0.0):
            raise SourceFailed("the converter does not answer: its data line stays low")


def _timing(chip: Chip, n_inputs: int, speed_hz: int) -> Timing:
    frame_s = FRAME_BITS / speed_hz
    first_s = chip.hold_clock / speed_hz
    return Timing(
        hold_s=tuple(first_s + one * (frame_s + CS_HIGH_S) for one in range(n_inputs)),
        wire_s=n_inputs * (frame_s + CS_HIGH_S) - CS_HIGH_S,
    )


class Mcp320xSource(PacedSource):
    """One chip of the family, its inputs converted in turn."""

    Options: ClassVar[type[SourceOptions]] = Mcp320xOptions
    is_hardware: ClassVar[bool] = True

    def __init__(
        self, options: SourceOptions, clock: Clock, open_spi: OpenSpi = open_spidev
    ) -> None:
        if not isinstance(options, Mcp320xOptions):
            raise OptionError(f"driver.name is {options.name!r}: these are not mcp320x options")
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
        return SpiSettings(options.bus, options.device, 0, options.speed_hz)

    def _ready(self, spi: Spi) -> Scan:
        return Scan(spi, self._options)


def _refuse_unfit(options: Mcp320xOptions) -> None:
    """What only shows when several keys are seen together."""
    chip = CHIPS[options.chip]
    faults = [
        f"driver.inputs: {options.chip} has no {pin}"
        for name in options.inputs
        for pin in name.split("-")
        if int(pin[2:]) >= chip.n_inputs
    ]
    if options.speed_hz > chip.fastest_hz:
        faults.append(f"driver.speed_hz: {options.chip} takes at most {chip.fastest_hz}")
    if options.bias_v is not None and options.bias_v >= options.vref_v:
        faults.append(f"driver.bias_v: must be below vref_v, {options.vref_v:g}")
    timing = _timing(chip, len(options.inputs), options.speed_hz)
    faults += refuse_busy_wire(timing, options.sample_rate_hz)
    if faults:
        raise OptionError("; ".join(faults))
