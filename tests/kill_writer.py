"""Writes events until it is killed, again and again: `python -m tests.kill_writer FOLDER N SEED`.

A child opens the database, begins a run and writes through the journal as the monitor does; this
process kills it (SIGKILL) at a random instant and looks at what is there. The result is one line
of JSON: how often it was killed, and everything that was not as it should be.
"""

import json
import os
import random
import signal
import struct
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from daemon.chain_check import verify
from daemon.clock import SampleClock
from daemon.journal import Journal, Subject
from daemon.profiles import find_profile
from daemon.records import Gap, Output, Trace, Waveform
from daemon.schema import utc_seconds
from daemon.store import Store
from drivers.clock import SystemClock
from drivers.source import SourceInfo
from tests.database_material import dip
from tests.survival_material import query
from tests.whole_material import settings_in

RATE_HZ = 16000.0
INFO = SourceInfo(RATE_HZ, ("L1",), 16, 800.0, 8000.0, True, True)
SLACK_S = 0.02  # stamps are stored to the millisecond; two clocks are read one after the other
MESSAGE = struct.Struct(">?Qd")  # is the event open; its number; UTC when it was handed on


def write_for_ever(folder: Path, subject: Subject, told: int, seed: int) -> None:
    """Each event is handed on twice: open, then closed with its waveform. The parent is told."""
    clock = SystemClock()
    store = Store(folder / "events.db", "Europe/Vienna", 500_000_000)
    times = SampleClock(clock, INFO)
    journal = Journal(store, clock, times, subject)
    journal.begin()
    dice = np.random.default_rng(seed)
    volts = dice.normal(0, 200, 8000).astype(np.float32)
    trace = Trace(np.arange(100.0), volts[:100])
    for number in range(1, 1_000_000):
        for is_open in (True, False):
            event = dip(
                number,
                duration_s=None if is_open else 0.12,
                complete=not is_open,
                trace=None if is_open else trace,
                waveforms=() if is_open else (Waveform(8000 * number, RATE_HZ, volts),),
            )
            gaps = [Gap(8000 * number, 7, "samples lost")] if is_open else []
            handed_s = time.time()
            account = journal.account
            account.next_index = round(times.now_index)
            account.measured = account.next_index - account.lost - 7 * is_open
            journal.keep(Output(events=[event], gaps=gaps))
            while journal.n_waiting:
                journal.every_second()
            os.write(told, MESSAGE.pack(is_open, number, handed_s))


@dataclass(frozen=True)
class Killed:
    """A writer that is no more."""

    is_open: dict[int, bool]  # by number: events that it said were written
    began_s: float
    seen_s: float  # that it said was written; its beginning without any
    killed_s: float


def kill_once(folder: Path, subject: Subject, dice: random.Random) -> Killed:
    ours, theirs = os.pipe()
    began_s = time.time()
    child = os.fork()
    if child == 0:
        try:
            write_for_ever(folder, subject, theirs, dice.randrange(1 << 30))
        finally:
            os._exit(1)
    os.close(theirs)
    # sometimes before anything is there: the start is where the most is written at once
    raw = os.read(ours, MESSAGE.size) if dice.random() < 0.7 else b""
    time.sleep(dice.random() * 0.06)
    os.kill(child, signal.SIGKILL)
    killed_s = time.time()
    os.waitpid(child, 0)
    while arrived := os.read(ours, 65536):
        raw += arrived
    os.close(ours)
    told = list(MESSAGE.iter_unpack(raw))
    seen_s = told[-1][2] if told else 0.0
    return Killed({number: is_open for is_open, number, _ in told}, began_s, seen_s, killed_s)


def newest_run(database: Path) -> tuple[int, float] | None:
    """Its id and when it started; None without any."""
    has_table = "SELECT count(*) FROM sqlite_master WHERE name = 'run'"
    if not database.exists() or query(database, has_table) == [(0,)]:
        return None
    rows = query(database, "SELECT id, started_utc FROM run ORDER BY id DESC LIMIT 1")
    return (rows[0][0], utc_seconds(rows[0][1])) if rows else None


