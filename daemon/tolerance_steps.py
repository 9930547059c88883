"""The parts of a tolerance profile: steps, peaks, cells, scope, and the limits beside voltage."""

import math
import re
from typing import Annotated, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationInfo,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from daemon.yaml_file import Line, NotEmpty, Number

FREQUENCIES_HZ = (50, 60)


def _identifier(value: str) -> str:
    if not re.fullmatch(r"[a-z0-9][a-z0-9.-]{0,59}", value):
        raise PydanticCustomError(
            "identifier", "must be 1 to 60 lowercase letters, digits, dots and dashes"
        )
    return value


def _paragraph(value: str) -> str:
    if not all(line.isprintable() for line in value.split("\n")):
        raise PydanticCustomError("paragraph", "must be printable text")
    return value


def _evidence_table(value: object) -> object:
    return {"all": value} if isinstance(value, str) else value


Identifier = Annotated[str, AfterValidator(_identifier)]
Paragraph = Annotated[
    str, StringConstraints(strip_whitespace=True, max_length=4000), AfterValidator(_paragraph)
]
Evidence = Annotated[dict[Line, Line], BeforeValidator(_evidence_table)]
"""How well each number is known: the number in words, then the grade and what it was seen in."""


NominalVoltage = Annotated[Number, Field(gt=0, le=1_000_000)]


class Table(BaseModel):
    """A table of a profile: fixed once read, unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def _one_of(value: float | None, other: float | None, names: str, needed: bool) -> float | None:
    if value is not None and other is not None:
        raise PydanticCustomError("one_of", "give only one of {names}", {"names": names})
    if needed and value is None and other is None:
        raise PydanticCustomError("one_of", "give one of {names}", {"names": names})
    return value


class Timed(Table):
    """How long a level is borne; neither key: for ever."""

    at_most_s: Number | None = Field(default=None, gt=0, le=1e8)
    at_most_cycles: Number | None = Field(default=None, gt=0, le=1e8)

    @field_validator("at_most_cycles")
    @classmethod
    def _one_time(cls, value: float | None, info: ValidationInfo) -> float | None:
        return _one_of(value, info.data.get("at_most_s"), "at_most_s and at_most_cycles", False)

    def time_s(self, frequency_hz: float) -> float:
        """The time in seconds; infinite when the level is borne for ever."""
        if self.at_most_cycles is not None:
            return self.at_most_cycles / frequency_hz
        return math.inf if self.at_most_s is None else self.at_most_s

    def time_words(self, frequency_hz: float) -> str:
        """The time as the profile gives it, such as "1 cycle (0.02 s)"."""
        if self.at_most_cycles is None:
            return "ever" if self.at_most_s is None else f"{self.at_most_s:g} s"
        plural = "" if self.at_most_cycles == 1 else "s"
        return f"{self.at_most_cycles:g} cycle{plural} ({self.time_s(frequency_hz):.4g} s)"


class Under(Timed):
    """The voltage may fall to this level for at most this time."""

    down_to_pct: Number | None = Field(default=None, ge=0, lt=100)
    down_to_v: Number | None = Field(default=None, ge=0, le=1000, validate_default=True)

    @field_validator("down_to_v")
    @classmethod
    def _one_level(cls, value: float | None, info: ValidationInfo) -> float | None:
        is_known = "down_to_pct" in info.data  # else its own fault is told already
        return _one_of(value, info.data.get("down_to_pct"), "down_to_pct and down_to_v", is_known)

    @property
    def level(self) -> tuple[float, str]:
        """The level and its unit, % or V."""
        return _level(self.down_to_pct, self.down_to_v)


class Over(Timed):
    """The voltage may rise to this level for at most this time."""

    up_to_pct: Number | None = Field(default=None, gt=100, le=1000)
    up_to_v: Number | None = Field(default=None, gt=0, le=10_000, validate_default=True)

    @field_validator("up_to_v")
    @classmethod
    def _one_level(cls, value: float | None, info: ValidationInfo) -> float | None:
        is_known = "up_to_pct" in info.data
        return _one_of(value, info.data.get("up_to_pct"), "up_to_pct and up_to_v", is_known)

    @property
    def level(self) -> tuple[float, str]:
        """The level and its unit, % or V."""
        return _level(self.up_to_pct, self.up_to_v)


class Peak(Table):
    """A point of the envelope of the instantaneous voltage, in % of the nominal peak."""

    up_to_pct: Number = Field(gt=100, le=10_000)
    at_most_s: Number = Field(gt=0, le=1)


def _level(pct: float | None, volts: float | None) -> tuple[float, str]:
    return (pct, "%") if pct is not None else (volts or 0.0, "V")


def _country(value: str) -> str:
    if not re.fullmatch(r"[A-Z]{2}", value):
        raise PydanticCustomError("country", "must be two capital letters, as in ISO 3166: AT, US")
    return value


Country = Annotated[str, AfterValidator(_country)]
EquipmentKind = Literal["computer", "industrial", "medical", "semiconductor"]


class Scope(Table):
    """The supplies, places and equipment a profile was written for."""

    nominal_v: Annotated[tuple[NominalVoltage, ...], NotEmpty] | None = None
    frequency_hz: Annotated[tuple[Literal[50, 60], ...], NotEmpty] | None = None
    countries: Annotated[tuple[Country, ...], NotEmpty] | None = None
    equipment: Annotated[tuple[EquipmentKind, ...], NotEmpty] | None = None


Share = Annotated[Number, Field(gt=0, le=100)]


class SupplyUnder(Under):
    """A supply's lower limit; of two without a time, the deeper one is kept by the larger share."""

    share_pct: Share | None = None


