"""What a tolerance profile may say: the keys of its file, their limits, and how they hang together.

Three kinds that never mix in one verdict:
  * immunity        judged event by event: what equipment should ride through
  * supply          what the network should deliver; the standard's own rule is over days
  * classification  labels for events, no verdict
"""

import math
import re
from itertools import pairwise
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


class Scope(Table):
    """The supplies a profile was written for."""

    nominal_v: Annotated[tuple[NominalVoltage, ...], NotEmpty] | None = None
    frequency_hz: Annotated[tuple[Literal[50, 60], ...], NotEmpty] | None = None


class Averaging(Table):
    """A supply limit's own rule: `share_pct` of the means over `interval_s` within `period_s`."""

    interval_s: Number = Field(gt=0, le=1e6)
    period_s: Number | None = Field(default=None, gt=0, le=1e8)
    share_pct: Number = Field(default=100.0, gt=0, le=100)


class Cell(Table):
    """One cell of a classification: its level and time bounds, and the label."""

    label: Line
    at_least_pct: Number = Field(default=0.0, ge=0, le=1000)
    below_pct: Number | None = Field(default=None, gt=0, le=1000)
    longer_than_s: Number = Field(default=0.0, ge=0, le=1e8)
    at_most_s: Number | None = Field(default=None, gt=0, le=1e8)

    @field_validator("below_pct")
    @classmethod
    def _some_levels(cls, value: float | None, info: ValidationInfo) -> float | None:
        return _above(value, info.data.get("at_least_pct"), "at_least_pct")

    @field_validator("at_most_s")
    @classmethod
    def _some_time(cls, value: float | None, info: ValidationInfo) -> float | None:
        return _above(value, info.data.get("longer_than_s"), "longer_than_s")


def _above(value: float | None, lower: float | None, name: str) -> float | None:
    if value is not None and lower is not None and value <= lower:
        raise ValueError(f"must be above {name} ({lower:g})")
    return value


class Described(Table):
    """What every profile says of itself."""

    id: Identifier
    title: Line
    edition: Line | None = None
    source: Paragraph = Field(min_length=1)
    evidence: Evidence = {}
    applies_to: Scope = Scope()
    notes: Paragraph | None = None
    warning: Paragraph | None = None  # shown when used outside applies_to


class Limits(Described):
    """What immunity and supply profiles share: steps under and over the nominal voltage."""

    under: tuple[Under, ...] = Field(default=(), max_length=50)
    over: tuple[Over, ...] = Field(default=(), max_length=50)

    @field_validator("under")
    @classmethod
    def _under_in_order(cls, value: tuple[Under, ...], info: ValidationInfo) -> tuple[Under, ...]:
        """Deepest first."""
        nominal_v = _nominal_v(info)
        for step in value:
            if step.down_to_v is not None and step.down_to_v >= min(nominal_v or (math.inf,)):
                raise ValueError(f"down_to_v {step.down_to_v:g} must be below applies_to.nominal_v")
        ordered = tuple(sorted(value, key=lambda step: step.level[0]))
        _check_steps(ordered, "down to", nominal_v)
        return ordered

    @field_validator("over")
    @classmethod
    def _over_in_order(cls, value: tuple[Over, ...], info: ValidationInfo) -> tuple[Over, ...]:
        """Highest first."""
        nominal_v = _nominal_v(info)
        for step in value:
            if step.up_to_v is not None and step.up_to_v <= max(nominal_v or (0.0,)):
                raise ValueError(f"up_to_v {step.up_to_v:g} must be above applies_to.nominal_v")
        ordered = tuple(sorted(value, key=lambda step: -step.level[0]))
        _check_steps(ordered, "up to", nominal_v)
        return ordered


def _nominal_v(info: ValidationInfo) -> tuple[float, ...] | None:
    scope = info.data.get("applies_to")
    return scope.nominal_v if isinstance(scope, Scope) else None


def _check_steps(
    ordered: tuple[Under, ...] | tuple[Over, ...], word: str, nominal_v: tuple[float, ...] | None
) -> None:
    """Steps from the farthest level inwards: one unit, times that grow, the last for ever."""
    if not ordered:
        return
    units = {step.level[1] for step in ordered}
    if len(units) > 1:
        raise ValueError("give all levels in % or all in V")
    if units == {"V"} and nominal_v is None:
        raise ValueError("levels in V need applies_to.nominal_v")
    names = [f"{word} {level:g} {unit}" for level, unit in (step.level for step in ordered)]
    for frequency_hz in FREQUENCIES_HZ:
        times = [step.time_s(frequency_hz) for step in ordered]
        for i in range(1, len(times)):
            if times[i - 1] >= times[i]:
                raise ValueError(
                    f"{names[i - 1]} for {ordered[i - 1].time_words(frequency_hz)} must be shorter "
                    f"than {names[i]} for {ordered[i].time_words(frequency_hz)}"
                )
    if not math.isinf(times[-1]):
        raise ValueError(
            f"the step nearest to 100 % ({names[-1]} for {times[-1]:g} s) must have no time: "
            "it is what is borne for ever"
        )


class ImmunityProfile(Limits):
    """What equipment should ride through. Verdict for each event."""

    kind: Literal["immunity"]
    peak: tuple[Peak, ...] = Field(default=(), max_length=50)

    @field_validator("peak")
    @classmethod
    def _peak_in_order(cls, value: tuple[Peak, ...]) -> tuple[Peak, ...]:
        """Highest and shortest first."""
        ordered = tuple(sorted(value, key=lambda step: -step.up_to_pct))
        for high, low in pairwise(ordered):
            if high.at_most_s >= low.at_most_s or high.up_to_pct == low.up_to_pct:
                raise ValueError(
                    f"up to {high.up_to_pct:g} % for {high.at_most_s:g} s must be shorter than "
                    f"up to {low.up_to_pct:g} % for {low.at_most_s:g} s"
                )
        return ordered

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if not (self.under or self.over or self.peak):
            raise PydanticCustomError("nothing", "give steps under, over or peak", {"key": "under"})
        return self


class SupplyProfile(Limits):
    """What the network should deliver. An event alone only points at a limit."""

    kind: Literal["supply"]
    averaging: Averaging | None = None

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if not (self.under or self.over):
            raise PydanticCustomError("nothing", "give steps under or over", {"key": "under"})
        return self


class ClassificationProfile(Described):
    """Labels for events. No verdict."""

    kind: Literal["classification"]
    classes: Annotated[tuple[Cell, ...], NotEmpty] = Field(max_length=200)


Profile = ImmunityProfile | SupplyProfile | ClassificationProfile

KINDS: dict[str, type[ImmunityProfile] | type[SupplyProfile] | type[ClassificationProfile]] = {
    "classification": ClassificationProfile,
    "immunity": ImmunityProfile,
    "supply": SupplyProfile,
}
