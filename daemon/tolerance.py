"""What a tolerance profile may say: the keys of its file, their limits, and how they hang together.

Three kinds that never mix in one verdict:
  * immunity        judged event by event: what equipment should ride through
  * supply          what the network should deliver; the standard's own rule is over days
  * classification  labels for events, no verdict
"""

import math
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator
from pydantic_core import PydanticCustomError

from daemon.tolerance_steps import (
    FREQUENCIES_HZ,
    Averaging,
    Cell,
    Distortion,
    Evidence,
    Flicker,
    Frequency,
    Identifier,
    Over,
    Paragraph,
    Peak,
    Scope,
    SupplyOver,
    SupplyUnder,
    Table,
    Unbalance,
    Under,
)
from daemon.yaml_file import Line, NotEmpty


class Described(Table):
    """What every profile says of itself."""

    id: Identifier
    title: Line
    edition: Line | None = None
    source: Paragraph = Field(min_length=1)
    evidence: Evidence = Field(default_factory=dict)
    applies_to: Scope = Scope()
    notes: Paragraph | None = None
    warning: Paragraph | None = None  # shown when used outside applies_to


class Stepped(Table):
    """Steps under and over some voltage, of a profile or of one machine."""

    under: tuple[Under, ...] = Field(default=(), max_length=50)
    over: tuple[Over, ...] = Field(default=(), max_length=50)

    @field_validator("under")
    @classmethod
    def _under_in_order(cls, value: tuple[Under, ...], info: ValidationInfo) -> tuple[Under, ...]:
        return _in_order_under(value, _voltages(info))

    @field_validator("over")
    @classmethod
    def _over_in_order(cls, value: tuple[Over, ...], info: ValidationInfo) -> tuple[Over, ...]:
        return _in_order_over(value, _voltages(info))


class Peaked(Table):
    """The envelope of the instantaneous voltage."""

    peak: tuple[Peak, ...] = Field(default=(), max_length=50)

    @field_validator("peak")
    @classmethod
    def _peak_in_order(cls, value: tuple[Peak, ...]) -> tuple[Peak, ...]:
        return _in_order_peaks(value)


class Limits(Stepped, Described):
    """What immunity and supply profiles share: steps under and over the nominal voltage."""


def _in_order_under(
    steps: tuple[Under, ...], nominal_v: tuple[float, ...] | None
) -> tuple[Under, ...]:
    """The steps, deepest first.

    :raises ValueError: they contradict each other or the nominal voltage.
    """
    for step in steps:
        if step.down_to_v is not None and step.down_to_v >= min(nominal_v or (math.inf,)):
            raise ValueError(f"down_to_v {step.down_to_v:g} must be below the nominal voltage")
    ordered = tuple(sorted(steps, key=lambda step: step.level[0]))
    _check_steps(ordered, "down to", nominal_v)
    return ordered


def _in_order_over(
    steps: tuple[Over, ...], nominal_v: tuple[float, ...] | None
) -> tuple[Over, ...]:
    """The steps, highest first.

    :raises ValueError: they contradict each other or the nominal voltage.
    """
    for step in steps:
        if step.up_to_v is not None and step.up_to_v <= max(nominal_v or (0.0,)):
            raise ValueError(f"up_to_v {step.up_to_v:g} must be above the nominal voltage")
    ordered = tuple(sorted(steps, key=lambda step: -step.level[0]))
    _check_steps(ordered, "up to", nominal_v)
    return ordered


def _in_order_peaks(points: tuple[Peak, ...]) -> tuple[Peak, ...]:
    """The envelope, highest and shortest first.

    :raises ValueError: a higher peak may last longer than a lower one.
    """
    ordered = tuple(sorted(points, key=lambda step: -step.up_to_pct))
    for high, low in pairwise(ordered):
        if high.at_most_s >= low.at_most_s or high.up_to_pct == low.up_to_pct:
            raise ValueError(
                f"up to {high.up_to_pct:g} % for {high.at_most_s:g} s must be shorter than "
                f"up to {low.up_to_pct:g} % for {low.at_most_s:g} s"
            )
    return ordered


def _voltages(info: ValidationInfo) -> tuple[float, ...] | None:
    """The voltages that the steps are of: a profile's nominal ones, a machine's rated one."""
    scope, rated_v = info.data.get("applies_to"), info.data.get("rated_v")
    if isinstance(scope, Scope):
        return scope.nominal_v
    return (rated_v,) if isinstance(rated_v, float) else None


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
            if times[i - 1] >= times[i] and not _is_rarer(ordered[i - 1], ordered[i]):
                raise ValueError(
                    f"{names[i - 1]} for {ordered[i - 1].time_words(frequency_hz)} must be shorter "
                    f"than {names[i]} for {ordered[i].time_words(frequency_hz)}"
                )
    if not math.isinf(times[-1]):
        raise ValueError(
            f"the step nearest to 100 % ({names[-1]} for {times[-1]:g} s) must have no time: "
            "it is what is borne for ever"
        )


def _is_rarer(farther: Under | Over, nearer: Under | Over) -> bool:
    """Two supply limits for ever, at different levels, the farther one for more of the values."""
    if not isinstance(farther, SupplyUnder | SupplyOver):
        return False
    if not isinstance(nearer, SupplyUnder | SupplyOver) or nearer.share_pct is None:
        return False
    is_for_ever = math.isinf(farther.time_s(50)) and math.isinf(nearer.time_s(50))
    is_other_level = farther.level != nearer.level
    return is_for_ever and is_other_level and (farther.share_pct or 100.0) > nearer.share_pct


class ImmunityProfile(Peaked, Limits):
    """What equipment should ride through. Verdict for each event."""

    kind: Literal["immunity"]

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if not (self.under or self.over or self.peak):
            raise PydanticCustomError("nothing", "give steps under, over or peak", {"key": "under"})
        return self


class SupplyProfile(Limits):
    """What the network should deliver. An event alone only points at a limit."""

    kind: Literal["supply"]
    under: tuple[SupplyUnder, ...] = Field(default=(), max_length=50)
    over: tuple[SupplyOver, ...] = Field(default=(), max_length=50)
    averaging: Averaging | None = None
    distortion: Distortion | None = None
    frequency: Frequency | None = None
    unbalance: Unbalance | None = None
    flicker: Flicker | None = None

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        others = (self.distortion, self.frequency, self.unbalance, self.flicker)
        if not (self.under or self.over or any(others)):
            raise PydanticCustomError(
                "nothing",
                "give steps under or over, or distortion, frequency, unbalance or flicker",
                {"key": "under"},
            )
        return self

    def share_pct(self, own_pct: float | None) -> float:
        """The share of the means that has to keep a limit: its own, or the profile's."""
        if own_pct is not None:
            return own_pct
        return self.averaging.share_pct if self.averaging else 100.0


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