def faults_after(database: Path, killed: Killed, n_kills: int) -> list[str]:
    """What is not as it should be, before the next start."""
    if query(database, "PRAGMA integrity_check") != [("ok",)]:
        return ["the database is damaged"]
    found = query(
        database,
        "SELECT number, duration_s IS NULL, complete, (SELECT count(*) FROM waveform "
        "WHERE event_id = event.id) FROM event WHERE run_id = (SELECT max(id) FROM run)",
    )
    kept = {number: (bool(is_open), complete, waves) for number, is_open, complete, waves in found}
    faults = []
    for number, is_open in killed.is_open.items():
        if number not in kept:
            faults.append(f"kill {n_kills}: event {number} is gone")
        elif not is_open and kept[number] != (False, 1, 1):
            faults.append(f"kill {n_kills}: event {number} lost its end or its waveform")
    faults += [f"kill {n_kills}: an event too many"] if len(kept) > len(killed.is_open) + 1 else []
    ((measured, lost, started, until),) = query(
        database,
        "SELECT samples_measured, samples_lost, started_utc, until_utc "
        "FROM run ORDER BY id DESC LIMIT 1",
    )
    until_s = utc_seconds(until) - utc_seconds(started)
    # the first sample is from between the child's beginning and the note of the run's start
    early_s = (measured + lost) / RATE_HZ - until_s
    is_right = -SLACK_S < early_s < SLACK_S + utc_seconds(started) - killed.began_s
    ((n_gaps,),) = query(
        database,
        "SELECT count(*) FROM log WHERE text LIKE '7 samples%' "
        "AND run_id = (SELECT max(id) FROM run)",
    )
    if lost != 7 * n_gaps or not is_right:
        account = f"{measured} samples measured, {lost} lost, until {until_s:.3f} s"
        faults.append(f"kill {n_kills}: {n_gaps} gaps logged, {account}")
    return faults


def faults_of_gap(database: Path, before: Killed) -> list[str]:
    """The newest start says how long nothing was watched; so do open events say they were cut."""
    rows = query(
        database,
        "SELECT duration_s FROM log WHERE text = 'the monitor broke off' "
        "AND run_id = (SELECT max(id) FROM run)",
    )
    ((started,),) = query(database, "SELECT started_utc FROM run ORDER BY id DESC LIMIT 1")
    least_s = utc_seconds(started) - before.killed_s
    most_s = utc_seconds(started) - before.seen_s  # what it said was written is not in doubt
    faults = []
    if len(rows) != 1 or not least_s - SLACK_S <= rows[0][0] <= most_s + SLACK_S:
        faults.append(f"a gap of {least_s:.3f} to {most_s:.3f} s is logged as {rows}")
    left = query(
        database,
        "SELECT count(*) FROM event WHERE duration_s IS NULL AND complete = 0 "
        "AND flags NOT LIKE '%cut_short%' AND run_id < (SELECT max(id) FROM run)",
    )
    return faults + (["an interrupted event is not flagged"] if left != [(0,)] else [])


def main(folder: Path, n_kills: int, seed: int) -> None:
    dice, database = random.Random(seed), folder / "events.db"
    settings = settings_in(folder, {"name": "simulated", "scenario": "none.yaml"})
    subject = Subject(settings, INFO, ("L1",), find_profile("iti-2000", folder))
    faults: list[str] = []
    run_before = 0
    before: Killed | None = None
    for number in range(n_kills):
        killed = kill_once(folder, subject, dice)
        run = newest_run(database)
        if run is None or run[0] == run_before:  # killed before its run was written down
            faults += [f"kill {number}: no run"] if killed.is_open else []
            continue
        run_before, started_s = run
        faults += faults_after(database, killed, number)
        faults += faults_of_gap(database, before) if before is not None else []
        before = replace(killed, seen_s=max(killed.seen_s, started_s))
    store = Store(database, "UTC")
    store.close_open_events()
    with store._file.reading() as connection:
        chain = verify(connection)
    store.close()
    faults += list(chain.findings) if chain else ["there is no chain"]
    print(json.dumps({"kills": n_kills, "runs": run_before, "faults": faults}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
