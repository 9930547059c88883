"""Events, runs and files for the tests of the database and of what reads it."""

import sqlite3
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from daemon.archive import EventRow
from daemon.records import (
    Event,
    JudgedEvent,
    Judgement,
    Kind,
    LevelTime,
    Verdict,
    Waveform,
)
from daemon.store import RunInfo

START_UTC_S = 1_795_590_933.123  # 2026-11-25T07:15:33.123Z, by `date -u -d @1795590933.123`


def run_info(**changes: Any) -> RunInfo:
    info = RunInfo(
        settings_text="site: {timezone: Europe/Vienna}\n",
        started_utc_s=START_UTC_S - 60,
        driver="simulated",
        sample_rate_hz=16000.0,
        channels=("L1", "L2"),
        boot_id="boot-1",
        clock="synchronised",
    )
    return replace(info, **changes)


def dip(number: int = 1, **changes: Any) -> Event:
    event = Event(
        number=number,
        kind=Kind.DIP,
        channel="L1",
        group=number,
        start_s=60.0,
        duration_s=0.12,
        value=140.3,
        unit="V",
        value_pct=61.0,
        threshold=207.0,
        extreme_s=60.05,
        below_interruption_s=None,
        level_times=(LevelTime(90.0, 0.12), LevelTime(70.0, 0.08)),
        complete=True,
        flags=(),
    )
    return replace(event, **changes)


def event_row(number: int = 1, **changes: Any) -> EventRow:
    """A dip as the database gives it back."""
    row = EventRow(
        id=number,
        run_id=1,
        number=number,
        kind=Kind.DIP,
        channel="L1",
        group=number,
        start_utc="2026-11-25T07:15:33.123Z",
        end_utc="2026-11-25T07:15:33.243Z",
        start_local="2026-11-25 08:15:33.123 +01:00",
        start_s=60.0,
        duration_s=0.12,
        value=140.3,
        unit="V",
        value_pct=61.0,
        threshold=207.0,
        extreme_s=60.05,
        below_interruption_s=None,
        level_times=(LevelTime(90.0, 0.12), LevelTime(70.0, 0.08)),
        verdict=Verdict.MAY_STOP,
        limit="below 70 % for at most 0.02 s",
        profile="iti-2000",
        complete=True,
        clock="synchronised",
        flags=(),
    )
    return replace(row, **changes)


def judged(event: Event, **changes: Any) -> JudgedEvent:
    judgement = Judgement("iti-2000", Verdict.MAY_STOP, "below 70 % for at most 0.02 s")
    return replace(JudgedEvent(event, judgement, START_UTC_S, "synchronised"), **changes)


def rows(path: Path, sql: str) -> list[tuple[Any, ...]]:
    connection = sqlite3.connect(path)
    try:
        return connection.execute(sql).fetchall()
    finally:
        connection.close()


def wave(first_index: int, volts: list[float]) -> Waveform:
    return Waveform(first_index, 16000.0, np.array(volts, dtype=np.float32))


def foreign(path: Path, application_id: int, version: int) -> None:
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE thing (a)")
    connection.execute(f"PRAGMA application_id = {application_id}")
    connection.execute(f"PRAGMA user_version = {version}")
    connection.commit()
    connection.close()
