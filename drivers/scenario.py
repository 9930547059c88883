"""Scenario files: a steady supply, a converter, and a timeline of what goes wrong.

`load_scenario` is the way in. It reports every fault of a file in one message.
"""

import reprlib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal, Self

import yaml
from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    model_validator,
)

from drivers.errors import OptionError
from drivers.waveform import FADE_CONSTANTS

INPUTS = {"single": ("L1",), "split_phase": ("L1", "L2"), "three_phase": ("L1", "L2", "L3")}
SHIFT_DEG = {"L1": 0.0, "L2": -120.0, "L3": -240.0}
SPLIT_SHIFT_DEG = {"L1": 0.0, "L2": 180.0}
MAX_FILE_BYTES = 1_000_000


def _no_bool(value: object) -> object:
    """YAML reads `yes` and `on` as true, and true must not pass for 1."""
    if isinstance(value, bool):
        raise ValueError("must be a number")
    return value


Number = Annotated[float, BeforeValidator(_no_bool), Field(allow_inf_nan=False)]
Count = Annotated[int, BeforeValidator(_no_bool), Field(ge=1)]
Time = Annotated[Number, Field(ge=0.0, le=1e9)]
Length = Annotated[Number, Field(gt=0.0, le=1e9)]
Residual = Annotated[Number, Field(ge=0.0, le=100.0)]
Order = Annotated[int, BeforeValidator(_no_bool), Field(ge=2, le=50)]


@dataclass(frozen=True, slots=True)
class _Frame:
    """What the timeline has to fit into."""

    inputs: tuple[str, ...]
    frequency_hz: float
    duration_s: float


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class HarmonicOptions(_Table):
    """One harmonic, in % of the fundamental; the phase is against the fundamental's sine."""

    order: Order
    pct: Annotated[Number, Field(ge=0.0, le=100.0)]
    phase_deg: Annotated[Number, Field(ge=-360.0, le=360.0)] = 0.0


