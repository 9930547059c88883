"""Faults injected, and what they cost. `python -m tools.prove` runs all of it and prints a table.

The disk fails through a shim before the C library (tests/faulty_disk.c), so SQLite sees the real
error numbers; a power cut is made from the shim's own record of writes and syncs.
"""

import json
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daemon.app import Monitor
from daemon.chain_check import verify
from daemon.schema import utc_seconds
from daemon.status import Snapshot, State, read_snapshot
from daemon.store import Store
from drivers.clock import SystemClock
from tests.survival_material import FaultyDisk, Proof, check_account, power_cut, query
from tests.test_app import Calls, after_s
from tests.whole_material import (
    CHECKOUT,
    COMMAND,
    environment,
    settings_in,
    until,
    write_config,
)

RATE_HZ = 4000
PATIENCE_S = 90.0  # with a process on a machine that has much else to do
STORM = """
title: A storm of 10 000 dips an hour
seed: 5
supply: {nominal_v: 230, frequency_hz: 50, noise_pct: 0.05}
timeline:
  - {kind: dip, at_s: 0.5, duration_cycles: 4, residual_pct: 40, repeat_every_s: 0.36}
"""


def storm(folder: Path, **changes: Any) -> dict[str, Any]:
    (folder / "storm.yaml").write_text(STORM)
    driver = {"name": "simulated", "scenario": "storm.yaml", "sample_rate_hz": RATE_HZ}
    return driver | {"pace": "realtime"} | changes


