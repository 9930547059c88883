"""A simulated week on three lines, as fast as possible, by the program as it is: nothing missed,
nothing invented, memory flat, little written.

The truth is made before the samples (tests/week_material.py, drivers/truth.py) and compared event
by event: kind, line, time, magnitude, length. HALFCYCLE_WEEK_HOURS sets another length.
"""

import math
import os
import resource
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import yaml

from daemon.status import read_snapshot
from drivers.truth import TrueEvent
from tests.soak_material import Watch, highest_rss_kb
from tests.survival_material import Proof, query
from tests.week_material import (
    DECAY_S,
    NOMINAL_V,
    QUIET_DAY,
    RAPID_PCT,
    SLOT_S,
    Week,
    unbalance,
    week,
)
from tests.whole_material import COMMAND, environment, until, write_config

HOURS = float(os.environ.get("HALFCYCLE_WEEK_HOURS", "168"))
RATE_HZ = 2000  # the least at which everything is watched for: harmonics to order 19
START = datetime(2026, 3, 2, tzinfo=UTC)  # a Monday
CYCLE_S = 0.02
AGGREGATE_S = 3.0  # distortion and unbalance: 150/180-cycle values (IEC 61000-4-30)
DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far what is found may be from the truth."""

    start_s: float
    duration_s: float
    value: float


def tolerance(true: TrueEvent, recovers: bool) -> Tolerance:
    """IEC 61000-4-30 class A: 0.2 % of declared, one cycle; half a sample for each edge.

    An exponential return crosses so slowly that one more cycle is allowed. With nothing to lock to,
    half cycles run on at the last good frequency, from which the supply wanders by 0.03 Hz.
    """
    edge_s = CYCLE_S + 1.0 / RATE_HZ
    match true.kind:
        case "distortion":
            return Tolerance(AGGREGATE_S, 2 * AGGREGATE_S, 0.15)  # and what the noise adds
        case "unbalance":
            return Tolerance(AGGREGATE_S, 2 * AGGREGATE_S, 0.05)
        case "frequency":
            return Tolerance(10.0, 10.0, 0.03 + 0.01)  # the wander, class A
        case "flicker":
            return Tolerance(1.0, 1.0, 0.05 * true.value)  # IEC 61000-4-15: 5 %
        case "rapid_voltage_change":
            # the level swings and wanders by 2 % of itself; two voltages, 0.2 % of declared each
            return Tolerance(edge_s, 3 * CYCLE_S, 0.004 * NOMINAL_V + 0.02 * true.value)
        case _:
            drift_s = true.duration_s * 0.03 / 50
            return Tolerance(edge_s, (1 + recovers) * edge_s + drift_s, 0.002 * NOMINAL_V)


@dataclass(slots=True)
class Measures:
    """What the run cost."""

    first_hour_kb: int = 0
    highest_kb: dict[str, int] = field(default_factory=dict)
    written_by: list[tuple[float, int]] = field(default_factory=list)  # watched s, bytes
    wall_s: float = 0.0
    processor_s: float = 0.0

    def written_on(self, day: int) -> int | None:
        """Bytes the measuring process sent to the disk between two midnights."""
        edges = []
        for edge_s in (day * DAY_S, (day + 1) * DAY_S):
            later = [count for at_s, count in self.written_by if at_s >= edge_s]
            if not later:
                return None
            edges.append(later[0])
        return edges[1] - edges[0]


@pytest.fixture
def memory_disk(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        monkeypatch.setenv("RUNTIME_DIRECTORY", folder)
        yield Path(folder)


@pytest.mark.parametrize(
    "hours", [0.1, pytest.param(HOURS, marks=pytest.mark.soak)], ids=["6 min", f"{HOURS:g} h"]
)
def test_a_week(tmp_path: Path, memory_disk: Path, hours: float) -> None:
    made = week(hours * 3600.0)
    name = "disturbances" if hours == 168 else f"disturbances ({hours:g} h only)"
    proof = Proof(f"simulated week on three lines, known {name}", made.n_known)
    (tmp_path / "week.yaml").write_text(yaml.safe_dump(made.raw))
    config = write_config(
        tmp_path,
        {
            "name": "simulated",
            "scenario": "week.yaml",
            "sample_rate_hz": RATE_HZ,
            "pace": "as_fast_as_possible",
            "start_utc": START.isoformat(),
            "duration_s": made.duration_s,
        },
        supply={"nominal_v": NOMINAL_V, "frequency_hz": 50, "wiring": "three_phase"},
        capture={"rapid_change_pct": RAPID_PCT},
    )
    measures = run(config, memory_disk / "status.json", proof)
    database = tmp_path / "events.db"
    found = rows_of(database)
    told(made, measures, found, database)
    check_found(proof, made, found)
    check_account(proof, database, made)
    if hours >= 24:
        highest = measures.highest_kb["measuring"]
        is_flat = highest <= 1.1 * measures.first_hour_kb
        proof.check(is_flat, f"memory: {measures.first_hour_kb} kB, later {highest} kB")
    proof.settle()


def run(config: Path, status: Path, proof: Proof) -> Measures:
    """The monitor, and a look at it every 0.2 s; only the kernel's own counters are read."""
    measures, began_s = Measures(), time.monotonic()
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [*COMMAND, "monitor", "-c", str(config), "--no-page"]
    with subprocess.Popen(command, env=environment(), stderr=subprocess.PIPE) as process:
        try:
            until(lambda: read_snapshot(status) or process.poll() is not None, 120.0)
            watch = Watch(process.pid, config.with_name("events.db"))
            while process.poll() is None:
                look(measures, watch, status)
                time.sleep(0.2)
            proof.check(process.wait() == 0, "it did not end in good order")
        finally:
            if process.poll() is None:
                process.kill()
    measures.wall_s = time.monotonic() - began_s
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    measures.processor_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return measures


