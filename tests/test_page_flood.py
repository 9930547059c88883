"""A crowd of slow clients: the page stays open to those who ask, the monitor does not notice.

Loopback only, and bounded: `N_SLOW` connections for a few seconds.
"""

import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

import httpx
import pytest
import yaml

from daemon.archive import EventFilter, open_archive
from daemon.records import LogKind
from tests.test_end_to_end import get
from tests.whole_material import children_of, free_port, running, until, write_config

RATE_HZ = 16_000
N_SLOW = 200
QUIET_S = 3.0
HEAD = b"GET /?all=1 HTTP/1.1\r\nHost: localhost\r\nX: "
SCENARIO = {
    "title": "A dip every three seconds",
    "seed": 5,
    "supply": {"nominal_v": 230, "frequency_hz": 50},
    "timeline": [
        {"kind": "dip", "at_s": 1, "duration_s": 0.2, "residual_pct": 40, "repeat_every_s": 1.5}
    ],
}


@pytest.mark.parametrize("flood_s", [5.0, pytest.param(120.0, marks=pytest.mark.soak)])
def test_slow_clients_change_nothing(tmp_path: Path, flood_s: float) -> None:
    """The same figures before and while 200 clients dribble, or ask and never read the answer.

    Lag: the monitor may fall behind by 0.5 s at most (its ring holds many seconds).
    """
    port = free_port()
    (tmp_path / "scenario.yaml").write_text(yaml.safe_dump(SCENARIO))
    driver = {"name": "simulated", "sample_rate_hz": RATE_HZ, "scenario": "scenario.yaml",
              "pace": "realtime"}  # fmt: skip
    config = write_config(tmp_path, driver, page={"port": port})
    with running("monitor", "-c", config) as process:
        until(lambda: (get(port, "/api/status") or {"state": ""})["state"] == "watching", 15.0)
        (page_pid,) = children_of(process.pid, "daemon.page")
        quiet = observed(port, page_pid, QUIET_S)
        with crowd(port) as slow:
            dribble_begins_s = time.monotonic()
            flooded = observed(port, page_pid, flood_s, slow)
            assert time.monotonic() - dribble_begins_s >= flood_s
        after = observed(port, page_pid, 1.0)
        process.terminate()
        assert process.wait(10) == 0
    print(f"quiet {quiet}\nflood {flooded}\nafter {after}")
    for found in (quiet, flooded, after):
        assert found["most_ring_pct"] < 5.0
        assert found["refused"] == 0
    assert flooded["median_ms"] < 1000
    assert flooded["most_files"] < 150  # 64 connections, and what the process has open anyway
    assert_nothing_missed(tmp_path / "events.db", after["lost"])


def assert_nothing_missed(database: Path, n_shown: int) -> None:
    """The dips are 1.5 s apart; no sample was lost, or each that was is in the log.

    On a computer that is busy with much else the device itself may run over, page or not: sampling
    has no claim to the processor where real-time scheduling is not allowed.
    """
    archive = open_archive(database)
    (run,) = archive.runs()
    gaps_s = [entry.duration_s or 0.0 for entry in archive.log(LogKind.UNOBSERVED)]
    assert n_shown <= run.samples_lost == round(RATE_HZ * sum(gaps_s))
    assert run.samples_lost < RATE_HZ / 100  # a flood that reached sampling would take far more
    starts_s = [row.start_s for row in archive.events(EventFilter(newest_first=False))]
    apart_s = [after - before for before, after in pairwise(starts_s)]
    assert len(starts_s) >= 5
    assert apart_s == pytest.approx([1.5] * len(apart_s), abs=0.021)  # half cycles at both ends


def observed(
    port: int, page_pid: int, length_s: float, slow: list[socket.socket] | None = None
) -> dict[str, Any]:
    """What somebody sees who asks five times a second meanwhile."""
    took_ms, rings, files, refused, lost, dropped = [], [], [], 0, 0, 0
    end_s = time.monotonic() + length_s
    while time.monotonic() < end_s:
        began_s = time.monotonic()
        try:
            answer = httpx.get(f"http://127.0.0.1:{port}/api/status", timeout=5)
            status = answer.raise_for_status().json()
            rings.append(status["health"]["ring_fill_pct"])
            lost = status["health"]["samples_lost"]
        except httpx.HTTPError:
            refused += 1
        took_ms.append(1000 * (time.monotonic() - began_s))
        files.append(len(list(Path(f"/proc/{page_pid}/fd").iterdir())))
        dropped += dribble(slow or [], port)
        time.sleep(0.2)
    took_ms.sort()
    return {
        "n": len(took_ms), "median_ms": round(took_ms[len(took_ms) // 2], 1),
        "worst_ms": round(took_ms[-1], 1), "refused": refused, "lost": lost,
        "most_ring_pct": round(max(rings, default=0.0), 2), "most_files": max(files),
        "dropped": dropped,
    }  # fmt: skip


@contextmanager
def crowd(port: int) -> Iterator[list[socket.socket]]:
    """Half send a head byte by byte; half ask for the whole page and never read it."""
    found: list[socket.socket] = []
    try:
        for count in range(N_SLOW):
            found.append(slow_client(port, HEAD if count % 2 else HEAD + b"1\r\n\r\n"))
        yield found
    finally:
        for client in found:
            client.close()


def slow_client(port: int, said: bytes) -> socket.socket:
    client = socket.socket()
    client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
    client.settimeout(5)
    client.connect(("127.0.0.1", port))
    client.sendall(said)
    client.setblocking(False)
    return client


def dribble(slow: list[socket.socket], port: int) -> int:
    """One more byte of the head; whoever was dropped comes again, so the crowd stays."""
    n_dropped = 0
    for place in range(1, len(slow), 2):
        try:
            slow[place].send(b"x")
        except OSError:
            slow[place].close()
            slow[place] = slow_client(port, HEAD)
            n_dropped += 1
    return n_dropped
