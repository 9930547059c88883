"""Writes events until it is killed, again and again: `python -m tests.kill_writer FOLDER N SEED`.

A child opens the database, begins a run and writes through the journal as the monitor does; this
process kills it (SIGKILL) at a random instant and looks at what is there. The result is one line
of JSON: how often it was killed, and everything that was not as it should be.
"""

import json
import os
import random
import signal
import sys
import time
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
SLACK_S = 0.1  # between a moment as parent and child see it, on a busy machine


def write_for_ever(folder: Path, subject: Subject, told: int, seed: int) -> None:
    """Each event is handed on twice: open, then closed with its waveform. The parent is told."""
    clock = SystemClock()
    store = Store(folder / "events.db", "Europe/Vienna", 500_000_000)
    journal = Journal(store, clock, SampleClock(clock, INFO), subject)
    began_s = clock.monotonic_ns() / 1e9
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
            account = journal.account
            account.next_index = round((clock.monotonic_ns() / 1e9 - began_s) * RATE_HZ)
            account.measured = account.next_index - account.lost - 7 * is_open
            journal.keep(Output(events=[event], gaps=gaps))
            while journal.n_waiting:
                journal.every_second()
            os.write(told, bytes([is_open]) + number.to_bytes(7, "big"))


def kill_once(
    folder: Path, subject: Subject, dice: random.Random
) -> tuple[dict[int, bool], float, float]:
    """What was told by then, by number: is it open; and when the child began and was killed."""
    ours, theirs = os.pipe()
    began_s = time.time()
    child = os.fork()
    if child == 0:
        try:
            write_for_ever(folder, subject, theirs, dice.randrange(1 << 30))
        finally:
            os._exit(1)
    os.close(theirs)
    raw = os.read(ours, 8) if dice.random() < 0.9 else b""  # sometimes before anything is there
    time.sleep(dice.random() * 0.06)
    os.kill(child, signal.SIGKILL)
    killed_s = time.time()
    os.waitpid(child, 0)
    while arrived := os.read(ours, 65536):
        raw += arrived
    os.close(ours)
    told = {}
    for at in range(0, len(raw) - 7, 8):
        told[int.from_bytes(raw[at + 1 : at + 8], "big")] = bool(raw[at])
    return told, began_s, killed_s


def faults_after(database: Path, told: dict[int, bool], n_kills: int, began_s: float) -> list[str]:
    """What is not as it should be, before the next start."""
    if not database.exists():
        return [] if not told else ["the database is not there"]
    if query(database, "PRAGMA integrity_check") != [("ok",)]:
        return ["the database is damaged"]
    found = query(
        database,
        "SELECT number, duration_s IS NULL, complete, (SELECT count(*) FROM waveform "
        "WHERE event_id = event.id) FROM event WHERE run_id = (SELECT max(id) FROM run)",
    )
    kept = {number: (bool(is_open), complete, waves) for number, is_open, complete, waves in found}
    faults = []
    for number, is_open in told.items():
        if number not in kept:
            faults.append(f"kill {n_kills}: event {number} is gone")
        elif not is_open and kept[number] != (False, 1, 1):
            faults.append(f"kill {n_kills}: event {number} lost its end or its waveform")
    faults += [f"kill {n_kills}: an event too many"] if len(kept) > len(told) + 1 else []
    ((measured, lost, started, until),) = query(
        database,
        "SELECT samples_measured, samples_lost, started_utc, until_utc "
        "FROM run ORDER BY id DESC LIMIT 1",
    )
    until_s = utc_seconds(until) - utc_seconds(started)
    # the first sample is from between the child's beginning and the note of the run's start
    early_s = (measured + lost) / RATE_HZ - until_s
    is_right = -SLACK_S < early_s < SLACK_S + utc_seconds(started) - began_s
    ((n_gaps,),) = query(
        database,
        "SELECT count(*) FROM log WHERE text LIKE '7 samples%' "
        "AND run_id = (SELECT max(id) FROM run)",
    )
    if lost != 7 * n_gaps or not is_right:
        account = f"{measured} samples measured, {lost} lost, until {until_s:.3f} s"
        faults.append(f"kill {n_kills}: {n_gaps} gaps logged, {account}")
    return faults


def faults_of_gap(database: Path, killed_s: float, late_s: float) -> list[str]:
    """The newest start says how long nothing was watched; so do open events say they were cut.

    :param late_s: so long after the child began was its start noted, at most: its first sample is
        from between the two, and its last one is placed by that start.
    """
    rows = query(
        database,
        "SELECT duration_s FROM log WHERE text = 'the monitor broke off' ORDER BY id DESC LIMIT 1",
    )
    ((started,),) = query(database, "SELECT started_utc FROM run ORDER BY id DESC LIMIT 1")
    away_s = utc_seconds(started) - killed_s
    faults = []
    if not rows or not away_s - SLACK_S - late_s <= rows[0][0] <= away_s + 1.0 + SLACK_S:
        faults.append(f"a gap of {away_s:.2f} s is logged as {rows}")
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
    last_run, last_killed_s, last_late_s = 0, 0.0, 0.0
    for number in range(n_kills):
        told, began_s, killed_s = kill_once(folder, subject, dice)
        if not database.exists():
            continue
        ((run_id, n_watching),) = query(
            database,
            "SELECT coalesce(max(run.id), 0), (SELECT count(*) FROM log WHERE kind = 'started' "
            "AND run_id = (SELECT max(id) FROM run)) FROM run",
        )
        if run_id == last_run or not n_watching:  # killed before its run was written down
            faults += [f"kill {number}: no run"] if told else []
            continue
        faults += faults_after(database, told, number, began_s)
        if last_run:
            faults += faults_of_gap(database, last_killed_s, last_late_s)
        ((started,),) = query(database, f"SELECT started_utc FROM run WHERE id = {run_id}")
        last_run, last_killed_s = run_id, killed_s
        last_late_s = utc_seconds(started) - began_s
    store = Store(database, "UTC")
    store.close_open_events()
    with store._file.reading() as connection:
        chain = verify(connection)
    store.close()
    faults += list(chain.findings) if chain else ["there is no chain"]
    print(json.dumps({"kills": n_kills, "runs": last_run, "faults": faults}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
