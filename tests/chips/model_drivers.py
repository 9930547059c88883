"""The drivers on their models as drivers of their own, for the sampler's process.

A test installs them as anybody else's package would be: through the entry-point group
`halfcycle.drivers`. The name of each is `model-` and the driver's. Time is the model's own; at
`pace: realtime` a block is not given before the same time has passed here.
"""

import os
import sys
from pathlib import Path
from typing import Annotated, ClassVar, Literal

import pytest
from pydantic import Field

from drivers.clock import Clock
from drivers.errors import OptionError, SourceEnded
from drivers.registry import ENTRY_POINT_GROUP
from drivers.source import Block, Source, SourceInfo, SourceOptions
from tests.chips.rigs import CASES, START_S, Case, Rig, dipping

PREFIX = "model-"
CHECKOUT = Path(__file__).resolve().parent.parent.parent


class ModelOptions(SourceOptions):
    """One dip after `dip_at_s`, and the end after `duration_s`."""

    duration_s: Annotated[float, Field(gt=0)]
    dip_at_s: float
    dip_length_s: float
    dip_to: float
    pace: Literal["realtime", "as_fast_as_possible"] = "as_fast_as_possible"


class ModelSource(Source):
    """The driver of a converter, and its model, in one."""

    Options: ClassVar[type[SourceOptions]] = ModelOptions
    is_hardware: ClassVar[bool] = True

    def __init__(self, options: SourceOptions, clock: Clock) -> None:
        if not isinstance(options, ModelOptions):
            raise OptionError("a model takes ModelOptions")
        self._options = options
        self._clock = clock
        self._rig = self._case.rig(dipping(options.dip_at_s, options.dip_length_s, options.dip_to))

    @property
    def _case(self) -> Case:
        name = self._options.name.removeprefix(PREFIX)
        return next(case for case in CASES if case.name == name)

    def open(self) -> SourceInfo:
        info = self._rig.source.open()
        self._opened_ns, self._model_opened_ns = self._clock.monotonic_ns(), self._now_ns(self._rig)
        is_live = self._options.pace == "realtime"  # as fast as possible it can be made to wait
        fields = {name: getattr(info, name) for name in SourceInfo.__slots__}
        return SourceInfo(**{**fields, "is_live": is_live, "jitter_s": 0.0})

    def read(self, timeout_s: float) -> Block | None:
        if self._now_ns(self._rig) / 1e9 - START_S >= self._options.duration_s:
            raise SourceEnded("the model's time is over")
        block = self._rig.source.read(timeout_s)
        if self._options.pace == "realtime":
            ahead_ns = self._now_ns(self._rig) - self._model_opened_ns
            passed_ns = self._clock.monotonic_ns() - self._opened_ns
            self._clock.sleep_s((ahead_ns - passed_ns) / 1e9)
        return block

    def close(self) -> None:
        self._rig.source.close()

    @staticmethod
    def _now_ns(rig: Rig) -> int:
        return rig.clock.monotonic_ns()


def install(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Make the models known here and in processes started from here."""
    about = folder / "chip_models-1.0.dist-info"
    about.mkdir()
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: chip-models\nVersion: 1.0\n")
    names = "\n".join(f"{PREFIX}{case.name} = {__name__}:ModelSource" for case in CASES)
    (about / "entry_points.txt").write_text(f"[{ENTRY_POINT_GROUP}]\n{names}\n")
    monkeypatch.syspath_prepend(str(folder))
    paths = [str(folder), str(CHECKOUT), *filter(None, [os.environ.get("PYTHONPATH")])]
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(paths))
    assert str(folder) in sys.path
