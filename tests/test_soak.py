"""The whole program at real time, for as long as HALFCYCLE_SOAK_HOURS says: nothing is lost unsaid.

The driver gives a number of samples that is known beforehand and then ends; the monitor's account
is compared with that number, not with itself.
"""

import json
import os
import random
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.soak_material import Hazards, Look, PageReader, Watch
from tests.survival_material import Proof, check_account, query
from tests.test_end_to_end import get
from tests.whole_material import COMMAND, environment, free_port, until, write_config

HOURS = float(os.environ.get("HALFCYCLE_SOAK_HOURS", "0.1"))
RATE_HZ = 8000
LINES = ("L1", "L2", "L3")
QUIET_SHARE = 0.2  # of the time, at the beginning: what a quiet hour costs
DIP_EVERY_S = 10.0
DIP_S = 0.1
WAL_WALL_BYTES = 64 * 1024 * 1024  # daemon.database_file.WAL_WALL_BYTES


@pytest.fixture
def memory_disk(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The snapshot of each second lies where it lies on a real machine, not on the disk."""
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        monkeypatch.setenv("RUNTIME_DIRECTORY", folder)
        yield


def scenario(hours: float) -> dict[str, Any]:
    return {
        "title": "A soak: quiet, then a dip on three lines every ten seconds",
        "seed": 11,
        "supply": {
            "nominal_v": 230,
            "frequency_hz": 50,
            "wiring": "three_phase",
            "magnitude_wander_pct": 0.5,
            "frequency_wander_hz": 0.02,
            "noise_pct": 0.05,
            "harmonics": [{"order": 5, "pct": 2.0}, {"order": 7, "pct": 1.0}],
        },
        "timeline": [
            {"kind": "dip", "at_s": hours * 3600 * QUIET_SHARE, "duration_s": DIP_S}
            | {"residual_pct": 60, "repeat_every_s": DIP_EVERY_S}
        ],
    }


def hazards_of(run_s: float) -> list[tuple[float, float, str]]:
    """(begin, length, what), one after another, all within the run and after the quiet part."""
    dice = random.Random(4)
    plan = [
        (0.25 * run_s, min(300.0, 0.1 * run_s), "reader"),
        (0.40 * run_s, min(60.0, 0.04 * run_s), "burners"),
        (0.75 * run_s, min(60.0, 0.04 * run_s), "burners"),
    ]
    if run_s > 300:
        plan.append((0.55 * run_s, 55.0, "measuring"))  # longer than its ring
    taken = [(begin - 5, begin + length + 5) for begin, length, _ in plan]
    at_s = (QUIET_SHARE + 0.01) * run_s
    while at_s < 0.95 * run_s:
        if not any(begin <= at_s <= end for begin, end in taken):
            name = dice.choice(["measuring", "measuring", "sampling"])
            plan.append((at_s, dice.uniform(1.0, 5.0), name))
        at_s += dice.uniform(0.5, 1.5) * max(run_s / 40, 15.0)
    return sorted(plan)


@pytest.mark.soak
@pytest.mark.usefixtures("memory_disk")
def test_a_soak_at_real_time(tmp_path: Path) -> None:
    """Page polled each second, a reader that holds on, stops, starvation; exact accounting."""
    run_s, port = HOURS * 3600, free_port()
    proof = Proof(f"soak at real time, {HOURS:g} h")
    (tmp_path / "soak.yaml").write_text(yaml.safe_dump(scenario(HOURS)))
    driver = {"name": "simulated", "sample_rate_hz": RATE_HZ, "scenario": "soak.yaml"}
    supply = {"nominal_v": 230, "frequency_hz": 50, "wiring": "three_phase"}
    config = write_config(
        tmp_path,
        driver | {"pace": "realtime", "duration_s": run_s},
        supply=supply,
        page={"port": port},
    )
    plan = hazards_of(run_s)
    proof.times = len(plan)
    reader, looks = PageReader(port), []
    began_s = time.monotonic()
    with subprocess.Popen([*COMMAND, "monitor", "-c", str(config)], env=environment()) as process:
        try:
            until(lambda: (get(port, "/api/status") or {"state": ""})["state"] == "watching", 120)
            watch = Watch(process.pid, tmp_path / "events.db")
            looks = go_through(process, watch, reader, plan, began_s)
            proof.check(process.wait(120) == 0, "it did not end in good order")
        finally:
            if process.poll() is None:
                process.kill()
    note(tmp_path, looks, reader)
    check_account(proof, tmp_path / "events.db", round(run_s * RATE_HZ))
    check_dips(proof, tmp_path / "events.db", run_s)
    check_looks(proof, looks, run_s)
    proof.check(reader.n_failed == 0, f"{reader.n_failed} of {reader.n_asked} requests failed")
    proof.settle()


def go_through(
    process: "subprocess.Popen[bytes]",
    watch: Watch,
    reader: PageReader,
    plan: list[tuple[float, float, str]],
    began_s: float,
) -> list[Look]:
    """Until the driver has no more; once a second the page, once in ten seconds a look."""
    hazards, looks = Hazards(watch, watch.database), []
    edges = sorted(
        [(begin, True, name) for begin, _, name in plan]
        + [(begin + length, False, name) for begin, length, name in plan]
    )
    next_look_s = 0.0
    try:
        while process.poll() is None:
            now_s = time.monotonic() - began_s
            while edges and edges[0][0] <= now_s:
                _, is_begin, name = edges.pop(0)
                (hazards.begin if is_begin else hazards.end)(name)
            if now_s >= next_look_s:
                looks.append(watch.look(now_s))
                next_look_s = now_s + 10.0
            if edges:  # afterwards it ends, and then nobody answers
                reader.ask()
            time.sleep(max(0.0, began_s + now_s + 1.0 - time.monotonic()))
    finally:
        hazards.end_all()
    return looks[:-1]  # the last one met it while it ended


def note(folder: Path, looks: list[Look], reader: PageReader) -> None:
    """The figures, for people: printed, and every look in a file."""
    quiet = [look for look in looks if 60 < look.at_s < HOURS * 3600 * QUIET_SHARE]
    if len(quiet) > 1:
        written = quiet[-1].written_bytes - quiet[0].written_bytes
        per_day = written / (quiet[-1].at_s - quiet[0].at_s) * 86_400
        print(f"quiet: {written} bytes written in {quiet[-1].at_s - quiet[0].at_s:.0f} s")
        print(f"quiet: {per_day / 1e6:.2f} MB a day")
    times = sorted(reader.latencies_s)
    print(f"page: {reader.n_asked} asked, {reader.n_failed} failed, states {reader.states}")
    print(f"page: half within {times[len(times) // 2]:.3f} s, all within {times[-1]:.3f} s")
    for look in looks[:: max(1, len(looks) // 12)]:
        print(f"{look.at_s:7.0f} s  PSS {look.pss_kb} own {look.own_kb} kB  ", end="")
        print(f"WAL {look.wal_bytes} bytes  ", end="")
        print(f"database {look.database_bytes}  written {look.written_bytes}")
    print(f"largest WAL {max(look.wal_bytes for look in looks)} bytes")
    lost = query(
        folder / "events.db", "SELECT start_s, text FROM log WHERE kind IN ('unobserved', 'fault')"
    )
    print(f"samples: {query(folder / 'events.db', 'SELECT * FROM run')}")
    print("\n".join(map(str, lost)))
    target = Path(os.environ.get("HALFCYCLE_SOAK_NOTES", folder / "looks.jsonl"))
    target.write_text("".join(json.dumps(asdict(look)) + "\n" for look in looks))


def check_dips(proof: Proof, database: Path, run_s: float) -> None:
    """Each dip on each line that lies outside of what was not observed, once, and nothing else."""
    gaps = query(
        database,
        "SELECT start_s - 1.0, start_s + duration_s + 1.0 FROM log "
        "WHERE kind = 'unobserved' AND start_s IS NOT NULL",
    )
    found = query(database, "SELECT kind, channel, start_s, duration_s, value_pct FROM event")
    at_s = run_s * QUIET_SHARE
    while at_s < run_s - 1.0:
        for line in LINES:
            # IEC 61000-4-30 class A: a cycle for each edge, 0.2 % of declared; 0.5 % is the wander
            ours = [
                row
                for row in found
                if row[:2] == ("dip", line) and abs(row[2] - at_s) < 0.04
                if row[3] is not None and abs(row[3] - DIP_S) < 0.03 and abs(row[4] - 60) < 0.6
            ]
            is_seen = not any(begin <= at_s <= end for begin, end in gaps)
            proof.check(len(ours) == 1 or not is_seen, f"the dip at {at_s:.1f} s on {line}")
            found = [row for row in found if row not in ours]
        at_s += DIP_EVERY_S
    for row in found:
        is_by_gap = any(begin - 1 <= row[2] <= end + 1 for begin, end in gaps)
        proof.check(is_by_gap, f"not in the scenario: {row}")


def check_looks(proof: Proof, looks: list[Look], run_s: float) -> None:
    """Memory is flat, and the write-ahead log has a wall."""
    for name in looks[0].own_kb:
        early = max(look.own_kb[name] for look in looks if look.at_s < 0.4 * run_s)
        late = max(look.own_kb[name] for look in looks if look.at_s >= 0.4 * run_s)
        proof.check(late <= 1.1 * early, f"memory of {name}: {early} kB early, {late} kB late")
    highest = max(look.total_kb for look in looks)
    proof.check(highest <= 160_000, f"memory: {highest} kB")
    largest = max(look.wal_bytes for look in looks)
    proof.check(largest < WAL_WALL_BYTES, f"the write-ahead log grew to {largest} bytes")