def look(measures: Measures, watch: Watch, status: Path) -> None:
    snapshot = read_snapshot(status)
    for name, pid in watch.pids.items():
        highest = max(highest_rss_kb(pid), measures.highest_kb.get(name, 0))
        measures.highest_kb[name] = highest
    if snapshot is None:
        return
    watched_s, bytes_now = snapshot.run.watched_s, watch.written_bytes()
    if watched_s >= 3600 and not measures.first_hour_kb:
        measures.first_hour_kb = measures.highest_kb["measuring"]
    if bytes_now and (not measures.written_by or watched_s > measures.written_by[-1][0]):
        measures.written_by.append((watched_s, bytes_now))


@dataclass(frozen=True, slots=True)
class Row:
    """An event as it is in the database."""

    kind: str
    channel: str
    start_utc: str
    start_s: float
    duration_s: float | None
    value: float
    complete: int
    deviation_v: float | None
    peak_loss_pct: float | None


def rows_of(database: Path) -> list[Row]:
    sql = (
        "SELECT kind, channel, start_utc, start_s, duration_s, value, complete, "
        "json_extract(detail, '$.deviation_v'), json_extract(detail, '$.peak_loss_pct') "
        "FROM event ORDER BY start_s"
    )
    return [Row(*row) for row in query(database, sql)]


def check_found(proof: Proof, made: Week, found: list[Row]) -> None:
    """One row for each true event, of the same kind and line, and no other row."""
    left = list(found)
    for true in made.expected:
        same = [row for row in left if (row.kind, row.channel) == (true.kind, true.input_name)]
        row = min(same, key=lambda one: abs(one.start_s - true.start_s), default=None)
        if row is None or abs(row.start_s - true.start_s) > 30.0:
            proof.check(False, f"not found: {true}")
            continue
        left.remove(row)
        proof.check(agrees(row, true, made), f"{row} is not {true}")
    for row in left:
        proof.check(False, f"not in the scenario: {row}")


def agrees(row: Row, true: TrueEvent, made: Week) -> bool:
    stamped_s = datetime.fromisoformat(row.start_utc).timestamp() - START.timestamp()
    if not row.complete or abs(stamped_s - row.start_s) > 0.001:
        return False
    if true.kind == "transient":
        return agrees_transient(row, true)
    recovers = any(
        entry.kind == "motor_start" and abs(entry.at_s - true.start_s) < 0.1
        for entry in made.scenario.timeline
    )
    allowed = tolerance(true, recovers)
    return (
        abs(row.start_s - true.start_s) <= allowed.start_s
        and row.duration_s is not None
        and abs(row.duration_s - true.duration_s) <= allowed.duration_s
        and abs(row.value - true.value) <= allowed.value
    )


