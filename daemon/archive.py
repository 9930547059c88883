"""Reading the database: for the command line, the page, and copies that came from elsewhere.

Every question opens the file, reads, and closes it, so that no reader ever holds up the writer,
and any thread may ask. Nothing here writes, not even the small files SQLite keeps beside a database
that is in use.
"""

import os
import sqlite3
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TypeVar

from daemon import schema
from daemon.archive_rows import (
    JSON_KEYS,
    DipRow,
    EventRow,
    FirstTimes,
    LogRow,
    OddRowError,
    RunRow,
    SettingsText,
    StatisticsRow,
    dip_of,
    event_of,
    log_of,
    run_of,
    settings_of,
    statistics_of,
)
from daemon.chain_begin import uncovered_words
from daemon.chain_check import ChainReport, verify
from daemon.errors import InputError, StoreError
from daemon.records import (
    Kind,
    LogKind,
    Trace,
    Verdict,
    Waveform,
)

__all__ = [
    "IS_SERIOUS",
    "JSON_KEYS",
    "SERIOUS",
    "Archive",
    "DipRow",
    "EventFilter",
    "EventRow",
    "FirstTimes",
    "LogRow",
    "RunRow",
    "SettingsText",
    "StatisticsRow",
    "open_archive",
]

SERIOUS = (Verdict.MAY_STOP, Verdict.MAY_DAMAGE, Verdict.BEYOND_LIMIT)
BUSY_TIMEOUT_S = 5.0
IS_SERIOUS = "verdict IN ('may_stop', 'may_damage', 'beyond_limit')"  # as the index has it
_DIP_COLUMNS = ", ".join(f'"{field.name}"' for field in fields(DipRow))
_COUNTS = "event_count"
_NOT_COUNTED = """(SELECT substr(start_local, 1, 13) AS hour, kind,
    coalesce(verdict, '') AS verdict, 1 AS n_events FROM event)"""  # of an older schema
AT_ONCE = 2000  # rows of a long list that are in memory
_NO_UTF8 = "decode to UTF-8"  # so sqlite3 says; the text itself follows, whatever it is
MAKES_NO_SENSE = (ValueError, TypeError, LookupError, AttributeError, OverflowError,
                  RecursionError, zlib.error)  # fmt: skip
"""What reading a row may come to that was damaged, or that no monitor wrote."""
_STRAYS = """
WITH RECURSIVE held (id) AS (
    SELECT min(run_id) FROM event
    UNION ALL SELECT (SELECT min(run_id) FROM event WHERE run_id > held.id) FROM held
    WHERE held.id IS NOT NULL)
SELECT 'events of run ' || id FROM held
    WHERE id IS NOT NULL AND id NOT IN (SELECT id FROM run)
UNION ALL SELECT 'the settings of run ' || id FROM run
    WHERE settings_id NOT IN (SELECT id FROM settings)
LIMIT 1"""  # goes from run to run by an index: a million events take no time
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class EventFilter:
    """Which events: those that began at or after `since_utc_s` and before `until_utc_s`."""

    kind: Kind | None = None
    since_utc_s: float | None = None
    until_utc_s: float | None = None
    serious_only: bool = False
    newest_first: bool = True
    limit: int | None = None
    offset: int = 0


