"""The driver printed in drivers/README.md runs, and is found through its entry point."""

import importlib
import math
import re
import sys
from pathlib import Path

import numpy as np
import pytest

import drivers
from drivers.clock import ManualClock
from drivers.errors import SourceFailed
from drivers.registry import driver_names, find_driver
from tests.chips.bench import Bench

GUIDE = (Path(drivers.__file__).parent / "README.md").read_text(encoding="utf-8")


class TwelveBits:
    """Held one clock after select; the code in the lower 12 of 16 bits."""

    modes = frozenset({0})

    def __init__(self) -> None:
        self._n_bits = 0
        self._code = 0

    def select(self, t_ns: float) -> None:
        self._n_bits = 0
        sine = math.sin(2 * math.pi * 50 * (t_ns + 1000) / 1e9)
        self._code = math.floor((1.25 + sine) / 2.5 * 4096)

    def clock(self, sent: int, t_ns: float) -> int:
        self._n_bits += 1
        return self._code >> (16 - self._n_bits) & 1

    def deselect(self, t_ns: float) -> None:
        pass


@pytest.fixture
def _installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A package of somebody else's, as an installer leaves it (entry points specification)."""
    code = re.search(r"```python\n(.*?)```", GUIDE, re.DOTALL)
    entry = re.search(r"```toml\n(.*?)```", GUIDE, re.DOTALL)
    assert code is not None
    assert entry is not None
    (tmp_path / "my_package").mkdir()
    (tmp_path / "my_package" / "__init__.py").touch()
    (tmp_path / "my_package" / "myhat.py").write_text(code[1])
    about = tmp_path / "my_package-1.0.dist-info"
    about.mkdir()
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: my-package\nVersion: 1.0\n")
    name, target = re.findall(r'(\w+) = "(.*)"', entry[1])[0]
    group = re.findall(r'entry-points\."(.*?)"', entry[1])[0]
    (about / "entry_points.txt").write_text(f"[{group}]\n{name} = {target}\n")
    monkeypatch.syspath_prepend(str(tmp_path))
    importlib.invalidate_caches()
    monkeypatch.delitem(sys.modules, "my_package", raising=False)
    monkeypatch.delitem(sys.modules, "my_package.myhat", raising=False)


@pytest.mark.usefixtures("_installed")
def test_the_printed_driver_is_found_and_samples() -> None:
    assert "myhat" in driver_names()
    driver = find_driver("myhat")
    options = driver.Options.model_validate({"name": "myhat"})
    bench = Bench(TwelveBits(), ManualClock())
    source = driver(options, bench.clock, bench.open)  # type: ignore[call-arg]
    with pytest.raises(SourceFailed):
        source.read(0.1)
    info = source.open()
    assert (info.inputs, info.bits, info.full_scale_v) == (("in",), 12, 1.25)
    blocks = [block for _ in range(12) if (block := source.read(0.1)) is not None]
    volts = np.concatenate([block.volts[:, 0] for block in blocks]).astype(float)[:800]
    # A whole number of cycles; codes stand for what is at or above them, so half a code is missing
    assert np.sqrt(np.mean((volts - volts.mean()) ** 2)) == pytest.approx(math.sqrt(0.5), rel=2e-4)
    assert volts.mean() == pytest.approx(-0.5 * 2.5 / 4096, abs=1e-4)
    source.close()
    assert bench.n_open == 0


def test_the_guide_names_every_driver() -> None:
    assert [name for name in driver_names() if f"| `{name}` |" not in GUIDE] == []