def agrees_transient(row: Row, true: TrueEvent) -> bool:
    """Within a sample and a millisecond; between two samples some of the peak is lost, as said."""
    if row.deviation_v is None or row.peak_loss_pct is None:
        return False
    least = (0.98 - row.peak_loss_pct / 100) * true.value  # 2 %: what the noise takes or adds
    if true.duration_s == DECAY_S:  # it begins at its peak and decays until the next sample
        least *= math.exp(-1.0 / RATE_HZ / DECAY_S)
    is_size = least <= abs(row.deviation_v) <= 1.02 * true.value + 0.002 * NOMINAL_V
    return is_size and abs(row.start_s - true.start_s) <= 0.001 + 1.0 / RATE_HZ


def check_account(proof: Proof, database: Path, made: Week) -> None:
    """Samples given = measured + logged as unobserved, and as many as the scenario leaves out."""
    taken = round(made.duration_s * RATE_HZ)
    ((measured, lost),) = query(database, "SELECT samples_measured, samples_lost FROM run")
    logged = query(database, "SELECT start_s, duration_s FROM log WHERE kind = 'unobserved'")
    n_logged = sum(round(length_s * RATE_HZ) for _, length_s in logged)
    account = f"{taken} samples, {measured} measured, {lost} lost, {n_logged} logged"
    proof.check(measured + lost == taken and lost == n_logged, account)
    missing = [entry for entry in made.scenario.timeline if entry.kind == "lost_samples"]
    expected = [
        at_s
        for entry in missing
        for at_s in times(entry.at_s, entry.repeat_every_s or made.duration_s, made.duration_s)
    ]
    proof.check(
        len(expected) == len(logged)
        and all(abs(a - b[0]) < 1 / RATE_HZ for a, b in zip(expected, logged, strict=True)),
        f"{len(logged)} gaps logged, {len(expected)} made",
    )
    faults = query(database, "SELECT text FROM log WHERE kind = 'fault'")
    proof.check(not faults, f"faults: {faults[:3]}")


def times(at_s: float, every_s: float, until_s: float) -> Iterator[float]:
    while at_s < until_s:
        yield at_s
        at_s += every_s


def told(made: Week, measures: Measures, found: list[Row], database: Path) -> None:
    """The figures, for people."""
    counts: dict[str, Any] = {}
    for row in found:
        counts[row.kind] = counts.get(row.kind, 0) + 1
    print(f"{made.duration_s / 3600:g} h at {RATE_HZ} samples a second: {made.n_known} known,")
    print(f"{len(made.expected)} rows expected, {len(found)} found: {counts}")
    print(f"{measures.wall_s:.0f} s, {measures.processor_s:.0f} s of processor time")
    print(f"memory: first hour {measures.first_hour_kb} kB, highest {measures.highest_kb} kB")
    print(f"database {database.stat().st_size} bytes; ", end="")
    print(f"written on the quiet day: {measures.written_on(QUIET_DAY)} bytes")


def test_the_truth_is_right_about_unbalance_and_slots() -> None:
    """Two balanced cases in closed form, and that flicker fills whole slots.

    One line at 1 - d, the others at 1: u2 = d / (3 - d).
    """
    assert unbalance(1.0, 1.0, 1.0) < 1e-12
    assert abs(unbalance(0.94, 1.0, 1.0) - 0.06 / 2.94) < 1e-12
    flickers = [event for event in week(168 * 3600).expected if event.kind == "flicker"]
    assert len(flickers) == 3
    assert all(event.start_s % SLOT_S == 0 for event in flickers)


def test_the_week_holds_forty_of_every_kind() -> None:
    made = week(168 * 3600)
    assert made.n_known == 40
    assert {event.kind for event in made.expected} == {
        "dip", "swell", "interruption", "rapid_voltage_change", "transient", "distortion",
        "frequency", "unbalance", "flicker",
    }  # fmt: skip
    quiet = range(round(QUIET_DAY * DAY_S), round((QUIET_DAY + 1) * DAY_S))
    assert not [event for event in made.expected if round(event.start_s) in quiet]
