"""The one writer of the database, which also does every checkpoint.

A file that was deleted or replaced meanwhile is noticed before anything is written; `reopen` puts
things right where that is possible without losing what anybody wrote.
"""

import hashlib
import json
import os
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from daemon import corrections, hash_chain, rescue, retention, schema
from daemon.corrections import NewStamp, StampedRow
from daemon.daily import DayStatistics
from daemon.database_file import WAL_LIMIT_BYTES, DatabaseFile
from daemon.errors import InputError
from daemon.records import JudgedEvent, LogEntry, LogKind
from daemon.rescue import Leftover, Rescued, RunEnd
from daemon.rows import PUT_LOG, event_row, log_row, put_event, put_trace, put_waveforms

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
    settings_text: str = ""


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
        self._limit_bytes = None if keep_bytes is None else keep_bytes - WAL_LIMIT_BYTES
        self._run: RunInfo | None = None
        self._run_id = 0  # ids begin at 1: before `begin_run` every run is an earlier one
        self._file = DatabaseFile(Path(os.path.realpath(path)))

    @property
    def remark(self) -> str:
        """What opening had to do, for the log; empty if nothing out of the ordinary."""
        return self._file.remark

    @property
    def run_id(self) -> int:
        """The run begun here; in a database that was replaced it has another id than before."""
        return self._run_id

    @property
    def started_utc_s(self) -> float:
        """The start of the run begun here, as it is stored."""
        return 0.0 if self._run is None else self._run.started_utc_s

    def begin_run(self, info: RunInfo, log: Sequence[LogEntry] = ()) -> int:
        """Write down a new run; its id goes with everything the run finds.

        :param log: what there is to say of its start, in the same transaction: a run without the
            entry of the gap before it would hide that gap from the run after it.
        """
        digest = hashlib.sha256(info.settings_text.encode()).hexdigest()
        started = schema.utc_text(info.started_utc_s)
        self._run = info
        with self._file.writing() as connection:
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
            run_id = int(cursor.lastrowid or 0)
            hash_chain.extend(connection, [], self._put_log(connection, run_id, log))
        self._run_id = run_id
        return run_id

    def add(
        self,
        run_id: int,
        events: Sequence[JudgedEvent],
        log: Sequence[LogEntry],
        progress: RunProgress | None = None,
        days: Sequence[DayStatistics] = (),
    ) -> None:
        """Keep these. An event handed on again takes its old row, with its id.

        A waveform with the same first sample is replaced, another one is added; an event handed
        on without a trace or waveform keeps what it has.

        :param progress: how far the run has got, written in the same transaction.
        :param days: statistics of days as they stand now, likewise.
        """
        if not events and not log and not days and progress is None:
            return
        with self._file.writing() as connection:
            closed = []
            for judged in events:
                row = event_row(int(run_id), judged, self._zone)
                ((event_id,),) = connection.execute(put_event(row), row).fetchall()
                put_trace(connection, event_id, judged.event.trace)
                put_waveforms(connection, event_id, judged.event.waveforms)
                closed += [event_id] if row["duration_s"] is not None else []
            hash_chain.extend(connection, closed, self._put_log(connection, int(run_id), log))
            if progress is not None:
                _touch(connection, int(run_id), progress)
            _put_days(connection, int(run_id), days)

    def days(self) -> set[str]:
        """The dates of this run's statistics."""
        with self._file.reading() as connection:
            rows = connection.execute(
                "SELECT DISTINCT day FROM statistics WHERE run_id = ?", (self._run_id,)
            )
            return {day for (day,) in rows}

    def rename_days(self, names: Mapping[str, str]) -> None:
        """Give statistics of this run other dates, all at once."""
        with self._file.writing() as connection:
            corrections.rename_days(connection, self._run_id, names)

    def touch_run(
        self, run_id: int, until_utc_s: float, samples_measured: int, samples_lost: int
    ) -> None:
        """Say how far the run has got, in place."""
        with self._file.writing() as connection:
            progress = RunProgress(until_utc_s, samples_measured, samples_lost)
            _touch(connection, int(run_id), progress)

    def end_run(
        self, run_id: int, until_utc_s: float, samples_measured: int, samples_lost: int
    ) -> None:
        """Say that the run ended in good order."""
        self.touch_run(run_id, until_utc_s, samples_measured, samples_lost)
        with self._file.writing() as connection:
            connection.execute("UPDATE run SET stopped = 1 WHERE id = ?", (int(run_id),))

    def previous_run(self) -> PreviousRun | None:
        """The latest run before the one begun here, or before now; None in a new database.

        Runs of recordings, and those that another monitor wrote, are passed over: how long ago
        they ended says nothing of this supply.
        """
        with self._file.writing() as connection:
            row = connection.execute(
                "SELECT run.id, until_utc, boot_id, stopped, text FROM run "
                "JOIN settings ON settings.id = settings_id WHERE run.id != ? "
                "AND clock != 'recording' AND origin IS NULL ORDER BY run.id DESC LIMIT 1",
                (self._run_id,),
            ).fetchone()
        if row is None:
            return None
        return PreviousRun(row[0], schema.utc_seconds(row[1]), row[2], bool(row[3]), row[4])

    def close_open_events(self) -> int:
        """Flag the events that earlier runs left open; they stay without an end.

        :return: how many there were.
        """
        with self._file.writing() as connection:
            cut = connection.execute(
                "UPDATE event SET complete = 0, flags = json_insert(flags, '$[#]', ?) "
                "WHERE run_id != ? AND duration_s IS NULL "
                "AND NOT EXISTS (SELECT 1 FROM json_each(flags) WHERE json_each.value = ?) "
                "RETURNING id",
                (CUT_SHORT, self._run_id, CUT_SHORT),
            ).fetchall()
            hash_chain.extend(connection, [event_id for (event_id,) in cut], [])
        return len(cut)

    def packed(self, left: Leftover, progress: RunProgress, *, is_orderly: bool) -> Rescued:
        """What could not be written of this run, for a file of its own."""
        run = self._run
        assert run is not None
        end = RunEnd(
            self._run_id,
            run.started_utc_s,
            run.boot_id,
            progress.until_utc_s,
            progress.samples_measured,
            progress.samples_lost,
            is_orderly,
        )
        return rescue.pack(end, left, self._zone)

    def take_back(self, rescued: Rescued) -> bool:
        """Put in what an earlier run could not write; False: it was there already.

        :raises InputError: it is not of this database, or not what the tables hold.
        """
        with self._file.writing() as connection:
            return rescue.take_back(connection, rescued)

    def stamped_rows(self, table: str, after_id: int, limit: int) -> list[StampedRow]:
        """The next rows of `event` or `log` of this run whose stamps may have to be corrected."""
        with self._file.reading() as connection:
            return corrections.stamped_rows(connection, table, self._run_id, after_id, limit)

    def restamp(self, table: str, stamps: Sequence[NewStamp]) -> int:
        """Give rows of `event` or `log` better stamps and keep the first; how many changed."""
        with self._file.writing() as connection:
            return corrections.restamp(connection, table, stamps, self._zone)

    def restamp_run(self, started_utc_s: float, clock: str, unseen_s: float | None) -> None:
        """Say when this run began by what is known now; the first stamp is kept.

        :param unseen_s: time between the run before and this one; None: there is none.
        """
        with self._file.writing() as connection:
            corrections.restamp_run(connection, self._run_id, started_utc_s, clock)
            if unseen_s is not None:
                corrections.relength(connection, self._run_id, unseen_s)
        if self._run is not None:
            self._run = replace(self._run, started_utc_s=started_utc_s, clock=clock)

    def thin(self, now_utc_s: float, start_s: float | None = None) -> bool:
        """Keep within the limit: let go of what matters least, and log it. Whether it had to be.

        :param start_s: now, from the first sample of the run.
        """
        limit_bytes = self._limit_bytes
        if limit_bytes is None:
            return False
        with self._file.reading() as connection:
            is_over = retention.used_bytes(connection) > limit_bytes
            if not is_over:  # what was let go before may not all be given back yet
                retention.give_back(connection, limit_bytes, has_holes=False)
                return False
        with self._file.writing() as connection:
            thinned = retention.thin(connection, limit_bytes, self._run_id)
            text = f"store.keep_mb is reached; let go to make room: {thinned.words or 'nothing'}"
            entry = LogEntry(LogKind.FAULT, now_utc_s, start_s, None, text)
            hash_chain.extend(connection, [], self._put_log(connection, self._run_id, [entry]))
        with self._file.reading() as connection:
            retention.give_back(connection, limit_bytes, has_holes=thinned.has_holes)
        return True

    def check_place(self) -> None:
        """:raises StoreError: the file is not where it was opened, or damaged."""
        self._file.check_place()

    def reopen(self) -> str:
        """Put right what keeps the database from being written, if that can be done from here.

        Where another database is used from now on, the run is begun in it anew.

        :return: what was done, for the log; empty if there was nothing to do.
        :raises StoreError: it cannot be put right now.
        """
        text = self._file.reopen()
        if self._run is not None and not self._has_run(self._run):
            self.begin_run(self._run)
        return text

    def close(self) -> None:
        """Let go of the file, with everything moved into it. Harmless the second time."""
        self._file.close()

    def _put_log(
        self, connection: sqlite3.Connection, run_id: int, log: Sequence[LogEntry]
    ) -> list[int]:
        rows = [log_row(run_id, entry, self._zone) for entry in log]
        return [connection.execute(PUT_LOG, row).lastrowid or 0 for row in rows]

    def _has_run(self, run: RunInfo) -> bool:
        known = (self._run_id, schema.utc_text(run.started_utc_s), run.boot_id)
        sql = "SELECT count(*) FROM run WHERE id = ? AND started_utc = ? AND boot_id = ?"
        with self._file.reading() as connection:
            return bool(connection.execute(sql, known).fetchone()[0])


def _find_zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError) as error:
        raise InputError(f"site.timezone is {name!r}, which is not a known time zone") from error


def _put_days(connection: sqlite3.Connection, run_id: int, days: Sequence[DayStatistics]) -> None:
    """In place: a row that is replaced would change its index as well, a block more on the disk."""
    connection.executemany(
        "INSERT INTO statistics (run_id, day, channel, data) VALUES (?, ?, ?, ?) "
        "ON CONFLICT (run_id, day, channel) DO UPDATE SET data = excluded.data",
        [(run_id, day.day, day.channel, day.data) for day in days],
    )


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
