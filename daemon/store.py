"""The one writer of the database, which also does every checkpoint."""

import hashlib
import json
import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields
from pathlib import Path
from typing import NoReturn
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from daemon import hash_chain, schema
from daemon.errors import InputError, StoreError
from daemon.records import Event, EventDetail, JudgedEvent, LogEntry, Trace, Waveform

BUSY_TIMEOUT_S = 5.0
WAL_LIMIT_BYTES = 4 * 1024 * 1024
_PUT_LOG = (
    "INSERT INTO log (run_id, kind, start_utc, start_local, start_s, duration_s, text) "
    "VALUES (?, ?, ?, ?, ?, ?, ?)"
)
CUT_SHORT = "cut_short"  # flag of an event that was open when its run broke off


@dataclass(frozen=True, slots=True)
class RunInfo:
    """What is known of a run when it begins."""

    settings_text: str  # the whole configuration; kept once for all runs that share it
    started_utc_s: float
    driver: str
    sample_rate_hz: float
    channels: tuple[str, ...]
    boot_id: str
    clock: str


@dataclass(frozen=True, slots=True)
class PreviousRun:
    """Where the run before this one got to."""

    run_id: int
    until_utc_s: float
    boot_id: str
    stopped: bool  # it ended in good order


class Store:
    """An open database. Every method is one transaction: all of it is on the disk, or none is.

    Writing raises `StoreError` when the disk or the file fails; the same call may be tried again.
    """

    def __init__(self, path: Path, timezone_name: str) -> None:
        """Open the database at `path`, or make a new one.

        :raises InputError: the path, the file or the zone is wrong; the file is left as it is.
        :raises StoreError: the file is ours and cannot be opened now.
        """
        self._zone = _find_zone(timezone_name)
        self._run_id = 0  # ids begin at 1: before `begin_run` every run is an earlier one
        path = Path(os.path.realpath(path))
        try:
            if _is_vacant(path):
                _create(path)
            schema.check_file(path)
            self._connection = _open(path)
        except sqlite3.DatabaseError as error:
            raise StoreError(f"{path} cannot be opened: {error}") from error

    def begin_run(self, info: RunInfo) -> int:
        """Write down a new run; its id goes with everything the run finds."""
        digest = hashlib.sha256(info.settings_text.encode()).hexdigest()
        started = schema.utc_text(info.started_utc_s)
        with self._writing() as connection:
            connection.execute(
                "INSERT OR IGNORE INTO settings (digest, text) VALUES (?, ?)",
                (digest, info.settings_text),
            )
            cursor = connection.execute(
                "INSERT INTO run (settings_id, started_utc, until_utc, stopped, driver, "
                "sample_rate_hz, boot_id, samples_measured, samples_lost, clock, channels, "
                "timezone) SELECT id, ?, ?, 0, ?, ?, ?, 0, 0, ?, ?, ? "
                "FROM settings WHERE digest = ?",
                (
                    started,
                    started,
                    info.driver,
                    float(info.sample_rate_hz),
                    info.boot_id,
                    info.clock,
                    json.dumps([str(name) for name in info.channels]),
                    self._zone.key,
                    digest,
                ),
            )
        self._run_id = int(cursor.lastrowid or 0)
        return self._run_id

    def add(self, run_id: int, events: Sequence[JudgedEvent], log: Sequence[LogEntry]) -> None:
        """Keep these. An event handed on again takes its old row, with its id.

        A waveform with the same first sample is replaced, another one is added; an event handed
        on without a trace or waveform keeps what it has.
        """
        if not events and not log:
            return
        with self._writing() as connection:
            closed = []
            for judged in events:
                row = self._event_row(int(run_id), judged)
                ((event_id,),) = connection.execute(_put_event(row), row).fetchall()
                _put_trace(connection, event_id, judged.event.trace)
                _put_waveforms(connection, event_id, judged.event.waveforms)
                closed += [event_id] if row["duration_s"] is not None else []
            logged = [
                connection.execute(_PUT_LOG, self._log_row(int(run_id), entry)).lastrowid or 0
                for entry in log
            ]
            hash_chain.extend(connection, closed, logged)

    def touch_run(
        self, run_id: int, until_utc_s: float, samples_measured: int, samples_lost: int
    ) -> None:
        """Say how far the run has got, in place."""
        with self._writing() as connection:
            connection.execute(
                "UPDATE run SET until_utc = ?, samples_measured = ?, samples_lost = ? WHERE id = ?",
                (
                    schema.utc_text(until_utc_s),
                    int(samples_measured),
                    int(samples_lost),
                    int(run_id),
                ),
            )

    def end_run(
        self, run_id: int, until_utc_s: float, samples_measured: int, samples_lost: int
    ) -> None:
        """Say that the run ended in good order."""
        self.touch_run(run_id, until_utc_s, samples_measured, samples_lost)
        with self._writing() as connection:
            connection.execute("UPDATE run SET stopped = 1 WHERE id = ?", (int(run_id),))

    def previous_run(self) -> PreviousRun | None:
        """The latest run before the one begun here, or before now; None in a new database."""
        with self._writing() as connection:
            row = connection.execute(
                "SELECT id, until_utc, boot_id, stopped FROM run WHERE id != ? "
                "ORDER BY id DESC LIMIT 1",
                (self._run_id,),
            ).fetchone()
        if row is None:
            return None
        return PreviousRun(row[0], schema.utc_seconds(row[1]), row[2], bool(row[3]))

    def close_open_events(self) -> int:
        """Flag the events that earlier runs left open; they stay without an end.

        :return: how many there were.
        """
        with self._writing() as connection:
            cut = connection.execute(
                "UPDATE event SET complete = 0, flags = json_insert(flags, '$[#]', ?) "
                "WHERE run_id != ? AND duration_s IS NULL "
                "AND NOT EXISTS (SELECT 1 FROM json_each(flags) WHERE json_each.value = ?) "
                "RETURNING id",
                (CUT_SHORT, self._run_id, CUT_SHORT),
            ).fetchall()
            hash_chain.extend(connection, [event_id for (event_id,) in cut], [])
        return len(cut)

    def close(self) -> None:
        """Let go of the file, with everything moved into it. Harmless the second time."""
        self._connection.close()

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            yield self._connection
            self._connection.execute("COMMIT")
        except sqlite3.DatabaseError as error:
            _refuse(error)
        finally:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")

    def _event_row(self, run_id: int, judged: JudgedEvent) -> dict[str, object]:
        # numpy scalars end here: SQLite would take some of them for blobs
        event = judged.event
        return {
            "run_id": run_id,
            "number": int(event.number),
            "kind": event.kind.value,
            "channel": str(event.channel),
            "group": int(event.group),
            "start_utc": schema.utc_text(judged.start_utc_s),
            "end_utc": _end_utc(judged),
            "start_local": schema.local_text(judged.start_utc_s, self._zone),
            "start_s": float(event.start_s),
            "duration_s": _float_or_none(event.duration_s),
            "value": float(event.value),
            "unit": str(event.unit),
            "value_pct": float(event.value_pct),
            "threshold": float(event.threshold),
            "extreme_s": float(event.extreme_s),
            "below_interruption_s": _float_or_none(event.below_interruption_s),
            "level_times": _level_times(event),
            "verdict": judged.judgement.verdict.value if judged.judgement.verdict else None,
            "limit": judged.judgement.limit,
            "profile": judged.judgement.profile,
            "complete": int(bool(event.complete)),
            "clock": str(judged.clock),
            "flags": json.dumps([str(flag) for flag in event.flags]),
            "category": judged.category,
            "cell": judged.cell,
            "margin_pct": _float_or_none(judged.judgement.margin_pct),
            "margin_s": _float_or_none(judged.judgement.margin_s),
            "severity": _float_or_none(judged.judgement.severity),
            "uncertainty": _float_or_none(judged.uncertainty),
            "duration_uncertainty_s": _float_or_none(judged.duration_uncertainty_s),
            "cause": judged.cause,
            "evidence": judged.evidence,
            "detail": _detail(event.detail),
        }

    def _log_row(self, run_id: int, entry: LogEntry) -> tuple[object, ...]:
        return (
            run_id,
            entry.kind.value,
            schema.utc_text(entry.start_utc_s),
            schema.local_text(entry.start_utc_s, self._zone),
            _float_or_none(entry.start_s),
            _float_or_none(entry.duration_s),
            str(entry.text),
        )