class SupplyOver(Over):
    """A supply's upper limit; of two without a time, the higher one is kept by the larger share."""

    share_pct: Share | None = None


class Distortion(Table):
    """The most distortion, in % of the fundamental."""

    thd_pct: Number | None = Field(default=None, gt=0, le=100)
    harmonic_pct: Number | None = Field(default=None, gt=0, le=100)  # of any single order
    share_pct: Share | None = None

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if self.thd_pct is None and self.harmonic_pct is None:
            raise ValueError("give thd_pct or harmonic_pct")
        return self


class Frequency(Table):
    """The frequencies allowed, as means over 10 s."""

    down_to_hz: Number = Field(gt=0, le=1000)
    up_to_hz: Number = Field(gt=0, le=1000)
    share_pct: Share | None = None

    @field_validator("up_to_hz")
    @classmethod
    def _some_range(cls, value: float, info: ValidationInfo) -> float:
        _above(value, info.data.get("down_to_hz"), "down_to_hz")
        return value


class Unbalance(Table):
    """The most unbalance: negative sequence in % of the positive one."""

    up_to_pct: Number = Field(gt=0, le=100)
    share_pct: Share | None = None


class Flicker(Table):
    """The most short-term flicker severity."""

    pst: Number = Field(gt=0, le=20)
    share_pct: Share | None = None


class Averaging(Table):
    """A supply limit's own rule: `share_pct` of the means over `interval_s` within `period_s`."""

    interval_s: Number = Field(gt=0, le=1e6)
    period_s: Number | None = Field(default=None, gt=0, le=1e8)
    share_pct: Share = 100.0
    each_side: bool = False  # the share is of values above the lower, and of those below the upper


class Cell(Table):
    """One cell of a classification: its level and time bounds, and the label."""

    label: Line
    at_least_pct: Number = Field(default=0.0, ge=0, le=1000)
    below_pct: Number | None = Field(default=None, gt=0, le=1000)
    longer_than_s: Number = Field(default=0.0, ge=0, le=1e8)
    longer_than_cycles: Number | None = Field(default=None, gt=0, le=1e8)
    at_most_s: Number | None = Field(default=None, gt=0, le=1e8)
    at_most_cycles: Number | None = Field(default=None, gt=0, le=1e8)

    @field_validator("below_pct")
    @classmethod
    def _some_levels(cls, value: float | None, info: ValidationInfo) -> float | None:
        return _above(value, info.data.get("at_least_pct"), "at_least_pct")

    @field_validator("at_most_s")
    @classmethod
    def _some_time(cls, value: float | None, info: ValidationInfo) -> float | None:
        return _above(value, info.data.get("longer_than_s"), "longer_than_s")

    @field_validator("at_most_cycles")
    @classmethod
    def _one_end(cls, value: float | None, info: ValidationInfo) -> float | None:
        return _one_of(value, info.data.get("at_most_s"), "at_most_s and at_most_cycles", False)

    def span_s(self, frequency_hz: float) -> tuple[float, float]:
        """Longer than the first, at most the second, in seconds."""
        shortest_s, longest_s = self.longer_than_s, self.at_most_s or math.inf
        if self.longer_than_cycles is not None:
            shortest_s = self.longer_than_cycles / frequency_hz
        if self.at_most_cycles is not None:
            longest_s = self.at_most_cycles / frequency_hz
        return shortest_s, longest_s


def _above(value: float | None, lower: float | None, name: str) -> float | None:
    if value is not None and lower is not None and value <= lower:
        raise ValueError(f"must be above {name} ({lower:g})")
    return value
