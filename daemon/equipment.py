"""Machines with limits of their own, from their makers' data sheets."""

from dataclasses import replace
from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, ValidationError, field_validator, model_validator

from daemon.errors import InputError
from daemon.judge import judge
from daemon.profiles import Profile, find_profile
from daemon.records import Judgement, Kind
from daemon.staircase import EventFacts
from daemon.tolerance import ImmunityProfile, Peaked, Stepped
from daemon.tolerance_steps import Identifier, Paragraph, Scope, Table
from daemon.yaml_file import Line, NotEmpty, Number, describe_faults, fields_of, read_yaml

RatedVoltage = Annotated[Number, Field(gt=0, le=1000)]


class Rated(Table):
    """What a machine is, and the voltage that its limits are of."""

    name: Line
    source: Paragraph = Field(min_length=1)
    rated_v: RatedVoltage
    channels: Annotated[tuple[Line, ...], NotEmpty] | None = None  # that feed it; None: any
    curve: Identifier | None = None  # the id of an immunity profile, in place of own limits


class Machine(Peaked, Stepped, Rated):  # read from the right: the steps ask for the rated voltage
    """One machine: per cents are of its rated voltage."""

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        has_limits = bool(self.under or self.over or self.peak)
        if has_limits == (self.curve is not None):
            raise ValueError("give either curve or limits of its own: under, over, peak")
        return self


class Equipment(Table):
    """The file: a list of machines."""

    equipment: Annotated[tuple[Machine, ...], NotEmpty] = Field(max_length=100)

    @field_validator("equipment")
    @classmethod
    def _names_differ(cls, value: tuple[Machine, ...]) -> tuple[Machine, ...]:
        names = [machine.name for machine in value]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"two machines are called {name!r}")
        return value


def load_equipment(path: Path) -> tuple[Machine, ...]:
    """Read and check a list of machines.

    :raises InputError: every fault of the file, one line each: file, key, value, what is allowed.
    """
    try:
        return Equipment.model_validate(read_yaml(path)).equipment
    except ValidationError as error:
        raise InputError(describe_faults(path, error, fields_of(Equipment))) from error


def profile_of(machine: Machine, user_dir: Path | None) -> ImmunityProfile:
    """The machine's limits as an immunity profile for its rated voltage.

    :raises InputError: its curve is not known, or is no immunity profile.
    """
    scope = Scope(nominal_v=(machine.rated_v,))
    if machine.curve is None:
        return ImmunityProfile(
            id="machine", kind="immunity", title=machine.name, source=machine.source,
            applies_to=scope, under=machine.under, over=machine.over, peak=machine.peak,
        )  # fmt: skip
    curve: Profile = find_profile(machine.curve, user_dir)
    if not isinstance(curve, ImmunityProfile):
        raise InputError(
            f"{machine.name}: curve {machine.curve} is a {curve.kind} profile; it must be immunity"
        )
    return curve.model_copy(update={"title": machine.name, "applies_to": scope, "warning": None})


def judge_machine(
    event: EventFacts, profile: ImmunityProfile, declared_v: float, frequency_hz: float
) -> Judgement:
    """Compare one event with the limits of a machine, which may be rated for another voltage.

    :param profile: as `profile_of` gives it.
    """
    (rated_v,) = profile.applies_to.nominal_v or (declared_v,)
    if event.kind is Kind.TRANSIENT:  # peaks are in % of the rated peak
        event = replace(event, value_pct=event.value_pct * declared_v / rated_v)
    return judge(event, on_supply(profile, declared_v), declared_v, frequency_hz)


def on_supply(profile: ImmunityProfile, declared_v: float) -> ImmunityProfile:
    """A machine's steps in V, where its rated voltage is not the declared one."""
    (rated_v,) = profile.applies_to.nominal_v or (declared_v,)
    if rated_v == declared_v:
        return profile
    share = rated_v / 100
    under = tuple(
        step.model_copy(update={"down_to_pct": None, "down_to_v": step.down_to_pct * share})
        for step in profile.under
        if step.down_to_pct is not None
    )
    over = tuple(
        step.model_copy(update={"up_to_pct": None, "up_to_v": step.up_to_pct * share})
        for step in profile.over
        if step.up_to_pct is not None
    )
    return profile.model_copy(
        update={"under": under or profile.under, "over": over or profile.over}  # else in V already
    )