def _find_zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError) as error:
        raise InputError(f"site.timezone is {name!r}, which is not a known time zone") from error


def _is_vacant(path: Path) -> bool:
    """Whether a new database may be made there: in a folder, where nothing or an empty file is."""
    try:
        if not path.parent.is_dir():
            raise InputError(f"store.path is {path}, but the folder {path.parent} does not exist")
        return not path.exists() or (path.is_file() and path.stat().st_size == 0)
    except OSError as error:
        raise InputError(f"store.path is {path}: {error.strerror}") from error


def _create(path: Path) -> None:
    # beside its place, then moved there: a power cut leaves no half-made database behind
    draft = path.with_name(path.name + ".new")
    draft.unlink(missing_ok=True)
    connection = sqlite3.connect(draft, isolation_level=None)
    try:
        connection.execute("PRAGMA auto_vacuum = INCREMENTAL")  # only possible in an empty file
        schema.migrate(connection)
    finally:
        connection.close()
    try:
        os.replace(draft, path)
        folder = os.open(path.parent, os.O_RDONLY)
        os.fsync(folder)
        os.close(folder)
    except OSError as error:
        raise StoreError(f"{path} cannot be made: {error.strerror}") from error


def _open(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=BUSY_TIMEOUT_S, isolation_level=None)
    try:
        schema.check_version(path, schema.schema_version(connection))
        (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
        if mode != "wal":
            raise StoreError(f"{path} lies where SQLite cannot keep a write-ahead log")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute(f"PRAGMA journal_size_limit = {WAL_LIMIT_BYTES}")
        schema.migrate(connection)
    except (sqlite3.DatabaseError, InputError, StoreError):
        connection.close()
        raise
    return connection


def _refuse(error: sqlite3.DatabaseError) -> NoReturn:
    if isinstance(error, sqlite3.IntegrityError | sqlite3.ProgrammingError):
        raise error  # a mistake of the program, not of the disk
    raise StoreError(f"the database cannot be written: {error}") from error


def _put_event(row: dict[str, object]) -> str:
    quoted = [f'"{name}"' for name in row]
    return (
        f"INSERT INTO event ({', '.join(quoted)}) VALUES (:{', :'.join(row)}) "
        "ON CONFLICT (run_id, number) DO UPDATE SET "
        f"{', '.join(f'{name} = excluded.{name}' for name in quoted)} RETURNING id"
    )


def _put_trace(connection: sqlite3.Connection, event_id: int, trace: Trace | None) -> None:
    if trace is None:
        return
    connection.execute(
        "INSERT OR REPLACE INTO trace (event_id, start_s, urms) VALUES (?, ?, ?)",
        (event_id, *schema.pack_trace(trace)),
    )


def _put_waveforms(
    connection: sqlite3.Connection, event_id: int, waveforms: Sequence[Waveform]
) -> None:
    for waveform in waveforms:
        scale_v, samples = schema.pack_waveform(waveform)
        connection.execute(
            "INSERT OR REPLACE INTO waveform "
            "(event_id, part, first_index, sample_rate_hz, scale_v, samples) "
            "VALUES (?, 0, ?, ?, ?, ?)",
            (
                event_id,
                int(waveform.first_index),
                float(waveform.sample_rate_hz),
                scale_v,
                samples,
            ),
        )
    if waveforms:
        connection.execute(
            "UPDATE waveform SET part = (SELECT count(*) FROM waveform AS earlier WHERE "
            "earlier.event_id = ?1 AND earlier.first_index < waveform.first_index) "
            "WHERE event_id = ?1",
            (event_id,),
        )


def _end_utc(judged: JudgedEvent) -> str | None:
    if judged.event.duration_s is None:
        return None
    return schema.utc_text(judged.start_utc_s + float(judged.event.duration_s))


def _detail(detail: EventDetail) -> str | None:
    """What is known, as JSON; None when nothing is, so that no row grows for nothing."""
    known = {
        field.name: _plain(getattr(detail, field.name))
        for field in fields(detail)
        if getattr(detail, field.name) is not None
    }
    return json.dumps(known) if known else None


def _plain(value: float | bool) -> float | int | bool:
    """numpy scalars end here, too."""
    if isinstance(value, bool | np.bool_):
        return bool(value)
    return int(value) if isinstance(value, int | np.integer) else float(value)


def _level_times(event: Event) -> str:
    pairs = [[float(time.level_pct), float(time.longest_s)] for time in event.level_times]
    return json.dumps(pairs, allow_nan=False)


def _float_or_none(value: float | None) -> float | None:
    return None if value is None else float(value)
