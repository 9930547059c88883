"""The calibration file: what each channel's gain is, who found it out, with what, and how well.

One YAML file beside the configuration, named by its key `calibration`. It is written whole or not
at all, and the file it takes the place of is kept under a name with its date.
"""

import hashlib
import math
import os
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Annotated

import yaml
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from daemon.errors import InputError, StoreError
from daemon.yaml_file import (
    Line,
    NotEmpty,
    Number,
    WholeNumber,
    describe_faults,
    fields_of,
    read_yaml,
)

HEADING = """\
# Written by `halfcycle calibrate`. It takes the place of gain_v_per_v and offset_v of the
# configuration; a change by hand is refused, because `digest` would not fit any more.
"""


class Part(BaseModel):
    """A table of the file: fixed once read, unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Reference(Part):
    """The true-rms meter the channel was compared with."""

    identity: Line  # make, type, serial number
    accuracy_pct: Number = Field(ge=0, le=20)  # of the reading, as its maker states it
    accuracy_v: Number = Field(ge=0, le=100)  # to be added to that
    calibrated_on: date | None = None

    def limit_v(self, reading_v: float) -> float:
        """Half width of what its maker states, in volts."""
        return reading_v * self.accuracy_pct / 100 + self.accuracy_v


class Level(Part):
    """What was measured at one voltage."""

    reference_v: Number = Field(gt=0)  # rms of the mains as the meter showed it
    input_rms_v: Number = Field(gt=0)  # fundamental and harmonics at the converter's input
    input_offset_v: Number
    input_noise_v: Number = Field(ge=0)  # rms of what is neither constant nor a harmonic
    frequency_hz: Number = Field(gt=0)
    distortion_pct: Number = Field(ge=0)  # harmonics; those of the supply itself are among them
    repeatability_pct: Number = Field(ge=0)  # standard deviation of the mean of its seconds
    duration_s: Number = Field(gt=0)


class ChannelCalibration(Part):
    """One channel: its gain and how it was found."""

    name: Line
    input: WholeNumber = Field(ge=0, le=63)
    made_utc: AwareDatetime
    made_by: Line
    driver: Line
    sample_rate_hz: Number = Field(gt=0)
    sensor: Line  # type and serial number of what isolates and scales
    reference: Reference
    gain_v_per_v: Number
    offset_v: Number  # at the converter's input with no voltage on the mains
    linearity_pct: Number | None = Field(default=None, ge=0)  # largest deviation; None: one level
    noise_v: Number = Field(ge=0)  # rms in mains volts, at the highest level
    residual_distortion_pct: Number = Field(ge=0)
    effective_bits: Number
    levels: Annotated[tuple[Level, ...], NotEmpty]

    @property
    def reference_uncertainty_pct(self) -> float:
        """Standard uncertainty that the meter brings: its limits taken as rectangular.

        Half width over the square root of three (JCGM 100:2008, 4.3.7), worst of the levels.
        """
        return max(
            100 * self.reference.limit_v(level.reference_v) / level.reference_v / math.sqrt(3)
            for level in self.levels
        )

    @property
    def repeatability_pct(self) -> float:
        """Standard uncertainty of the readings themselves, worst of the levels."""
        return max(level.repeatability_pct for level in self.levels)

    @property
    def linearity_uncertainty_pct(self) -> float:
        """Standard uncertainty from one gain for all levels; 0 when only one was taken."""
        return (self.linearity_pct or 0.0) / math.sqrt(3)

    @property
    def gain_uncertainty_pct(self) -> float:
        """Combined standard uncertainty (k = 1) of the gain, in % of it, on the day it was made."""
        return math.hypot(
            self.reference_uncertainty_pct, self.repeatability_pct, self.linearity_uncertainty_pct
        )

    def age_days(self, now_utc_s: float) -> float:
        """How long ago it was made."""
        return (now_utc_s - self.made_utc.timestamp()) / 86400


class Calibration(Part):
    """The whole file."""

    digest: str = Field(default="", max_length=64)
    channels: tuple[ChannelCalibration, ...] = ()

    def channel(self, name: str) -> ChannelCalibration | None:
        """The entry of one channel."""
        return next((one for one in self.channels if one.name == name), None)

    def with_channel(self, new: ChannelCalibration) -> "Calibration":
        """The same with one channel added or replaced, and a digest that fits."""
        others = tuple(one for one in self.channels if one.name != new.name)
        channels = (*others, new)
        return Calibration(digest=digest_of(channels), channels=channels)


def digest_of(channels: tuple[ChannelCalibration, ...]) -> str:
    """SHA-256 over the content: the identity that is kept with every run."""
    text = "\n".join(one.model_dump_json() for one in channels)
    return hashlib.sha256(text.encode()).hexdigest()


def load_calibration(path: Path) -> Calibration:
    """Read and check a calibration file.

    :raises InputError: it cannot be read, or something in it is wrong; every fault at once.
    """
    try:
        calibration = Calibration.model_validate(read_yaml(path))
    except ValidationError as error:
        raise InputError(describe_faults(path, error, fields_of(Calibration))) from error
    if calibration.digest != digest_of(calibration.channels):
        raise InputError(
            f"{path}: digest: does not fit the content, so the file was changed after it was "
            "written; calibrate again"
        )
    return calibration


def write_calibration(path: Path, calibration: Calibration, now_utc_s: float) -> Path | None:
    """Put the file in its place in one step; what was there is kept under a dated name.

    :returns: the name under which the old file is kept, if there was one.
    :raises StoreError: the folder cannot be written; the old file is untouched then.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}")
    kept = None
    try:
        with part.open("w", encoding="utf-8") as stream:
            stream.write(HEADING)
            yaml.safe_dump(
                calibration.model_dump(mode="json"), stream, sort_keys=False, allow_unicode=True
            )
            stream.flush()
            os.fsync(stream.fileno())
        if path.exists():
            kept = _dated(path, now_utc_s)
            os.link(path, kept)
        part.replace(path)
        _flush_folder(path.parent)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise StoreError(f"{path} cannot be written: {error}") from error
    return kept


def _dated(path: Path, now_utc_s: float) -> Path:
    stamp = datetime.fromtimestamp(now_utc_s, UTC).strftime("%Y%m%dT%H%M%SZ")
    for number in range(1000):
        end = f"-{number}" if number else ""
        kept = path.with_name(f"{path.stem}-until-{stamp}{end}{path.suffix}")
        if not kept.exists():
            return kept
    raise StoreError(f"{path} has been replaced a thousand times in this second")


def _flush_folder(folder: Path) -> None:
    """A new name is only safe from a power cut when the folder that holds it is on the disk."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
