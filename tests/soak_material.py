"""A running monitor looked at from outside: memory, disk, page, and what it is put through."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from tests.whole_material import children_of

PATHS = ("/", "/healthz", "/api/status", "/api/events", "/metrics")
BURNER = "while True: pass"


@dataclass(frozen=True, slots=True)
class Look:
    """The monitor at one moment, all its processes together unless said otherwise."""

    at_s: float
    pss_kb: dict[str, int]
    own_kb: dict[str, int]  # of it, what no other program can share: PSS falls as others start
    wal_bytes: int
    database_bytes: int
    written_bytes: int  # by the measuring process, to block devices, as the kernel counts pages

    @property
    def total_kb(self) -> int:
        return sum(self.pss_kb.values())


class Watch:
    """Looks at a monitor; a process that is gone is left out."""

    def __init__(self, pid: int, database: Path) -> None:
        self.database = database
        (sampler,) = children_of(pid, "daemon.sampler")
        self.pids = {"measuring": pid, "sampling": sampler}
        for page in children_of(pid, "daemon.page"):
            self.pids["page"] = page

    def look(self, at_s: float) -> Look:
        return Look(
            at_s,
            {name: memory_kb(pid, "Pss:") for name, pid in self.pids.items()},
            {name: memory_kb(pid, "Pss_Anon:") for name, pid in self.pids.items()},
            _size(self.database.with_name(self.database.name + "-wal")),
            _size(self.database),
            self.written_bytes(),
        )

    def written_bytes(self) -> int:
        """By the measuring process so far; 0: it is gone."""
        return written_bytes(self.pids["measuring"])


def memory_kb(pid: int, name: str) -> int:
    """Memory of a process, shared pages by their share (proc(5), smaps_rollup)."""
    return _of_process(pid, "smaps_rollup", name)


def highest_rss_kb(pid: int) -> int:
    """The most memory a process has had resident so far (proc(5), VmHWM); 0: it is gone."""
    return _of_process(pid, "status", "VmHWM:")


def written_bytes(pid: int) -> int:
    """Bytes that a process caused to be sent to a disk (proc(5), io: write_bytes)."""
    return _of_process(pid, "io", "write_bytes:")


def _of_process(pid: int, file: str, name: str) -> int:
    with suppress(OSError):
        for line in Path(f"/proc/{pid}/{file}").read_text().splitlines():
            if line.startswith(name):
                return int(line.split()[1])
    return 0


def _size(path: Path) -> int:
    return path.stat().st_size if path.exists() else 0


@dataclass(slots=True)
class PageReader:
    """Somebody who has the page open all the time."""

    port: int
    n_asked: int = 0
    n_failed: int = 0
    latencies_s: list[float] = field(default_factory=list)
    states: set[str] = field(default_factory=set)

    def ask(self) -> None:
        """One request; /healthz may rightly say 503, which is an answer."""
        path = PATHS[self.n_asked % len(PATHS)]
        self.n_asked += 1
        began_s = time.monotonic()
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=30) as got:
                text = got.read()
        except urllib.error.HTTPError as error:
            text = error.read()
            self.n_failed += path != "/healthz" or error.code != 503
        except OSError:
            self.n_failed += 1
            return
        self.latencies_s.append(time.monotonic() - began_s)
        if path == "/api/status":
            self.states.add(json.loads(text)["state"])


class Hazards:
    """What the monitor is put through, each begun and ended by the clock of the test."""

    def __init__(self, watch: Watch, database: Path) -> None:
        self._watch = watch
        self._database = database
        self._burners: list[subprocess.Popen[bytes]] = []
        self._reader: sqlite3.Connection | None = None

    def begin(self, name: str) -> None:
        if name == "burners":
            command = [sys.executable, "-c", BURNER]
            self._burners = [subprocess.Popen(command) for _ in range(2 * (os.cpu_count() or 1))]
        elif name == "reader":
            self._reader = sqlite3.connect(f"file:{self._database}?mode=ro", uri=True)
            self._reader.execute("BEGIN")
            self._reader.execute("SELECT count(*) FROM event").fetchall()
        else:
            os.kill(self._watch.pids[name], signal.SIGSTOP)

    def end(self, name: str) -> None:
        if name == "burners":
            for burner in self._burners:
                burner.kill()
                burner.wait()
            self._burners = []
        elif name == "reader" and self._reader is not None:
            self._reader.close()
            self._reader = None
        elif name in self._watch.pids:
            with suppress(ProcessLookupError):
                os.kill(self._watch.pids[name], signal.SIGCONT)

    def end_all(self) -> None:
        for name in ("burners", "reader", *self._watch.pids):
            self.end(name)
