"""Tables of the configuration that have to do with the hardware: calibration file, GPIO lines."""

from collections.abc import Mapping, Set
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from daemon.calibration import Calibration, load_calibration
from daemon.errors import InputError
from daemon.yaml_file import Number, WholeNumber


class Table(BaseModel):
    """A table of the configuration: fixed once read, unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True)


@dataclass(frozen=True, slots=True)
class AppliedCalibration:
    """A calibration file and what is in it."""

    path: Path
    content: Calibration

    def refuse_strangers(self, known: Set[tuple[str, int]]) -> None:
        """A file made for another arrangement of channels is a fault of the configuration."""
        strangers = [
            f"{one.name} on input {one.input}"
            for one in self.content.channels
            if (one.name, one.input) not in known
        ]
        if strangers:
            raise PydanticCustomError(
                "strangers",
                "{path} was made for {strangers}; list it under channels with that name and input, "
                "or calibrate again",
                {
                    "key": "calibration",
                    "path": str(self.path),
                    "strangers": ", ".join(strangers),
                },
            )


def read_applied(value: object, context: Mapping[str, Any]) -> AppliedCalibration | None:
    """The file that a path names, read and checked; what was read once stays as it is.

    :param context: `base_dir`, and `calibration_may_be_missing` for who is about to write it.
    """
    if value is None or isinstance(value, AppliedCalibration):
        return value
    if not isinstance(value, str | Path) or not str(value).strip():
        raise PydanticCustomError("path_type", "must be the path of a file")
    path = Path(context.get("base_dir", "")) / value
    if context.get("calibration_may_be_missing") and not path.exists():
        return AppliedCalibration(path, Calibration())
    try:
        return AppliedCalibration(path, load_calibration(path))
    except InputError as error:
        text = "; ".join(str(error).splitlines())
        raise PydanticCustomError(
            "calibration", "{text}", {"key": "calibration", "text": text}
        ) from error


Pin = Annotated[WholeNumber, Field(ge=0, le=27)]  # GPIO number on the 40-pin header, not the pin's


class Gpio(Table):
    """Lights, buttons and the power-fail line. A key left out (or null) is not there."""

    status_light: Pin | None = None
    mark_button: Pin | None = None
    shutdown_button: Pin | None = None
    power_fail: Pin | None = Field(default=None, validate_default=True)
    power_fail_when: Literal["low", "high"] = "low"  # the level that means the supply is gone
    shutdown_hold_s: Number = Field(default=3.0, ge=0.5, le=20)

    @field_validator("power_fail")
    @classmethod
    def _each_pin_once(cls, value: int | None, info: ValidationInfo) -> int | None:
        keys = ("status_light", "mark_button", "shutdown_button")
        pins = [info.data[key] for key in keys if info.data.get(key) is not None]
        pins += [] if value is None else [value]
        twice = sorted({str(pin) for pin in pins if pins.count(pin) > 1})
        if twice:
            raise PydanticCustomError(
                "twice",
                "the line {twice} is given twice; each must differ",
                {"key": "gpio", "twice": ", ".join(twice)},
            )
        return value

    @property
    def is_used(self) -> bool:
        """Whether any line is configured."""
        lines = (self.status_light, self.mark_button, self.shutdown_button, self.power_fail)
        return any(line is not None for line in lines)
