"""Scenario files: a steady supply, a converter, and a timeline of what goes wrong.

`load_scenario` is the way in. It reports every fault of a file in one message.
"""

import reprlib
import sys
import textwrap
from collections import Counter
from collections.abc import Hashable
from pathlib import Path
from typing import Annotated, Any, Literal

import yaml
from pydantic import BeforeValidator, Field, ValidationError
from pydantic_core import ErrorDetails

from drivers.disturbances import (
    KINDS,
    Disturbance,
    Frame,
    HarmonicOptions,
    Length,
    Number,
    Table,
    no_bool,
)
from drivers.errors import OptionError

INPUTS = {"single": ("L1",), "split_phase": ("L1", "L2"), "three_phase": ("L1", "L2", "L3")}
SHIFT_DEG = {"L1": 0.0, "L2": -120.0, "L3": -240.0}
SPLIT_SHIFT_DEG = {"L1": 0.0, "L2": 180.0}
MAX_FILE_BYTES = 1_000_000
MOST_FAULTS = 50
LONGEST_LINE = 300
WITHOUT_VALUE = {"extra_forbidden", "missing"}
PLAIN_WORDS = {
    "extra_forbidden": "unknown key",
    "missing": "is missing",
    "too_short": "must not be empty",
    "none_required": "must be left out",
    "tuple_type": "must be a list",
    "model_type": "must be a table",
    "model_attributes_type": "must be a table",
}


class Supply(Table):
    """The steady state. Magnitude and noise are in % of nominal, the rest of the fundamental."""

    nominal_v: Annotated[Number, Field(ge=1.0, le=100_000.0)]
    frequency_hz: Annotated[Number, Field(ge=40.0, le=70.0)]
    wiring: Literal["single", "split_phase", "three_phase"] = "single"
    magnitude_pct: Annotated[Number, Field(ge=0.0, le=200.0)] = 100.0
    magnitude_wander_pct: Annotated[Number, Field(ge=0.0, le=10.0)] = 0.0
    daily_swing_pct: Annotated[Number, Field(ge=0.0, le=10.0)] = 0.0
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


class ConverterOptions(Table):
    """The simulated converter."""

    bits: Annotated[int, BeforeValidator(no_bool), Field(ge=8, le=24)] = 16
    full_scale_v: Annotated[Number, Field(gt=0.0, le=1e6)] = 800.0


class Scenario(Table):
    """A whole file."""

    title: str = ""
    seed: Annotated[int, BeforeValidator(no_bool), Field(ge=0, lt=2**63)] = 1
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


class _Loader(yaml.SafeLoader):
    """Plain data only, and no key twice: the second would silently win."""

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Hashable, Any]:
        keys = [key.value for key, _ in node.value if isinstance(key, yaml.ScalarNode)]
        twice = [key for key, count in Counter(keys).items() if count > 1]
        if twice:
            raise yaml.constructor.ConstructorError(
                problem=f"the key {_plain(twice[0])} is there twice", problem_mark=node.start_mark
            )
        return super().construct_mapping(node, deep)


def _load_yaml(text: bytes, where: str) -> object:
    try:
        return yaml.load(text, Loader=_Loader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = f", line {mark.line + 1}" if mark else ""
        raise OptionError(f"{where}{line}: is not readable YAML: {error.problem}") from error
    except (yaml.YAMLError, UnicodeDecodeError, ValueError) as error:
        raise OptionError(
            f"{where}: is not readable YAML: {' '.join(str(error).split())}"
        ) from error
    except RecursionError as error:
        raise OptionError(f"{where}: is nested too deeply") from error


def _frame(raw: dict[object, object]) -> Frame:
    """What the timeline is checked against, as far as the file gives it."""
    supply = raw.get("supply")
    supply = supply if isinstance(supply, dict) else {}
    inputs = INPUTS.get(str(supply.get("wiring", "single")), INPUTS["three_phase"])
    return Frame(
        inputs=inputs,
        frequency_hz=_positive(supply.get("frequency_hz"), 50.0),
        duration_s=_positive(raw.get("duration_s"), float("inf")),
    )


def _positive(value: object, default: float) -> float:
    if isinstance(value, int | float) and 0 < value <= sys.float_info.max:
        return float(value)
    return default


def describe_faults(error: ValidationError) -> list[str]:
    """One line a fault: key, value, and what it must be."""
    lines = [
        textwrap.shorten(_describe(fault), LONGEST_LINE, placeholder="...")
        for fault in error.errors(include_url=False)
        if fault["type"] != "too_short" or not fault["input"]  # else its items have their own line
    ]
    more = len(lines) - MOST_FAULTS
    return lines if more <= 0 else [*lines[:MOST_FAULTS], f"and {more} more faults"]


def _describe(fault: ErrorDetails) -> str:
    key, kind, value = _key(fault["loc"]), fault["type"], fault["input"]
    if kind == "union_tag_invalid":
        return f"{key}.kind is {reprlib.repr(value['kind'])}: must be one of {', '.join(KINDS)}"
    if kind == "union_tag_not_found":
        return f"{key}.kind: is missing"
    if kind in WITHOUT_VALUE:
        return f"{key}: {PLAIN_WORDS[kind]}"
    limit = fault["msg"].removeprefix("Value error, ").replace("Input should", "must")
    limit = PLAIN_WORDS.get(kind, limit)
    if isinstance(value, dict):
        return f"{key}: {limit}"
    return f"{key} is {reprlib.repr(value)}: {limit}"


def _key(loc: tuple[int | str, ...]) -> str:
    """`timeline[3].residual_pct`, without the name of the kind in between."""
    if loc[:1] == ("timeline",) and len(loc) > 2:
        loc = (*loc[:2], *loc[3:])
    key = ""
    for step in loc:
        key += f"[{step}]" if isinstance(step, int) else f".{_plain(step)}"
    return key.removeprefix(".")


def _plain(text: str) -> str:
    """A key as a terminal may be given it."""
    return "".join(char if char.isprintable() else repr(char)[1:-1] for char in text[:120])
