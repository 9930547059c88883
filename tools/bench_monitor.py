"""What the monitor costs to run: its start, the memory of its processes, bytes written."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.request import urlopen

import numpy as np

from daemon.clock import SampleClock
from daemon.journal import TOUCH_S, Journal, Subject
from daemon.profiles import find_profile
from daemon.records import Output, TenMinuteValue, TenSecondFrequency
from daemon.settings import Settings
from daemon.store import Store
from drivers.clock import ManualClock, SystemClock
from drivers.source import Block, SourceInfo

BAR_PSS_MB = 160.0
BAR_START_S = 2.0
BAR_DAY_MB = 10.0
WATCH_S = 12.0  # until the memory is looked at: the pipeline has seen every length of window
PATIENCE_S = 60.0
LOOK_S = 0.01
DAY_S = 86_400
STEP_S = 60
RATE_HZ = 16_000.0
_RUN = "from tools.cli import main; main(prog_name='halfcycle')"
_SCENARIO = "{supply: {nominal_v: 230, frequency_hz: 50, noise_pct: 0.05}}\n"


@dataclass(frozen=True, slots=True)
class MonitorCost:
    """Of one short watch in real time at 16 kS/s, with the page open."""

    ready_s: float  # from the command to READY
    first_value_s: float  # to the first voltage in the status
    worked_s: float  # processor time until then, of the monitor and its sampler
    pss_mb: dict[str, float]  # by process, proportional set size

    @property
    def whole_mb(self) -> float:
        """All processes together."""
        return sum(self.pss_mb.values())


@dataclass(frozen=True, slots=True)
class DayCost:
    """Of a day without an event, one channel."""

    written_mb: float  # handed to write calls: `wchar` of /proc/self/io, checkpoints included
    grown_mb: float  # by which the database is larger
    n_writes: int


def measure_monitor(folder: Path) -> MonitorCost:
    """Start the monitor as a user does, look at its page once, and weigh its processes."""
    config = _write_config(folder)
    began_s = time.perf_counter()
    with _ready_socket(folder) as ready, _monitor(config, folder) as process:
        ready_s = _wait_until_ready(ready) - began_s
        port = _wait_for_value(folder / "status.json", began_s)
        first_s, worked_s = time.perf_counter() - began_s, _worked_s(process.pid)
        SystemClock().sleep_s(WATCH_S)
        for path in ("/", "/api/status", "/api/events"):
            with urlopen(f"http://127.0.0.1:{port}{path}", timeout=PATIENCE_S) as answer:
                answer.read()
        return MonitorCost(ready_s, first_s, worked_s, _pss_mb(process.pid))


def measure_quiet_day(folder: Path) -> DayCost:
    """A day of the journal as it writes it down: its clock is moved, its disk is real."""
    settings, clock = _settings(folder), ManualClock()
    info = SourceInfo(RATE_HZ, ("L1",), 16, 800.0, RATE_HZ / 2, is_simultaneous=True, is_live=True)
    times = SampleClock(clock, info)
    profile = find_profile(settings.supply.profile, None)
    store = Store(settings.store.path, settings.site.timezone)
    journal = Journal(store, clock, times, Subject(settings, info, ("L1",), profile))
    journal.begin()
    minute = np.broadcast_to(np.float32(0.0), (STEP_S * round(RATE_HZ), 1))
    before, size = _written_bytes(), settings.store.path.stat().st_size
    for second in range(0, DAY_S, STEP_S):
        journal.count(Block(second * round(RATE_HZ), minute))
        journal.keep(_quiet_minute(second))
        clock.advance_s(STEP_S)
        journal.every_second()
    written, grown = _written_bytes() - before, settings.store.path.stat().st_size - size
    journal.close()
    return DayCost(written / 1e6, grown / 1e6, DAY_S // round(TOUCH_S))


def _quiet_minute(second: int) -> Output:
    """What the pipeline brings of a steady minute that the journal keeps."""
    index = second * RATE_HZ
    out = Output()
    out.frequencies = [
        TenSecondFrequency(index + 10 * n * RATE_HZ, 50.0 + 0.001 * n, flagged=False)
        for n in range(6)
    ]
    if second % 600 == 0:
        out.ten_minute = [TenMinuteValue(0, index, 230.0, 0.0, 0.1, 2.0, 0.3, flagged=False)]
    return out


def _written_bytes() -> int:
    fields = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
    return int(fields["wchar"])


def _write_config(folder: Path) -> Path:
    (folder / "quiet.yaml").write_text(_SCENARIO, encoding="utf-8")
    path = folder / "site.yaml"
    path.write_text(json.dumps(_raw(folder)), encoding="utf-8")
    return path


def _raw(folder: Path) -> dict[str, object]:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    return {
        "site": {"name": "Bench", "circuit": "Socket", "timezone": "UTC"},
        "supply": {"nominal_v": 230, "frequency_hz": 50, "profile": "iti-2000"},
        "driver": {"name": "simulated", "sample_rate_hz": RATE_HZ, "scenario": "quiet.yaml"},
        "store": {"path": "events.db"},
        "page": {"port": port},
    }


def _settings(folder: Path) -> Settings:
    (folder / "quiet.yaml").write_text(_SCENARIO, encoding="utf-8")
    return Settings.model_validate(_raw(folder), context={"base_dir": folder})


def _ready_socket(folder: Path) -> socket.socket:
    """Where the monitor reports, as it does to systemd."""
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    listener.bind(str(folder / "notify"))
    listener.settimeout(PATIENCE_S)
    return listener


def _wait_until_ready(ready: socket.socket) -> float:
    """The moment; nothing is heard afterwards."""
    while not ready.recv(1000).startswith(b"READY=1"):
        pass
    heard_s = time.perf_counter()
    ready.close()
    return heard_s


@contextmanager
def _monitor(config: Path, folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    told = {"RUNTIME_DIRECTORY": str(folder), "NOTIFY_SOCKET": str(folder / "notify")}
    process = subprocess.Popen(
        [sys.executable, "-c", _RUN, "monitor", "-c", str(config)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=os.environ | told,
    )
    try:
        yield process
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(PATIENCE_S)


def _wait_for_value(status: Path, began_s: float) -> int:
    """Until a voltage is in the status; the port of the page."""
    config = json.loads((status.parent / "site.yaml").read_text(encoding="utf-8"))
    while time.perf_counter() - began_s < PATIENCE_S:
        try:
            channels = json.loads(status.read_text(encoding="utf-8"))["channels"]
        except (OSError, ValueError):
            channels = []
        if channels and channels[0]["urms_v"] is not None:
            break
        SystemClock().sleep_s(LOOK_S)
    return int(config["page"]["port"])


def _worked_s(pid: int) -> float:
    """Processor time of the monitor and its sampler so far (proc(5): utime and stime)."""
    sampler = [child for child, name in _children(pid) if name == "sampler"]
    ticks = 0
    for number in (pid, *sampler):
        fields = Path(f"/proc/{number}/stat").read_text().rpartition(") ")[2].split()
        ticks += int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK")


def _pss_mb(pid: int) -> dict[str, float]:
    """Proportional set sizes of the monitor and its children, by what they are (proc(5))."""
    found = {"monitor": _pss_of(pid)}
    return found | {name: _pss_of(child) for child, name in _children(pid)}


def _children(pid: int) -> list[tuple[int, str]]:
    """Processes the monitor started, and the module each runs."""
    found = []
    for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
        words = Path(f"/proc/{child}/cmdline").read_bytes().split(b"\0")
        name = next((word.decode() for word in words if word.startswith(b"daemon.")), "other")
        found.append((int(child), name.removeprefix("daemon.")))
    return found


def _pss_of(pid: int) -> float:
    lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    (line,) = [line for line in lines if line.startswith("Pss:")]
    return int(line.split()[1]) * 1024 / 1e6