class Archive:
    """A database to be read. A question raises `StoreError` when the file fails meanwhile."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._wal = path.with_name(path.name + "-wal")

    def events(self, wanted: EventFilter) -> list[EventRow]:
        """The events that pass the filter, in the order of their starts."""
        where, values = _conditions(wanted)
        order = "DESC" if wanted.newest_first else "ASC"
        sql = (
            f"SELECT * FROM event WHERE {where} ORDER BY start_utc {order}, id {order} "
            "LIMIT ? OFFSET ?"
        )
        limit = -1 if wanted.limit is None else wanted.limit
        return self._read_each(event_of, sql, (*values, limit, wanted.offset))

    def each(self, wanted: EventFilter) -> Iterator[EventRow]:
        """Like `events`, for any number of them: a few are read at a time. No limit, no offset."""
        where, values = _conditions(wanted)
        return self._each_of(event_of, f"SELECT * FROM event WHERE {where}", values, wanted)

    def each_dip(self) -> Iterator[DipRow]:
        """Every dip and interruption, the oldest first, for counting: a few are read at a time."""
        # + keeps SQLite from the index of kinds: by it, each page would be sorted from all
        sql = f"SELECT {_DIP_COLUMNS} FROM event WHERE +kind IN ('dip', 'interruption')"
        return self._each_of(dip_of, sql, [], EventFilter(newest_first=False))

    def _each_of(
        self,
        of_row: Callable[[sqlite3.Row], T],
        sql: str,
        values: Sequence[object],
        wanted: EventFilter,
    ) -> Iterator[T]:
        order, beyond = ("DESC", "<") if wanted.newest_first else ("ASC", ">")
        after: tuple[object, ...] = ()
        while True:
            place = f"AND (start_utc, id) {beyond} (?, ?)" if after else ""
            rows = self._read(
                f"{sql} {place} ORDER BY start_utc {order}, id {order} LIMIT {AT_ONCE}",
                (*values, *after),
            )
            yield from self._each(of_row, rows)
            if len(rows) < AT_ONCE:
                return
            after = rows[-1]["start_utc"], rows[-1]["id"]

    def unfinished(self) -> list[EventRow]:
        """The events of which not both ends were seen, or not yet, the oldest first."""
        rows = self._read(
            "SELECT * FROM event WHERE complete = 0 OR duration_s IS NULL ORDER BY start_utc, id"
        )
        return self._each(event_of, rows)

    def count(self, wanted: EventFilter) -> int:
        """How many events pass the filter, whatever its limit and offset."""
        return sum(self.verdict_counts(wanted).values())

    def verdict_counts(self, wanted: EventFilter) -> dict[Verdict | None, int]:
        """How many events of each verdict pass the filter, whatever its limit and offset."""
        where, values = _conditions(wanted)
        if wanted.since_utc_s is None and wanted.until_utc_s is None:
            sql = f"SELECT verdict, sum(n_events) FROM {_COUNTS} WHERE {where} GROUP BY verdict"
            rows = self._read_counts(sql, values)
        else:
            sql = f"SELECT verdict, count(*) FROM event WHERE {where} GROUP BY verdict"
            rows = self._read(sql, values)
        with self._making_sense():
            return {Verdict(verdict) if verdict else None: n for verdict, n in rows if n}

    def event(self, event_id: int) -> EventRow:
        """One event.

        :raises InputError: there is none with this id; the message says which there are.
        """
        known_ids = range(1, 2**63)  # more does not fit into a question to SQLite
        rows = []
        if event_id in known_ids:
            rows = self._read("SELECT * FROM event WHERE id = ?", (event_id,))
        if rows:
            return self._each(event_of, rows)[0]
        first, last = self._read("SELECT min(id), max(id) FROM event")[0]
        known = "it holds no events" if first is None else f"its events are {first} to {last}"
        raise InputError(f"{self._path} has no event {event_id}: {known}")

    def group(self, run_id: int, group: int) -> list[EventRow]:
        """The events of one run that happened together, on all channels."""
        rows = self._read(
            'SELECT * FROM event WHERE run_id = ? AND "group" = ? ORDER BY start_utc, id',
            (run_id, group),
        )
        return self._each(event_of, rows)

    def trace(self, event_id: int) -> Trace | None:
        """`urms_half` around an event, where it was kept."""
        rows = self._read("SELECT start_s, urms FROM trace WHERE event_id = ?", (event_id,))
        found = self._each(lambda row: schema.unpack_trace(*row), rows)
        return found[0] if found else None

    def waveforms(self, event_id: int) -> list[Waveform]:
        """The samples kept around an event, in the order of time."""
        rows = self._read(
            "SELECT first_index, sample_rate_hz, scale_v, samples FROM waveform "
            "WHERE event_id = ? ORDER BY part",
            (event_id,),
        )
        return self._each(lambda row: schema.unpack_waveform(*row), rows)

    def log(
        self, kind: LogKind | None = None, newest_first: bool = True, limit: int | None = None
    ) -> list[LogRow]:
        """What happened besides events."""
        order = "DESC" if newest_first else "ASC"
        sql = (
            f"SELECT * FROM log WHERE ?1 IS NULL OR kind = ?1 "
            f"ORDER BY start_utc {order}, id {order} LIMIT ?2"
        )
        values = None if kind is None else kind.value, -1 if limit is None else limit
        return self._read_each(log_of, sql, values)

    def runs(self) -> list[RunRow]:
        """Every run, the first one first."""
        return self._each(run_of, self._read("SELECT * FROM run ORDER BY id"))

    def statistics(self) -> list[StatisticsRow]:
        """The statistics of every run, day and channel; none in a database of an older schema."""
        if not self._read("SELECT 1 FROM sqlite_schema WHERE name = 'statistics'"):
            return []
        rows = self._read("SELECT run_id, day, channel, data FROM statistics ORDER BY 1, 2, 3")
        return self._each(statistics_of, rows)

    def settings(self, settings_id: int) -> SettingsText:
        """What a run was started with, by its `settings_id`."""
        rows = self._read("SELECT * FROM settings WHERE id = ?", (settings_id,))
        if not rows:
            raise InputError(f"{self._path} has no settings {settings_id}")
        return self._each(settings_of, rows)[0]

    def chain(self) -> ChainReport | None:
        """Every closed event and log entry held against the chain of hashes; None without one."""
        with self._making_sense():
            return self._asked(verify)

    def uncovered_words(self) -> str:
        """How much the chain of hashes cannot speak for, as a clause; empty: nothing."""
        with self._making_sense():
            return self._asked(uncovered_words)

    def faults_of_file(self) -> list[str]:
        """What SQLite finds wrong with the file; empty when it is sound."""
        whole = [str(row[0]) for row in self._read("PRAGMA integrity_check")]
        return [text for text in whole if text != "ok"]

    def loose_rows(self) -> list[str]:
        """Rows whose own row was removed: in a sound file, by somebody's edit."""
        return [
            f"row {row['rowid']} of {row['table']} belongs to a row of {row['parent']} that is gone"
            for row in self._read("PRAGMA foreign_key_check")
        ]

    def check_references(self) -> None:
        """:raises StoreError: events of a run, or settings, that are not there."""
        for (what,) in self._read(_STRAYS):
            raise StoreError(f"{self._path} was edited, or is damaged: {what} are there without it")

    def _each(self, of_row: Callable[[sqlite3.Row], T], rows: Sequence[sqlite3.Row]) -> list[T]:
        with self._making_sense():
            return [of_row(row) for row in rows]

    @contextmanager
    def _making_sense(self) -> Iterator[None]:
        try:
            yield
        except StoreError:
            raise
        except MAKES_NO_SENSE as error:
            is_ours = isinstance(error, OddRowError)
            what = str(error) if is_ours else "a value is of another kind than it writes"
            raise StoreError(
                f"{self._path} was edited or is damaged: it holds a row that no monitor writes "
                f"({what})"
            ) from error

    def _read_each(
        self, of_row: Callable[[sqlite3.Row], T], sql: str, values: Sequence[object]
    ) -> list[T]:
        """Each row is made into a record as it is read: a long list is never held twice."""

        def ask(connection: sqlite3.Connection) -> list[T]:
            connection.row_factory = sqlite3.Row
            with closing(connection.execute(sql, values)) as rows:
                return [of_row(row) for row in rows]

        with self._making_sense():
            return self._asked(ask)

    def _read(self, sql: str, values: Sequence[object] = ()) -> list[sqlite3.Row]:
        def ask(connection: sqlite3.Connection) -> list[sqlite3.Row]:
            connection.row_factory = sqlite3.Row
            with closing(connection.execute(sql, values)) as rows:
                return rows.fetchall()

        return self._asked(ask)

    def _read_counts(self, sql: str, values: Sequence[object] = ()) -> list[sqlite3.Row]:
        """Ask the table of counts; a database of an older schema has its events counted."""
        if not self._read("SELECT 1 FROM sqlite_schema WHERE name = ?", (_COUNTS,)):
            sql = sql.replace(f"FROM {_COUNTS}", f"FROM {_NOT_COUNTED}")
        return self._read(sql, values)

    def _asked(self, question: Callable[[sqlite3.Connection], T]) -> T:
        if not self._wal.exists():
            # nobody writes: read the bare file, which also works on read-only media
            found = self._ask("mode=ro&immutable=1", question)
            if not self._wal.exists():
                return found
        return self._ask("mode=ro", question)

    def _ask(self, mode: str, question: Callable[[sqlite3.Connection], T]) -> T:
        uri = f"{self._path.as_uri()}?{mode}"
        try:
            with closing(sqlite3.connect(uri, uri=True, timeout=BUSY_TIMEOUT_S)) as connection:
                return question(connection)
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            is_no_text = isinstance(error, UnicodeDecodeError) or _NO_UTF8 in str(error)
            what = "a text in it is no UTF-8" if is_no_text else str(error)
            raise StoreError(f"{self._path} cannot be read: {what}{self._advice()}") from error

    def _advice(self) -> str:
        if not self._wal.exists():
            return ""
        return (
            f" (its newest entries are still in {self._wal.name}; if this is a copy or "
            "read-only, put both files in a folder you may write to)"
        )


def open_archive(path: Path) -> Archive:
    """The database at `path`, to be read.

    :raises InputError: missing, not a database, not ours, or newer than this program.
    :raises StoreError: ours, and damaged or out of reach.
    """
    path = Path(os.path.realpath(path))  # the write-ahead log lies beside the file itself
    schema.check_file(path)
    archive = Archive(path)
    archive.events(EventFilter(limit=1))  # a damaged file shows itself here
    archive.check_references()
    return archive


def _conditions(wanted: EventFilter) -> tuple[str, list[object]]:
    parts: list[str] = ["TRUE"]
    values: list[object] = []
    if wanted.kind is not None:
        parts.append("kind = ?")
        values.append(wanted.kind.value)
    if wanted.since_utc_s is not None:
        parts.append("start_utc >= ?")
        values.append(schema.utc_text(wanted.since_utc_s))
    if wanted.until_utc_s is not None:
        parts.append("start_utc < ?")
        values.append(schema.utc_text(wanted.until_utc_s))
    if wanted.serious_only:
        parts.append(IS_SERIOUS)
    return " AND ".join(parts), values
