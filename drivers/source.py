"""The driver contract: everything a monitor needs from an input, and nothing else.

A driver must
  * give `Options`, a subclass of `SourceOptions` with every key it takes, its limits and default;
  * `open` the device and say what the input can do (`SourceInfo`);
  * `read` consecutive samples in volts at the converter's input, each block numbered, and count
    every sample it knows to be lost in `Block.n_lost` (the numbering skips them);
  * `close`, which is harmless the second time; use after it raises `SourceFailed`.

A driver may buffer, pace itself with the given clock, and end (`SourceEnded`). It never logs,
never touches a disk other than its own input, and never falls back to another driver.
"""

from abc import ABC, abstractmethod
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationInfo

from drivers.clock import Clock


@dataclass(frozen=True, slots=True)
class SourceInfo:
    """What an opened input can do."""

    sample_rate_hz: float
    inputs: tuple[str, ...]  # one name per column of a block
    bits: int  # converter resolution
    full_scale_v: float  # largest |volts| before clipping
    bandwidth_hz: float  # what the front end passes, at most half the sample rate
    is_simultaneous: bool  # all inputs sampled at the same instant
    is_live: bool  # cannot be made to wait: samples not fetched in time are lost
    start_utc_s: float | None = None  # a recording's own start, seconds since 1970 UTC
    n_samples: int | None = None  # length where it is known
    jitter_s: float = 0.0  # rms error of the sampling instants, measured when it was opened


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Consecutive samples from one read."""

    first_index: int  # samples since open, lost ones included
    volts: NDArray[np.float32]  # shape (n_samples, n_inputs), read-only
    n_lost: int = 0  # samples lost just before first_index


def _resolve(value: object, info: ValidationInfo) -> object:
    """A relative path is relative to the folder of the file that holds it."""
    base = (info.context or {}).get("base_dir")
    if isinstance(value, str) and base is not None:
        try:
            return Path(base) / Path(value).expanduser()
        except RuntimeError as error:  # ~name of nobody here
            raise ValueError("must be a path; there is no such home folder") from error
    return value


RelativePath = Annotated[Path, BeforeValidator(_resolve)]
"""A path option, resolved against the validation context's `base_dir`."""


class SourceOptions(BaseModel):
    """The `driver:` table of the configuration. Unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=False)

    name: str


class Source(ABC):
    """An input that delivers evenly spaced samples of one or more voltages."""

    Options: ClassVar[type[SourceOptions]]
    is_hardware: ClassVar[bool] = True  # wired to a real circuit: the isolation must be stated

    @abstractmethod
    def __init__(self, options: SourceOptions, clock: Clock) -> None: ...

    @abstractmethod
    def open(self) -> SourceInfo:
        """Start sampling.

        :raises OptionError: the options name something that cannot be used.
        :raises SourceUnavailable: the device is not there.
        """

    @abstractmethod
    def read(self, timeout_s: float) -> Block | None:
        """The next samples, or None when none came within `timeout_s` seconds.

        :raises SourceEnded: there will be no more.
        :raises SourceFailed: the device failed, or is not open.
        """

    @abstractmethod
    def close(self) -> None:
        """Stop sampling and release the device. Harmless when already closed."""