@pytest.fixture
def disk(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> FaultyDisk:
    return FaultyDisk(tmp_path, tmp_path_factory.mktemp("faulty"))


@contextmanager
def monitor_on(disk: FaultyDisk, runtime: Path, driver: dict[str, Any]) -> Iterator[Any]:
    """The monitor as a process of its own, on a disk that can be made to fail."""
    config = write_config(disk.folder, driver)
    process = subprocess.Popen(
        [*COMMAND, "monitor", "-c", str(config), "--no-page"],
        stdin=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        env={**environment(), **disk.environment(), "RUNTIME_DIRECTORY": str(runtime)},
    )
    with process:
        try:
            until(lambda: shown(runtime).state is State.WATCHING, PATIENCE_S)
            yield process
        finally:
            if process.poll() is None:
                process.kill()


def shown(runtime: Path) -> Snapshot:
    until(lambda: read_snapshot(runtime / "status.json"), PATIENCE_S)
    snapshot = read_snapshot(runtime / "status.json")
    assert snapshot is not None
    return snapshot


def is_storing(runtime: Path) -> bool:
    snapshot = shown(runtime)
    return snapshot.state is State.WATCHING and snapshot.health.n_waiting <= 2


def unlink(folder: Path) -> None:
    for path in folder.glob("events.db*"):
        if not path.name.endswith(".lock"):
            path.unlink()


def replace(folder: Path) -> None:
    Store(folder / "other.db", "UTC").close()
    (folder / "other.db").replace(folder / "events.db")


def scribble(folder: Path) -> None:
    """Overwritten in place: pages after the first hold something else."""
    with (folder / "events.db").open("r+b") as file:
        file.seek(4096)
        file.write(b"x" * 80_000)


DISK_FAULTS: dict[str, Callable[[FaultyDisk], None]] = {
    "disk full": lambda disk: disk.fail("enospc"),
    "I/O error": lambda disk: disk.fail("eio"),
    "read-only": lambda disk: disk.fail("erofs"),
    "database deleted": lambda disk: unlink(disk.folder),
    "write-ahead log deleted": lambda disk: (disk.folder / "events.db-wal").unlink(),
    "database replaced": lambda disk: replace(disk.folder),
    "database overwritten": lambda disk: scribble(disk.folder),
}


@pytest.mark.parametrize(
    ("faults", "n_times"),
    [
        pytest.param(("disk full", "database deleted", "database replaced"), 1, id="one of each"),
        *(pytest.param((fault,), 5, id=fault, marks=pytest.mark.soak) for fault in DISK_FAULTS),
    ],
)
def test_a_disk_that_fails_loses_no_event(
    tmp_path: Path,
    tmp_path_factory: pytest.TempPathFactory,
    disk: FaultyDisk,
    faults: tuple[str, ...],
    n_times: int,
) -> None:
    """Three events a second while the disk fails; every number is in one of the databases."""
    runtime = tmp_path_factory.mktemp("runtime")
    proof = Proof(", ".join(faults))
    is_told = False
    with monitor_on(disk, runtime, storm(tmp_path)) as process:
        until(
            lambda: query(tmp_path / "events.db", "SELECT count(*) FROM event") > [(0,)], PATIENCE_S
        )
        for fault in faults * n_times:
            DISK_FAULTS[fault](disk)
            proof.times += 1
            end_s = time.monotonic() + 1.5
            while time.monotonic() < end_s:
                is_told = is_told or shown(runtime).state is State.NOT_STORING
                time.sleep(0.05)
            disk.fail("none")
            until(lambda: is_storing(runtime), PATIENCE_S)
            time.sleep(0.5)
        process.send_signal(signal.SIGTERM)
        proof.check(process.wait(20) == 0, "it did not end in good order")
    if faults[0] in ("disk full", "I/O error", "read-only"):
        proof.check(is_told, "the status did not say that nothing is stored")
    check_events(proof, tmp_path, is_damaged="database overwritten" in faults)
    proof.settle()


@pytest.mark.parametrize(
    "fault",
    ["enospc", pytest.param("eio", marks=pytest.mark.soak),
     pytest.param("erofs", marks=pytest.mark.soak)],
)  # fmt: skip
def test_what_a_failed_disk_did_not_take_before_the_end_is_there_after_the_next_start(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory, disk: FaultyDisk, fault: str
) -> None:
    """The database's disk takes nothing any more; the runtime folder's does."""
    runtime = tmp_path_factory.mktemp("runtime")
    proof = Proof(f"ended on a failed disk ({fault})", times=1)
    database, rescue = tmp_path / "events.db", runtime / "events.db.rescue"
    with monitor_on(disk, runtime, storm(tmp_path)) as process:
        until(lambda: query(database, "SELECT count(*) FROM event") > [(0,)], PATIENCE_S)
        disk.fail(fault)
        until(lambda: shown(runtime).health.n_waiting >= 2, PATIENCE_S)
        process.send_signal(signal.SIGTERM)
        exit_status = process.wait(30)
        said = process.stderr.read()
    proof.check(exit_status == 3, f"it ended with {exit_status}: {said}")
    proof.check(f"are kept in {rescue}" in said, f"it said: {said}")
    proof.check(rescue.exists(), "there is no rescue file")
    disk.fail("none")
    with monitor_on(disk, runtime, storm(tmp_path)) as process:
        process.send_signal(signal.SIGTERM)
        proof.check(process.wait(20) == 0, "the next run did not end in good order")
    proof.check(not rescue.exists(), "the rescue file is still there")
    numbers = [n for (n,) in query(database, "SELECT number FROM event WHERE run_id = 1")]
    lost = set(range(1, max(numbers) + 1)) - set(numbers)
    proof.check(not lost, f"events {sorted(lost)} are missing")
    stopped = query(database, "SELECT stopped FROM run WHERE id = 1")
    proof.check(stopped == [(1,)], "the first run is not said to have ended in good order")
    with closing(sqlite3.connect(database)) as connection:
        report = verify(connection)
    proof.check(report is not None and not report.findings, "the chain is broken")
    proof.settle()


def check_events(proof: Proof, folder: Path, *, is_damaged: bool) -> None:
    """Numbers without a hole, over all files that hold a part of the run; and what was logged."""
    live = folder / "events.db"
    parts = [live, *folder.glob("events.db.replaced-?")]
    rows = [row for part in parts for row in query(part, "SELECT number, complete FROM event")]
    numbers = {number for number, _ in rows}
    # what lay in pages that were overwritten is gone, which no program can change
    first = 1 if not is_damaged else min(numbers)
    for number in sorted(set(range(first, max(numbers) + 1)) - numbers):
        proof.check(False, f"event {number}")
    proof.check(sum(complete for _, complete in rows) >= len(numbers) - 2, "ends of events")
    texts = [text for (text,) in query(live, "SELECT text FROM log WHERE kind = 'fault'")]
    proof.check(any("nothing could be stored" in text for text in texts), "the log entry")
    ((measured, lost),) = query(
        live, "SELECT samples_measured, samples_lost FROM run ORDER BY id DESC LIMIT 1"
    )
    proof.check((measured > 0, lost) == (True, 0), f"{lost} samples")
    for part in parts:
        proof.check(query(part, "PRAGMA integrity_check") == [("ok",)], f"{part} is damaged")
    store = Store(live, "UTC")
    with store._file.reading() as connection:
        chain = verify(connection)
    store.close()
    for finding in chain.findings if chain else ():
        proof.check(False, finding)


@pytest.mark.parametrize(
    ("sync_ms", "run_s"),
    [
        pytest.param(300, 4.0, id="0.3 s"),
        pytest.param(1000, 30.0, id="1 s", marks=pytest.mark.soak),
        pytest.param(3000, 45.0, id="3 s", marks=pytest.mark.soak),
        pytest.param(8000, 80.0, id="8 s", marks=pytest.mark.soak),
    ],
)
def test_a_slow_card_loses_no_sample(
    tmp_path: Path,
    tmp_path_factory: pytest.TempPathFactory,
    disk: FaultyDisk,
    sync_ms: int,
    run_s: float,
) -> None:
    """A storm on a card that takes seconds for every sync: the ring holds 40 s."""
    runtime = tmp_path_factory.mktemp("runtime")
    proof = Proof(f"card that takes {sync_ms / 1000:g} s for a sync")
    fill_pct = 0.0
    with monitor_on(disk, runtime, storm(tmp_path)) as process:
        disk.fail(str(sync_ms))
        proof.times += 1
        end_s = time.monotonic() + run_s
        while time.monotonic() < end_s:
            fill_pct = max(fill_pct, shown(runtime).health.ring_fill_pct)
            time.sleep(0.1)
        disk.fail("none")
        process.send_signal(signal.SIGTERM)
        proof.check(process.wait(40) == 0, "it did not end in good order")
    ((lost,),) = query(tmp_path / "events.db", "SELECT samples_lost FROM run")
    proof.check(lost == 0, f"{lost} samples")
    # one commit is under way, and one more waits for what came meanwhile; half a second each
    proof.check(fill_pct / 100 * 40 <= 2 * sync_ms / 1000 + 2.0, f"the ring is {fill_pct} % full")
    numbers = {n for (n,) in query(tmp_path / "events.db", "SELECT number FROM event")}
    proof.check(numbers == set(range(1, len(numbers) + 1)), "events")
    proof.settle()


@pytest.mark.parametrize(
    "n_kills", [20, pytest.param(500, marks=pytest.mark.soak)], ids=["20", "500"]
)
def test_kills_while_events_are_written(tmp_path: Path, n_kills: int) -> None:
    """SIGKILL at random instants of the writing process; each start looks at what is there."""
    proof = Proof("SIGKILL while events are written", n_kills)
    done = subprocess.run(
        [sys.executable, "-m", "tests.kill_writer", str(tmp_path), str(n_kills), "1"],
        capture_output=True,
        text=True,
        check=False,
        cwd=CHECKOUT,
        env=environment(),
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    proof.lost = found["faults"]
    assert found["runs"] >= n_kills // 2  # some are killed before their run is written down
    proof.settle()


@pytest.mark.soak
def test_kills_of_the_whole_monitor(tmp_path: Path) -> None:
    """Sixty starts, each killed within two seconds of its first line in the log."""
    proof = Proof("SIGKILL of the whole monitor")
    config = write_config(tmp_path, storm(tmp_path))
    database, dice = tmp_path / "events.db", random.Random(3)
    listed: set[tuple[int, int]] = set()
    killed_s: list[float] = []
    for n_runs in range(1, 61):
        with subprocess.Popen(
            [*COMMAND, "monitor", "-c", str(config), "--no-page"], env=environment()
        ) as process:
            until(partial(has_started, database, n_runs), 60.0)
            time.sleep(2.0 * dice.random())
            listed |= set(query(database, "SELECT run_id, number FROM event"))
            process.kill()
            killed_s.append(time.time())
            proof.times += 1
        proof.check(query(database, "PRAGMA integrity_check") == [("ok",)], "the file")
        now = set(query(database, "SELECT run_id, number FROM event"))
        for run_id, number in listed - now:
            proof.check(False, f"event {number} of run {run_id}")
    starts = query(database, "SELECT started_utc FROM run ORDER BY id")
    gaps = query(
        database, "SELECT duration_s FROM log WHERE text = 'the monitor broke off' ORDER BY id"
    )
    proof.check(len(gaps) == 59, f"{len(gaps)} gaps")
    for (length_s,), (started,), cut_s in zip(gaps, starts[1:], killed_s, strict=False):
        away_s = utc_seconds(started) - cut_s
        # how far a run has got is written with each event: at least once in two seconds
        is_right = away_s - 0.2 <= length_s <= away_s + 3.0
        proof.check(is_right, f"a gap of {away_s:.2f} s is logged as {length_s:.2f} s")
    assert len(listed) > 30
    proof.settle()


def has_started(database: Path, n_runs: int) -> bool:
    sql = "SELECT count(*) FROM log WHERE kind = 'started'"
    return database.exists() and query(database, sql) >= [(n_runs,)]


WRITER = """
import sys
from pathlib import Path
import numpy as np
from daemon.records import Waveform
from daemon.store import RunProgress, Store
from tests.database_material import dip, judged, run_info
folder, n_events = Path(sys.argv[1]), int(sys.argv[2])
volts = np.random.default_rng(1).normal(0, 200, 8000).astype(np.float32)
listed = open(folder / "listed", "ab", buffering=0)
store = Store(folder / "events.db", "UTC")
run_id = store.begin_run(run_info())
for number in range(1, n_events + 1):
    opened = dip(number, duration_s=None, complete=False)
    closed = dip(number, waveforms=(Waveform(8000 * number, 16000.0, volts),))
    for event in (opened, closed):
        store.add(run_id, [judged(event)], [], RunProgress(1.8e9 + number, number, 0))
        listed.write(b"%d %d\\n" % (number, event.complete))
"""


@pytest.mark.parametrize(
    ("n_events", "n_cuts"),
    [(20, 25), pytest.param(300, 500, marks=pytest.mark.soak)],
    ids=["25", "500"],
)
def test_torn_and_lost_writes(
    tmp_path: Path,
    tmp_path_factory: pytest.TempPathFactory,
    disk: FaultyDisk,
    n_events: int,
    n_cuts: int,
) -> None:
    """Power cuts at random writes; what was not synced is lost, whole or torn at 512 bytes."""
    proof = Proof("power cut with torn and lost writes")
    subprocess.run(
        [sys.executable, "-c", WRITER, str(tmp_path), str(n_events)],
        check=True,
        env={**environment(), **disk.environment(is_traced=True)},
    )
    operations = disk.operations()
    first = next(n for n, one in enumerate(operations) if one.path == "listed")
    dice = random.Random(7)
    for number in range(n_cuts):
        folder = tmp_path_factory.mktemp("cut")
        cut = dice.randrange(first, len(operations))
        power_cut(operations[:cut], folder, "listed", dice)
        proof.times += 1
        check_after_cut(proof, folder, f"cut {number}")
    proof.settle()


def check_after_cut(proof: Proof, folder: Path, name: str) -> None:
    lines = (folder / "listed").read_text().split("\n")[:-1]
    listed = {int(number): int(is_complete) for number, is_complete in map(str.split, lines)}
    store = Store(folder / "events.db", "UTC")
    n_open = store.close_open_events()
    with store._file.reading() as connection:
        chain = verify(connection)
    store.close()
    proof.check(not store.remark, f"{name}: {store.remark}")
    proof.check(n_open <= 1, f"{name}: {n_open} events open")
    for finding in chain.findings if chain else ("there is no chain",):
        proof.check(False, f"{name}: {finding}")
    database = folder / "events.db"
    proof.check(query(database, "PRAGMA integrity_check") == [("ok",)], f"{name}: the file")
    sql = "SELECT number, complete, flags, count(event_id) FROM event "
    sql += "LEFT JOIN waveform ON event_id = event.id GROUP BY event.id"
    kept = {number: rest for number, *rest in query(database, sql)}
    for number, is_complete in listed.items():
        proof.check(number in kept, f"{name}: event {number}")
        if is_complete:
            proof.check(kept.get(number) == [1, "[]", 1], f"{name}: the end of event {number}")
    for number, (complete, flags, _) in kept.items():
        is_said = bool(complete) or flags == '["cut_short"]'
        proof.check(is_said, f"{name}: event {number} is not said to be cut short")


def test_a_measuring_process_that_is_starved_counts_what_it_did_not_see(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped for longer than its ring, of 1 s here: to the sample."""
    proof = Proof("measuring process starved for longer than the ring")
    code = (
        "import sys; from daemon import sampler; sampler.RING_S = 1.0; "
        "sys.argv[:] = sys.argv[-4:]; sys.exit(sampler.main())"
    )
    settings = settings_in(tmp_path, storm(tmp_path, duration_s=4.0))
    monitor = with_sampler(code, settings, monkeypatch)
    pauses = iter([1.0])
    next_s = [next(pauses)]

    def starve() -> bool:
        if monitor._journal.account.next_index > next_s[0] * RATE_HZ:
            next_s[0] = next(pauses, 1e9)
            proof.times += 1
            time.sleep(1.6)
        return False

    monitor.run(Calls(starve))
    check_account(proof, tmp_path / "events.db", 4 * RATE_HZ)
    assert query(tmp_path / "events.db", "SELECT samples_lost FROM run") > [(RATE_HZ // 4,)]
    proof.settle()


def with_sampler(code: str, settings: Any, patch: pytest.MonkeyPatch) -> Monitor:
    """A monitor whose sampling process runs other code, with a ring of 1 s on this side."""
    real = subprocess.Popen

    def start(command: list[str], **keys: Any) -> "subprocess.Popen[bytes]":
        return real([sys.executable, "-c", code, *command[3:]], **keys)

    with patch.context() as inner:
        inner.setenv("PYTHONPATH", str(CHECKOUT))
        inner.setattr("daemon.acquisition.RING_S", 1.0)
        inner.setattr("daemon.acquisition.subprocess.Popen", start)
        return Monitor(settings, SystemClock(), with_page=False)


FAILING = """
import sys
from daemon import sampler
from drivers.errors import SourceFailed, SourceUnavailable
from drivers.simulated import SimulatedSource

class Failing(SimulatedSource):
    '''Fails once a second of samples, and opens only at the second attempt.'''
    n_openings = 0
    def open(self):
        Failing.n_openings += 1
        if Failing.n_openings % 2 == 0:
            raise SourceUnavailable("not there yet")
        self.n_given = 0
        return super().open()
    def read(self, timeout_s):
        if self.n_given >= N_GIVEN:
            raise SourceFailed("pulled out")
        block = super().read(timeout_s)
        self.n_given += 0 if block is None else len(block.volts)
        return block

sampler.find_driver = lambda name: Failing
sampler.RING_S = 1.0
sampler.FIRST_WAIT_S = 0.3
sys.argv[:] = sys.argv[-4:]
sys.exit(sampler.main())
"""


@pytest.mark.parametrize(
    "run_s", [4.0, pytest.param(90.0, marks=pytest.mark.soak)], ids=["4 s", "90 s"]
)
def test_a_device_that_fails_again_and_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run_s: float
) -> None:
    """Every second it is pulled out; the axis of samples goes on at the rate of the clock."""
    proof = Proof("device that fails and comes back")
    monitor = with_sampler(
        FAILING.replace("N_GIVEN", str(RATE_HZ)),
        settings_in(tmp_path, storm(tmp_path)),
        monkeypatch,
    )
    began_s = time.monotonic()
    monitor.run(after_s(run_s))
    ended_s = time.monotonic()
    database, next_index = tmp_path / "events.db", monitor._journal.account.next_index
    proof.times = query(
        database, "SELECT count(*) FROM log WHERE kind = 'unobserved' AND start_s IS NOT NULL"
    )[0][0]
    check_account(proof, database, next_index)
    # opening it the first time and the last read take up to half a second together
    shift_s = (ended_s - began_s) - next_index / RATE_HZ
    proof.check(-0.5 < shift_s < 2.5, f"the axis of samples is off by {shift_s:.2f} s")
    proof.settle()


@pytest.mark.soak
def test_a_stopped_monitor_loses_exactly_what_did_not_fit(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory, disk: FaultyDisk
) -> None:
    """SIGSTOP for 55 s, with the real ring of 40 s, in blocks of 1 ms."""
    runtime = tmp_path_factory.mktemp("runtime")
    proof = Proof("SIGSTOP of the measuring process for 55 s", 1)
    driver = storm(tmp_path, duration_s=75.0, block_s=0.001)
    with monitor_on(disk, runtime, driver) as process:
        time.sleep(5)
        process.send_signal(signal.SIGSTOP)
        time.sleep(55)
        process.send_signal(signal.SIGCONT)
        proof.check(process.wait(60) == 0, "it did not end in good order")
    check_account(proof, tmp_path / "events.db", 75 * RATE_HZ)
    ((lost,),) = query(tmp_path / "events.db", "SELECT samples_lost FROM run")
    # 55 s less the 40 s of the ring
    proof.check(abs(lost / RATE_HZ - 15.0) < 1.0, f"{lost / RATE_HZ:.2f} s are lost, not 15 s")
    proof.settle()


@pytest.mark.soak
def test_an_hour_s_storm(tmp_path: Path) -> None:
    """10 000 dips in an hour: each is kept, the log stays bounded, the list stays fast."""
    proof = Proof("storm of 10 000 events an hour", 1)
    driver = storm(tmp_path, pace="as_fast_as_possible", duration_s=3600.0)
    settings = settings_in(tmp_path, driver, store={"path": "events.db", "keep_mb": 2000})
    monitor = Monitor(settings, SystemClock(), with_page=False)
    largest = [0]

    def look() -> bool:
        wal = tmp_path / "events.db-wal"
        largest[0] = max(largest[0], wal.stat().st_size if wal.exists() else 0)
        return False

    summary = monitor.run(Calls(look))
    # from 0.5 s on, one every 0.36 s
    expected = len(np.arange(0.5, 3600.0, 0.36))
    ((n_dips,),) = query(summary.database, "SELECT count(*) FROM event WHERE kind = 'dip'")
    proof.check(abs(n_dips - expected) <= 1, f"{n_dips} of {expected} dips")
    check_account(proof, summary.database, 3600 * RATE_HZ)
    proof.check(largest[0] < 16_000_000, f"the write-ahead log grew to {largest[0]} bytes")
    began_s = time.monotonic()
    query(summary.database, "SELECT * FROM event ORDER BY start_utc DESC LIMIT 50")
    proof.check(time.monotonic() - began_s < 0.2, "the list is slow")
    proof.settle()


def test_a_reader_that_holds_on_is_said_and_bounded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, runtime_directory: Path
) -> None:
    """The log may not be emptied while somebody reads; beyond its wall events wait in memory."""
    monkeypatch.setattr("daemon.database_file.WAL_WALL_BYTES", 100_000)
    proof = Proof("reader that holds a transaction", 1)
    monitor = Monitor(settings_in(tmp_path, storm(tmp_path)), SystemClock(), with_page=False)
    database, wal = tmp_path / "events.db", tmp_path / "events.db-wal"
    said, sizes = [], []

    def look() -> bool:
        sizes.append(wal.stat().st_size)
        fault = shown(runtime_directory).health.last_fault or ""
        said.append("for reading all the time" in fault)
        return any(said[:-20]) or len(sizes) > 2000

    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM event").fetchall()
        until_then = Calls(look)
        while not until_then.is_set():
            monitor._turn(None)
    proof.check(any(said), "the status did not say so")
    # the wall, and the batch that crossed it
    proof.check(max(sizes) < 400_000, f"the write-ahead log grew to {max(sizes)} bytes")
    monitor.run(after_s(2.5))
    numbers = {n for (n,) in query(database, "SELECT number FROM event")}
    proof.check(numbers == set(range(1, max(numbers) + 1)), "events")
    texts = [text for (text,) in query(database, "SELECT text FROM log WHERE kind = 'fault'")]
    proof.check(any("nothing could be stored" in text for text in texts), "the log entry")
    proof.settle()
