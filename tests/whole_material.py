"""The program as a whole: its command line, configurations, and recordings that bring their truth.

Recordings are written with scipy, so that writer and reader are not of one hand.
"""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import yaml
from numpy.typing import NDArray
from scipy.io import wavfile

from daemon.settings import Settings

Raw = dict[str, Any]
Floats = NDArray[np.float64]

RATE_HZ = 8000
FULL_SCALE_V = 800.0
NOMINAL_V = 230.0
START_UTC = "2026-03-01T12:00:00Z"
COMMAND = [sys.executable, "-c", "from tools.cli import main; main(prog_name='halfcycle')"]
CHECKOUT = Path(__file__).resolve().parent.parent


def halfcycle(
    *words: object, cwd: Path | None = None, timeout_s: float = 60.0, **variables: str
) -> subprocess.CompletedProcess[str]:
    """The command as a process of its own, run to its end; keywords go to its environment."""
    return subprocess.run(
        [*COMMAND, *map(str, words)],
        capture_output=True,
        text=True,
        timeout=timeout_s,
        check=False,
        stdin=subprocess.DEVNULL,
        cwd=cwd,
        env=environment() | variables,
    )


@contextmanager
def running(*words: object) -> Iterator[subprocess.Popen[str]]:
    """The command in the background; ended whatever happens."""
    process = subprocess.Popen(
        [*COMMAND, *map(str, words)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(),
    )
    with process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
                try:
                    process.wait(10)
                except subprocess.TimeoutExpired:
                    process.kill()


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(CHECKOUT), "COLUMNS": "100"}


def until(condition: Callable[[], object], timeout_s: float = 20.0) -> None:
    """Wait until `condition` is true of another process; fails after `timeout_s`."""
    deadline_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline_s, "it did not happen in time"
        time.sleep(0.02)


def json_lines(text: str) -> list[Raw]:
    return [json.loads(line) for line in text.splitlines()]


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port: int = listener.getsockname()[1]
    return port


def children_of(pid: int, module: str) -> list[int]:
    """Child processes of `pid` that run `module` (proc(5))."""
    numbers = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return [
        int(number)
        for number in numbers
        if module.encode() in Path(f"/proc/{number}/cmdline").read_bytes().split(b"\0")
    ]


def raw_config(driver: Raw, **changes: Any) -> Raw:
    """A configuration; a keyword replaces a whole table, None leaves it out."""
    tables: Raw = {
        "site": {"name": "Bench", "circuit": "Ring 2", "timezone": "Europe/Vienna"},
        "supply": {"nominal_v": NOMINAL_V, "frequency_hz": 50, "profile": "iti-2000"},
        "driver": driver,
        "store": {"path": "events.db"},
        **changes,
    }
    return {name: table for name, table in tables.items() if table is not None}


def write_config(folder: Path, driver: Raw, **changes: Any) -> Path:
    path = folder / "site.yaml"
    path.write_text(yaml.safe_dump(raw_config(driver, **changes)), encoding="utf-8")
    return path


def settings_in(folder: Path, driver: Raw, **changes: Any) -> Settings:
    return Settings.model_validate(raw_config(driver, **changes), context={"base_dir": folder})


def wav_driver(name: str = "a.wav", **changes: Any) -> Raw:
    return {
        "name": "recording",
        "path": name,
        "full_scale_v": FULL_SCALE_V,
        "start_utc": START_UTC,
        **changes,
    }


def write_wav(path: Path, volts: Floats, rate_hz: int = RATE_HZ) -> Path:
    """16-bit samples, one column an input."""
    wavfile.write(path, rate_hz, np.round(volts / FULL_SCALE_V * 32768).astype(np.int16))
    return path


def mains(
    duration_s: float, *changes: tuple[float, float, float], rate_hz: int = RATE_HZ
) -> Floats:
    """A 230 V, 50 Hz sine; each change is (start in s, length in s, factor)."""
    t_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    volts: Floats = NOMINAL_V * np.sqrt(2) * np.sin(2 * np.pi * 50 * t_s)
    for start_s, length_s, factor in changes:
        volts[(t_s >= start_s - 1e-9) & (t_s < start_s + length_s - 1e-9)] *= factor
    return volts
