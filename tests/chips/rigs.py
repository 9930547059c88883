"""Every driver of a converter on the model of its chip, with a mains voltage of the test's choice.

The models take the voltage at the instant of a conversion; what a chip's own filter does to 50 Hz
is put into it here, because the driver undoes it.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.ads131m0x import Ads131m0xSource
from drivers.ads1256 import Ads1256Source
from drivers.ads8688 import Ads8688Source
from drivers.clock import ManualClock
from drivers.mcp320x import Mcp320xSource
from drivers.registry import find_driver
from drivers.soundcard import SoundcardSource
from drivers.source import Source, SourceOptions
from tests.chips.ads131 import Ads131Chip
from tests.chips.ads1256 import Ads1256Chip
from tests.chips.ads8688 import Ads8688Chip
from tests.chips.bench import Bench, steady
from tests.chips.conversions import ReadyLine
from tests.chips.mcp import McpChip
from tests.chips.soundcard import FakeAudio

Floats = NDArray[np.float64]
Sensor = Callable[[float], float]
"""Volts of the sensor around its rest level, at an instant in seconds since the clock's start."""

START_S = 1000.0  # of the manual clock
PEAK_V = 0.3  # of the sensor at 230 V
SENSOR = PEAK_V / (230 * math.sqrt(2))  # volts at the converter for a volt of the mains
DIP_AT_S, DIP_LENGTH_S, DIP_TO = 0.8, 0.1, 0.6


def dipping(at_s: float = DIP_AT_S, length_s: float = DIP_LENGTH_S, to: float = DIP_TO) -> Sensor:
    """230 V, 50 Hz, with one dip."""

    def sensor_v(t_s: float) -> float:
        level = to if 0 <= t_s - at_s < length_s else 1.0
        return PEAK_V * level * math.sin(2 * math.pi * 50 * t_s)

    return sensor_v


@dataclass
class Rig:
    """A driver on its model. The parts that a converter does not have are None."""

    clock: ManualClock
    sensor: Sensor
    source: Source = field(init=False)
    bench: Bench | None = None
    chip: Any = None
    line: ReadyLine | None = None
    audio: FakeAudio | None = None
    opened_s: float | None = None  # when it was open for the first time

    def volts(self, t_s: float) -> float:
        """What the sensor gives now; a test may put another one in its place while it runs."""
        return self.sensor(t_s - START_S)

    def fail(self, is_failing: bool) -> None:
        """The device is gone, or back."""
        error = "Input/output error" if is_failing else None
        if self.bench is not None:
            self.bench.error, self.bench.is_absent = error, is_failing
        if self.audio is not None:
            self.audio.error = error


def _mcp320x(rig: Rig, options: SourceOptions) -> Source:
    rig.chip = McpChip("mcp3208", lambda _, t_s: 0.5 + rig.volts(t_s), 1.0)
    rig.bench = Bench(rig.chip, rig.clock)
    return Mcp320xSource(options, rig.clock, rig.bench.open)


def _ads8688(rig: Rig, options: SourceOptions) -> Source:
    rig.chip = Ads8688Chip(8, lambda _, t_s: rig.volts(t_s))
    rig.bench = Bench(rig.chip, rig.clock)
    return Ads8688Source(options, rig.clock, rig.bench.open)


def _ads131m0x(rig: Rig, options: SourceOptions) -> Source:
    droop = float(np.sinc(50 / 4000)) ** 3
    rig.chip = Ads131Chip(2, lambda _, t_s: droop * rig.volts(t_s), rig.clock.monotonic_ns())
    rig.bench = Bench(rig.chip, rig.clock, steady(5e-6), steady(5e-6))
    rig.line = ReadyLine(rig.chip, rig.clock)
    rig.chip.catch_up = rig.line.catch_up
    return Ads131m0xSource(options, rig.clock, rig.bench.open, rig.line.open)


def _ads1256(rig: Rig, options: SourceOptions) -> Source:
    droop = float(np.sinc(50 / 30_000) ** 4 * np.sinc(50 / 2000))  # sinc5, then 15 averaged

    def volts(pin: int, t_s: float) -> float:
        return 2.5 + droop * rig.volts(t_s) if pin == 0 else 0.0

    rig.chip = Ads1256Chip(volts, rig.clock.monotonic_ns())
    rig.bench = Bench(rig.chip, rig.clock)
    rig.line = ReadyLine(rig.chip, rig.clock)
    rig.chip.catch_up = rig.line.catch_up
    return Ads1256Source(options, rig.clock, rig.bench.open, rig.line.open)


def _soundcard(rig: Rig, options: SourceOptions) -> Source:
    def volts(channel: int, t_s: Floats) -> Floats:
        return np.array([rig.volts(one_s) for one_s in t_s])

    rig.audio = FakeAudio(rig.clock, volts, 1.0)
    return SoundcardSource(options, rig.clock, rig.audio)


_BUILDERS = {
    "mcp320x": _mcp320x,
    "ads8688": _ads8688,
    "ads131m0x": _ads131m0x,
    "ads1256": _ads1256,
    "soundcard": _soundcard,
}


@dataclass(frozen=True)
class Case:
    """A driver, its options, and what it must say of itself."""

    name: str
    options: dict[str, object]
    rate_hz: float
    bits: int
    tolerance_pct: float  # of rms: a code of the converter

    def rig(self, sensor: Sensor | None = None) -> Rig:
        options = find_driver(self.name).Options.model_validate({"name": self.name, **self.options})
        rig = Rig(ManualClock(monotonic_s=START_S), sensor or dipping())
        rig.source = _BUILDERS[self.name](rig, options)
        return rig


CASES = [
    # 12 bits of 1 V: a code is 0.08 % of the peak; the others have far finer ones
    Case("mcp320x", {"chip": "mcp3208", "vref_v": 1.0}, 4000.0, 12, 0.1),
    Case("ads8688", {"range_v": 2.56}, 4000.0, 16, 0.05),
    Case("ads131m0x", {"chip": "ads131m02", "drdy_gpio": 5}, 4000.0, 24, 0.02),
    Case("ads1256", {"drdy_gpio": 5, "gain": 1}, 2000.0, 24, 0.02),
    Case(
        "soundcard",
        {"device": "wm8782", "full_scale_v": 1.0, "sample_rate_hz": 16000, "settle_s": 0.0},
        16000.0,
        24,
        0.02,
    ),
]
