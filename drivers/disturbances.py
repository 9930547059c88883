"""What can stand in the timeline of a scenario: one table for each kind of disturbance or fault.

Data and limits only; `drivers.timeline` says what each does to the waveform.
"""

from dataclasses import dataclass
from typing import Annotated, Literal, Self, get_args

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    model_validator,
)

from drivers.waveform import FADE_CONSTANTS


def no_bool(value: object) -> object:
    """YAML reads `yes` and `on` as true, and true must not pass for 1."""
    if isinstance(value, bool):
        raise ValueError("must be a number")
    return value


Number = Annotated[float, BeforeValidator(no_bool), Field(allow_inf_nan=False)]
Count = Annotated[int, BeforeValidator(no_bool), Field(ge=1)]
Time = Annotated[Number, Field(ge=0.0, le=1e9)]
Length = Annotated[Number, Field(gt=0.0, le=1e9)]
Residual = Annotated[Number, Field(ge=0.0, le=100.0)]
Order = Annotated[int, BeforeValidator(no_bool), Field(ge=2, le=50)]


@dataclass(frozen=True, slots=True)
class Frame:
    """What the timeline has to fit into."""

    inputs: tuple[str, ...]
    frequency_hz: float
    duration_s: float


class Table(BaseModel):
    """Base of every table in a scenario: unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class HarmonicOptions(Table):
    """One harmonic, in % of the fundamental; the phase is against the fundamental's sine."""

    order: Order
    pct: Annotated[Number, Field(ge=0.0, le=100.0)]
    phase_deg: Annotated[Number, Field(ge=-360.0, le=360.0)] = 0.0


class Lasting(Table):
    """Something with a duration, in seconds or in cycles of the nominal frequency."""

    duration_s: Length | None = None
    duration_cycles: Length | None = None

    @model_validator(mode="after")
    def _one_duration(self) -> Self:
        if (self.duration_s is None) == (self.duration_cycles is None):
            raise ValueError("give one of duration_s and duration_cycles")
        return self

    def lasts_s(self, frequency_hz: float) -> float:
        """The duration in seconds."""
        if self.duration_s is not None:
            return self.duration_s
        return (self.duration_cycles or 0.0) / frequency_hz


class Placed(Table):
    """When something happens, how often, and on which inputs."""

    at_s: Time
    phase_deg: Annotated[Number, Field(ge=-360.0, le=360.0)] | None = None
    inputs: Annotated[tuple[str, ...], Field(min_length=1)] | None = None
    repeat_every_s: Length | None = None
    repeat_count: Count | None = None
    jitter_s: Time = 0.0

    def extent_s(self, frequency_hz: float) -> float:
        """How long it keeps off the next repetition."""
        return self.lasts_s(frequency_hz) if isinstance(self, Lasting) else 0.0

    @model_validator(mode="after")
    def _fits(self, info: ValidationInfo) -> Self:
        frame = (info.context or {}).get("frame")
        faults = self._faults(frame) if isinstance(frame, Frame) else []
        if faults:
            raise ValueError("; ".join(faults))
        return self

    def _faults(self, frame: Frame) -> list[str]:
        names = self.inputs or frame.inputs
        unknown = [name for name in names if name not in frame.inputs]
        faults = [f"inputs has {name!r}, must be of {', '.join(frame.inputs)}" for name in unknown]
        if len(set(names)) != len(names):
            faults.append("inputs names one twice")
        if self.at_s >= frame.duration_s:
            faults.append(f"at_s is {self.at_s}, must be below duration_s {frame.duration_s}")
        if self.repeat_every_s is None and self.repeat_count is not None:
            faults.append("repeat_count needs repeat_every_s")
        shortest_s = self.jitter_s + self.extent_s(frame.frequency_hz) + 2.0 / frame.frequency_hz
        if self.repeat_every_s is not None and self.repeat_every_s <= shortest_s:
            faults.append(
                f"repeat_every_s is {self.repeat_every_s}, must be above {shortest_s:.3f} "
                "(jitter_s, its own length and two cycles)"
            )
        return faults


class Dip(Placed, Lasting):
    kind: Literal["dip"]
    residual_pct: Residual
    phase_jump_deg: Annotated[Number, Field(ge=-180.0, le=180.0)] = 0.0


class Interruption(Placed, Lasting):
    kind: Literal["interruption"]
    residual_pct: Residual = 0.0


class Swell(Placed, Lasting):
    kind: Literal["swell"]
    magnitude_pct: Annotated[Number, Field(ge=100.0, le=300.0)]


class MotorStart(Placed):
    kind: Literal["motor_start"]
    residual_pct: Residual
    hold_s: Time = 0.0
    time_constant_s: Annotated[Number, Field(gt=0.0, le=60.0)]

    def extent_s(self, frequency_hz: float) -> float:
        return self.hold_s + FADE_CONSTANTS * self.time_constant_s


class Stage(Lasting):
    """One level of a fault that is cleared in two stages."""

    residual_pct: Residual


class TwoStage(Placed):
    kind: Literal["two_stage"]
    first: Stage
    second: Stage

    def extent_s(self, frequency_hz: float) -> float:
        return self.first.lasts_s(frequency_hz) + self.second.lasts_s(frequency_hz)


class ImpulsiveTransient(Placed):
    kind: Literal["impulsive_transient"]
    peak_pct: Annotated[Number, Field(ge=-2000.0, le=2000.0)]
    width_s: Annotated[Number, Field(gt=0.0, le=0.01)]


class OscillatoryTransient(Placed):
    kind: Literal["oscillatory_transient"]
    peak_pct: Annotated[Number, Field(ge=-2000.0, le=2000.0)]
    frequency_hz: Annotated[Number, Field(gt=0.0, le=100_000.0)]
    decay_s: Annotated[Number, Field(gt=0.0, le=0.1)]


class Distortion(Placed, Lasting):
    kind: Literal["distortion"]
    harmonics: Annotated[tuple[HarmonicOptions, ...], Field(min_length=1)]


class Notching(Placed, Lasting):
    kind: Literal["notching"]
    depth_pct: Annotated[Number, Field(gt=0.0, le=100.0)]
    width_s: Annotated[Number, Field(gt=0.0, le=0.005)]
    per_cycle: Annotated[int, BeforeValidator(no_bool), Field(ge=1, le=12)] = 6


class FrequencyChange(Placed, Lasting):
    """Common to all inputs: there is one frequency."""

    kind: Literal["frequency"]
    offset_hz: Annotated[Number, Field(ge=-10.0, le=10.0)]
    phase_deg: None = None
    inputs: None = None


class LostSamples(Placed):
    """The converter loses samples on all inputs."""

    kind: Literal["lost_samples"]
    n_samples: Count | None = None
    duration_s: Length | None = None
    inputs: None = None

    @model_validator(mode="after")
    def _one_length(self) -> Self:
        if (self.n_samples is None) == (self.duration_s is None):
            raise ValueError("give one of n_samples and duration_s")
        return self


class StuckInput(Placed, Lasting):
    kind: Literal["stuck_input"]


Disturbance = (
    Dip
    | Interruption
    | Swell
    | MotorStart
    | TwoStage
    | ImpulsiveTransient
    | OscillatoryTransient
    | Distortion
    | Notching
    | FrequencyChange
    | LostSamples
    | StuckInput
)


KINDS = sorted(
    str(get_args(kind.model_fields["kind"].annotation)[0]) for kind in get_args(Disturbance)
)