class Supply(_Table):
    """The steady state. Magnitude and noise are in % of nominal, the rest of the fundamental."""

    nominal_v: Annotated[Number, Field(ge=1.0, le=100_000.0)]
    frequency_hz: Annotated[Number, Field(ge=40.0, le=70.0)]
    wiring: Literal["single", "split_phase", "three_phase"] = "single"
    magnitude_pct: Annotated[Number, Field(ge=0.0, le=200.0)] = 100.0
    magnitude_wander_pct: Annotated[Number, Field(ge=0.0, le=10.0)] = 0.0
    frequency_wander_hz: Annotated[Number, Field(ge=0.0, le=2.0)] = 0.0
    harmonics: tuple[HarmonicOptions, ...] = ()
    noise_pct: Annotated[Number, Field(ge=0.0, le=20.0)] = 0.0
    dc_pct: Annotated[Number, Field(ge=-20.0, le=20.0)] = 0.0

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names of the columns."""
        return INPUTS[self.wiring]

    def shift_turns(self, name: str) -> float:
        """Phase of an input against the first one."""
        shifts = SPLIT_SHIFT_DEG if self.wiring == "split_phase" else SHIFT_DEG
        return shifts[name] / 360.0


class ConverterOptions(_Table):
    """The simulated converter."""

    bits: Annotated[int, BeforeValidator(_no_bool), Field(ge=8, le=24)] = 16
    full_scale_v: Annotated[Number, Field(gt=0.0, le=1e6)] = 800.0


class _Lasting(_Table):
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


class _Placed(_Table):
    """When something happens, how often, and on which inputs."""

    at_s: Time
    phase_deg: Annotated[Number, Field(ge=-360.0, le=360.0)] | None = None
    inputs: Annotated[tuple[str, ...], Field(min_length=1)] | None = None
    repeat_every_s: Length | None = None
    repeat_count: Count | None = None
    jitter_s: Time = 0.0

    def extent_s(self, frequency_hz: float) -> float:
        """How long it keeps off the next repetition."""
        return self.lasts_s(frequency_hz) if isinstance(self, _Lasting) else 0.0

    @model_validator(mode="after")
    def _fits(self, info: ValidationInfo) -> Self:
        frame = (info.context or {}).get("frame")
        faults = self._faults(frame) if isinstance(frame, _Frame) else []
        if faults:
            raise ValueError("; ".join(faults))
        return self

    def _faults(self, frame: _Frame) -> list[str]:
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


class Dip(_Placed, _Lasting):
    kind: Literal["dip"]
    residual_pct: Residual
    phase_jump_deg: Annotated[Number, Field(ge=-180.0, le=180.0)] = 0.0


class Interruption(_Placed, _Lasting):
    kind: Literal["interruption"]
    residual_pct: Residual = 0.0


class Swell(_Placed, _Lasting):
    kind: Literal["swell"]
    magnitude_pct: Annotated[Number, Field(ge=100.0, le=300.0)]


class MotorStart(_Placed):
    kind: Literal["motor_start"]
    residual_pct: Residual
    hold_s: Time = 0.0
    time_constant_s: Annotated[Number, Field(gt=0.0, le=60.0)]

    def extent_s(self, frequency_hz: float) -> float:
        return self.hold_s + FADE_CONSTANTS * self.time_constant_s


class Stage(_Lasting):
    """One level of a fault that is cleared in two stages."""

    residual_pct: Residual


class TwoStage(_Placed):
    kind: Literal["two_stage"]
    first: Stage
    second: Stage

    def extent_s(self, frequency_hz: float) -> float:
        return self.first.lasts_s(frequency_hz) + self.second.lasts_s(frequency_hz)


class ImpulsiveTransient(_Placed):
    kind: Literal["impulsive_transient"]
    peak_pct: Annotated[Number, Field(ge=-2000.0, le=2000.0)]
    width_s: Annotated[Number, Field(gt=0.0, le=0.01)]


class OscillatoryTransient(_Placed):
    kind: Literal["oscillatory_transient"]
    peak_pct: Annotated[Number, Field(ge=-2000.0, le=2000.0)]
    frequency_hz: Annotated[Number, Field(gt=0.0, le=100_000.0)]
    decay_s: Annotated[Number, Field(gt=0.0, le=0.1)]


class Distortion(_Placed, _Lasting):
    kind: Literal["distortion"]
    harmonics: Annotated[tuple[HarmonicOptions, ...], Field(min_length=1)]


class Notching(_Placed, _Lasting):
    kind: Literal["notching"]
    depth_pct: Annotated[Number, Field(gt=0.0, le=100.0)]
    width_s: Annotated[Number, Field(gt=0.0, le=0.005)]
    per_cycle: Annotated[int, BeforeValidator(_no_bool), Field(ge=1, le=12)] = 6


class FrequencyChange(_Placed, _Lasting):
    """Common to all inputs: there is one frequency."""

    kind: Literal["frequency"]
    offset_hz: Annotated[Number, Field(ge=-10.0, le=10.0)]
    phase_deg: None = None
    inputs: None = None


class LostSamples(_Placed):
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


class StuckInput(_Placed, _Lasting):
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


class Scenario(_Table):
    """A whole file."""

    title: str = ""
    seed: Annotated[int, BeforeValidator(_no_bool), Field(ge=0, lt=2**63)] = 1
    duration_s: Length | None = None
    supply: Supply
    converter: ConverterOptions = ConverterOptions()
    timeline: tuple[Annotated[Disturbance, Field(discriminator="kind")], ...] = ()


def load_scenario(path: Path) -> Scenario:
    """Read one file.

    :raises OptionError: it cannot be read, is not YAML, or breaks a limit.
    """
    try:
        with path.open("rb") as file:
            text = file.read(MAX_FILE_BYTES + 1)
    except OSError as error:
        raise OptionError(f"{path}: cannot be read: {error.strerror}") from error
    if len(text) > MAX_FILE_BYTES:
        raise OptionError(f"{path}: is longer than {MAX_FILE_BYTES} bytes")
    return parse_scenario(_load_yaml(text, str(path)), str(path))


def parse_scenario(raw: object, where: str) -> Scenario:
    """Check what YAML gave; `where` names its origin in messages.

    :raises OptionError: with one line for every fault.
    """
    if not isinstance(raw, dict):
        raise OptionError(f"{where}: must be a table with the keys supply and timeline")
    try:
        return Scenario.model_validate(raw, context={"frame": _frame(raw)})
    except ValidationError as error:
        faults = "\n  ".join(describe_faults(error))
        raise OptionError(f"{where}:\n  {faults}") from error


def _load_yaml(text: bytes, where: str) -> object:
    try:
        return yaml.safe_load(text)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = f", line {mark.line + 1}" if mark else ""
        raise OptionError(f"{where}{line}: is not readable YAML: {error.problem}") from error
    except (yaml.YAMLError, UnicodeDecodeError, ValueError) as error:
        raise OptionError(f"{where}: is not readable YAML: {error}") from error
    except RecursionError as error:
        raise OptionError(f"{where}: is nested too deeply") from error


def _frame(raw: dict[object, object]) -> _Frame:
    """What the timeline is checked against, as far as the file gives it."""
    supply = raw.get("supply")
    supply = supply if isinstance(supply, dict) else {}
    inputs = INPUTS.get(str(supply.get("wiring", "single")), INPUTS["three_phase"])
    return _Frame(
        inputs=inputs,
        frequency_hz=_positive(supply.get("frequency_hz"), 50.0),
        duration_s=_positive(raw.get("duration_s"), float("inf")),
    )


def _positive(value: object, default: float) -> float:
    return float(value) if isinstance(value, int | float) and value > 0 else default


def describe_faults(error: ValidationError) -> list[str]:
    """One line a fault: key, value, and what it must be."""
    return [
        _describe(tuple(fault["loc"]), fault["type"], fault["msg"], fault["input"])
        for fault in error.errors(include_url=False)
    ]


def _describe(loc: tuple[int | str, ...], fault: str, message: str, value: object) -> str:
    key = _key(loc)
    if fault == "extra_forbidden":
        return f"{key}: unknown key"
    if fault == "missing":
        return f"{key}: is missing"
    limit = message.removeprefix("Value error, ").replace("Input should", "must")
    if isinstance(value, dict | BaseModel):
        return f"{key}: {limit}"
    return f"{key} is {reprlib.repr(value)}: {limit}"


def _key(loc: tuple[int | str, ...]) -> str:
    """`timeline[3].residual_pct`, without the name of the kind in between."""
    if loc[:1] == ("timeline",) and len(loc) > 2:
        loc = (*loc[:2], *loc[3:])
    key = ""
    for step in loc:
        key += f"[{step}]" if isinstance(step, int) else f".{step}"
    return key.removeprefix(".")
