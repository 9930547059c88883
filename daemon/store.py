"""The one writer of the database, which also does every checkpoint.

A file that was deleted or replaced meanwhile is noticed before anything is written; `reopen` puts
things right where that is possible without losing what anybody wrote.
"""

import hashlib
import json
import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from daemon import hash_chain, schema
from daemon.daily import DayStatistics
from daemon.errors import InputError, StoreError
from daemon.records import Event, EventDetail, JudgedEvent, LogEntry, LogKind, Trace, Waveform

WAL_WALL_BYTES = 64 * 1024 * 1024  # a reader that holds on for ever must not fill the disk
QUICK_CHECK_BYTES = 50_000_000  # after a power cut, files up to this are looked through: a second
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
class RunProgress:
    """How far a run has got."""

    until_utc_s: float
    samples_measured: int
    samples_lost: int


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

    def __init__(self, path: Path, timezone_name: str, keep_bytes: int | None = None) -> None:
        """Open the database at `path`, or make a new one; a damaged one is set aside.

        :param keep_bytes: what it may take on the disk, its write-ahead log included.
        :raises InputError: the path, the file or the zone is wrong; the file is left as it is.
        :raises StoreError: the file is ours and cannot be opened now.
        """
        self._zone = _find_zone(timezone_name)
        self._path = Path(os.path.realpath(path))
        self._limit_bytes = None if keep_bytes is None else keep_bytes - WAL_LIMIT_BYTES
        self._run: RunInfo | None = None
        self._run_id = 0  # ids begin at 1: before `begin_run` every run is an earlier one
        self._is_damaged = False
        self.remark = ""  # what opening had to do, for the log
        try:
            self._connection = self._open()
        except StoreError:
            if not self._is_damaged:
                raise
            self.remark = self._start_anew()

    @property
    def run_id(self) -> int:
        """The run begun here; in a database that was replaced it has another id than before."""
        return self._run_id

    def begin_run(self, info: RunInfo) -> int:
        """Write down a new run; its id goes with everything the run finds."""
        digest = hashlib.sha256(info.settings_text.encode()).hexdigest()
        started = schema.utc_text(info.started_utc_s)
        self._run = info
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

    def add(
        self,
        run_id: int,
        events: Sequence[JudgedEvent],
        log: Sequence[LogEntry],
        progress: RunProgress | None = None,
    ) -> None:
        """Keep these. An event handed on again takes its old row, with its id.

        A waveform with the same first sample is replaced, another one is added; an event handed
        on without a trace or waveform keeps what it has.
        """
        if not events and not log and progress is None:
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

    def put_statistics(self, run_id: int, days: Sequence[DayStatistics]) -> None:
        """Keep the statistics of these days as they stand now, in place."""
        if not days:
            return
        with self._writing() as connection:
            connection.executemany(
                "INSERT OR REPLACE INTO statistics (run_id, day, channel, data) "
                "VALUES (?, ?, ?, ?)",
                [(int(run_id), day.day, day.channel, day.data) for day in days],
            )

    def touch_run(
        self, run_id: int, until_utc_s: float, samples_measured: int, samples_lost: int
    ) -> None:
        """Say how far the run has got, in place."""
        with self._writing() as connection:
            progress = RunProgress(until_utc_s, samples_measured, samples_lost)
            _touch(connection, int(run_id), progress)

    def end_run(
        self, run_id: int, until_utc_s: float, samples_measured: int, samples_lost: int
    ) -> None:
        """Say that the run ended in good order."""
        self.touch_run(run_id, until_utc_s, samples_measured, samples_lost)
        with self._writing() as connection:
            connection.execute("UPDATE run SET stopped = 1 WHERE id = ?", (int(run_id),))

    def previous_run(self) -> PreviousRun | None:
        """The latest run before the one begun here, or before now; None in a new database.

        Runs of recordings, and those that another monitor wrote, are passed over: how long ago
        they ended says nothing of this supply.
        """
        with self._writing() as connection:
            row = connection.execute(
                "SELECT id, until_utc, boot_id, stopped FROM run WHERE id != ? "
                "AND clock != 'recording' AND origin IS NULL ORDER BY id DESC LIMIT 1",
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

    def thin(self, now_utc_s: float) -> bool:
        """Keep within the limit: let go of what matters least, and log it. Whether it had to be."""
        limit_bytes = self._limit_bytes
        if limit_bytes is None:
            return False
        try:
            is_over = retention.used_bytes(self._connection) > limit_bytes
        except sqlite3.DatabaseError as error:
            raise self._failed(error) from error
        if not is_over:
            return False
        with self._writing() as connection:
            words = retention.thin(connection, limit_bytes, self._run_id)
            text = f"store.keep_mb is reached; let go to make room: {words or 'nothing'}"
            entry = LogEntry(LogKind.FAULT, now_utc_s, None, None, text)
            row_id = connection.execute(_PUT_LOG, self._log_row(self._run_id, entry)).lastrowid
            hash_chain.extend(connection, [], [row_id or 0])
        with self._refusing():
            retention.give_back(self._connection, limit_bytes)
        return True

    def check_place(self) -> None:
        """:raises StoreError: the file is not where it was opened any more."""
        now = Place.of(self._path)
        if now != self._place or self._is_damaged:
            how = "deleted" if now.database is None else "moved, or replaced by another"
            what = "database" if now.database != self._place.database else "write-ahead log"
            raise StoreError(f"the {what} {self._path} was {how}")

    def reopen(self) -> str:
        """Put right what keeps the database from being written, if that can be done from here.

        A deleted database is written anew from what is still open. One that was replaced is kept
        beside its place, and its successor is used; so is one that is damaged.

        :return: what was done, for the log; empty if there was nothing to do.
        :raises StoreError: it cannot be put right now.
        """
        now = Place.of(self._path)
        if self._is_damaged:
            return self._start_anew()
        if now == self._place:
            return ""
        try:
            if now.database is None:
                return self._restore()
            return self._move_on(is_same=now.database == self._place.database)
        except InputError as error:
            raise StoreError(f"the database was replaced: {error}") from error
        except sqlite3.Error as error:
            raise StoreError(f"{self._path} cannot be opened again: {error}") from error

    def close(self) -> None:
        """Let go of the file, with everything moved into it. Harmless the second time."""
        self._connection.close()

    def _open(self) -> sqlite3.Connection:
        try:
            connection = open_database(self._path)
            _look_through(connection, self._path)
            connection.execute("BEGIN IMMEDIATE")  # from now on the write-ahead log is there
            connection.execute("ROLLBACK")
        except sqlite3.DatabaseError as error:
            self._is_damaged = is_damage(error)
            raise StoreError(f"{self._path} cannot be opened: {error}") from error
        self._place = Place.of(self._path)
        return connection

    def _start_anew(self) -> str:
        """The damaged file stays for whoever can make something of it."""
        if hasattr(self, "_connection"):
            self._connection.close()
        aside = set_aside(self._path, "damaged")
        self._is_damaged = False
        self._connection = self._open()
        self._resume()
        return f"the database was damaged; it lies at {aside} now, and a new one was begun"

    def _restore(self) -> str:
        copy_to(self._connection, self._path)
        for ending in ("-wal", "-shm"):  # of the deleted file, and in the way of the new one
            beside(self._path, ending).unlink(missing_ok=True)
        self._connection.close()
        self._connection = self._open()
        self._resume()
        return "the database was deleted; it was written again from what was still open"

    def _move_on(self, *, is_same: bool) -> str:
        """Go on with the file that lies there now."""
        if is_same:
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        else:
            schema.check_file(self._path)
        aside = None if is_same else self._keep_copy()
        self._connection.close()
        self._connection = self._open()
        if is_same or self._has_run():
            return "the database was opened again"
        self._resume()
        return f"the database was replaced; what it was is kept at {aside or 'no place'}"

    def _keep_copy(self) -> Path | None:
        """What the replaced file held; None when it cannot be read any more."""
        aside = unused(self._path, "replaced")
        try:
            copy_to(self._connection, aside)
        except sqlite3.OperationalError as error:
            if not getattr(error, "sqlite_errorname", "").startswith("SQLITE_IOERR"):
                raise
            return None
        except sqlite3.ProgrammingError:  # it was closed at the attempt before
            return None
        return aside

    def _has_run(self) -> bool:
        if self._run is None:
            return True
        known = (self._run_id, schema.utc_text(self._run.started_utc_s), self._run.boot_id)
        sql = "SELECT count(*) FROM run WHERE id = ? AND started_utc = ? AND boot_id = ?"
        return bool(self._connection.execute(sql, known).fetchone()[0])

    def _resume(self) -> None:
        if self._run is not None and not self._has_run():
            self.begin_run(self._run)

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        self.check_place()
        with self._refusing():
            self._check_wal()
            try:
                self._connection.execute("BEGIN IMMEDIATE")
                yield self._connection
                self._connection.execute("COMMIT")
            finally:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")

    @contextmanager
    def _refusing(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.DatabaseError as error:
            raise self._failed(error) from error

    def _failed(self, error: sqlite3.DatabaseError) -> Exception:
        if isinstance(error, sqlite3.IntegrityError | sqlite3.ProgrammingError):
            return error  # a mistake of the program, not of the disk
        self._is_damaged = is_damage(error)
        return StoreError(f"the database cannot be written: {error}")

    def _check_wal(self) -> None:
        """A reader that never ends its transaction keeps the log from being emptied."""
        try:
            n_bytes = beside(self._path, "-wal").stat().st_size
        except OSError:
            return
        if n_bytes <= WAL_WALL_BYTES:
            return
        _, n_pages, n_moved = self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        if n_moved < n_pages:
            raise StoreError(
                f"the write-ahead log holds {n_bytes // 1_000_000} MB and cannot be emptied: "
                "another program has kept the database open for reading all the time"
            )

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


def _look_through(connection: sqlite3.Connection, path: Path) -> None:
    """After a run that broke off, see whether the disk kept what it was given."""
    sql = "SELECT count(*) FROM run WHERE stopped = 0"
    if path.stat().st_size > QUICK_CHECK_BYTES or not connection.execute(sql).fetchone()[0]:
        return
    found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if found != "ok":
        connection.close()
        error = sqlite3.DatabaseError(str(found))
        error.sqlite_errorname = "SQLITE_CORRUPT"
        raise error


def _touch(connection: sqlite3.Connection, run_id: int, progress: RunProgress) -> None:
    connection.execute(
        "UPDATE run SET until_utc = ?, samples_measured = ?, samples_lost = ? WHERE id = ?",
        (
            schema.utc_text(progress.until_utc_s),
            int(progress.samples_measured),
            int(progress.samples_lost),
            run_id,
        ),
    )


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
