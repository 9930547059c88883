"""A sensor with a gain of its own before the simulated supply, as a driver for tests."""

import os
import pty
import subprocess
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
import yaml

from drivers import registry
from drivers.simulated import SimulatedSource
from drivers.source import Block, SourceInfo
from tests.whole_material import CHECKOUT, environment

GAIN = 200.0  # mains volts for each volt at the input
OFFSET_V = 0.012
RATE_HZ = 8000.0
FULL_SCALE_V = 4.0


class SensorSource(SimulatedSource):
    """Mains / GAIN + OFFSET_V at the input, as a transformer and a bias network make it."""

    is_hardware = True

    def open(self) -> SourceInfo:
        info = super().open()
        fields = {name: getattr(info, name) for name in info.__slots__}
        return SourceInfo(**{**fields, "full_scale_v": FULL_SCALE_V})

    def read(self, timeout_s: float) -> Block | None:
        block = super().read(timeout_s)
        if block is None:
            return None
        volts = (block.volts / GAIN + OFFSET_V).astype(np.float32)
        return Block(block.first_index, volts, block.n_lost)


def register(patch: pytest.MonkeyPatch) -> None:
    """Make the driver `sensor` known."""
    module = ModuleType("sensor_driver")
    vars(module).update(SensorSource=SensorSource)
    patch.setitem(sys.modules, "sensor_driver", module)
    patch.setitem(registry.DRIVERS, "sensor", "sensor_driver:SensorSource")


def write_bench(folder: Path, magnitude_pct: float = 100.0, **changes: Any) -> Path:
    """A configuration on a quiet simulated supply behind the sensor; keywords replace tables."""
    supply = {
        "nominal_v": 230, "frequency_hz": 50.02, "wiring": "single", "noise_pct": 0.05,
        "magnitude_pct": magnitude_pct, "harmonics": [{"order": 3, "pct": 3.0}],
        **changes.pop("scenario", {}),
    }  # fmt: skip
    scenario = {"title": "Bench", "seed": 1, "duration_s": 60, "supply": supply,
                "converter": {"bits": 16, "full_scale_v": 800}}  # fmt: skip
    (folder / "scenario.yaml").write_text(yaml.safe_dump(scenario))
    raw = {
        "site": {"name": "Bench", "circuit": "Ring 2", "timezone": "Europe/Vienna",
                 "isolation": {"barrier": "Transformer", "rating": "CAT III 300 V",
                               "checked_by": "M. Muster", "checked_on": "2026-03-01"}},
        "supply": {"nominal_v": 230, "frequency_hz": 50},
        "driver": {"name": "sensor", "sample_rate_hz": RATE_HZ, "scenario": "scenario.yaml",
                   "pace": "as_fast_as_possible"},
        "channels": [{"name": "L1", "input": 0}],
        "store": {"path": "events.db"},
        **changes,
    }  # fmt: skip
    path = folder / "site.yaml"
    path.write_text(yaml.safe_dump(raw))
    return path


def dialogue(folder: Path, *answers: str) -> tuple[int, str]:
    """`calibrate` on a real pseudo-terminal, on the simulated driver; its exit and its words."""
    config = write_bench(folder)
    config.write_text(config.read_text().replace("name: sensor", "name: simulated"))
    ours, theirs = pty.openpty()
    command = [sys.executable, "-c", "from tools.cli import main; main(prog_name='halfcycle')",
               "calibrate", "-c", str(config), "--seconds", "2"]  # fmt: skip
    with subprocess.Popen(
        command, stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        env=environment(), cwd=CHECKOUT,
    ) as process:  # fmt: skip
        os.write(ours, "".join(f"{answer}\n" for answer in answers).encode())
        output, _ = process.communicate(timeout=60)
    os.close(ours)
    os.close(theirs)
    return process.returncode, output
