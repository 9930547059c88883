"""Keeps the database within `store.keep_mb`: what matters least goes first.

Waveforms of the least serious events, then traces, then events found `within`, the oldest first.
Only where that is not enough follow the chain of hashes, the more serious events, and the log.
"""

import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from daemon import hash_chain
from daemon.records import Verdict

THIN_TO = 0.95  # of the limit: thinning is seldom, and never takes much at once
AT_ONCE_BYTES = 4_000_000  # let go in one transaction: measuring waits for it, and the log grows
ROWS = 500  # taken at a time
VACUUM_BYTES = 64_000_000  # rows removed here and there free pages only in a file written anew
_LINK_BYTES = 350  # of the chain, with its index
_SERIOUS = (Verdict.BEYOND_LIMIT, Verdict.MAY_STOP, Verdict.MAY_DAMAGE)
_RANK = (
    "CASE verdict WHEN 'within' THEN 0 "
    + " ".join(f"WHEN '{verdict.value}' THEN {n}" for n, verdict in enumerate(_SERIOUS, start=2))
    + " ELSE 1 END"
)
_OTHERS = ("verdict IS NULL", *(f"verdict = '{verdict.value}'" for verdict in _SERIOUS))
_OVER = "(duration_s IS NOT NULL OR run_id != :run_id)"


@dataclass(frozen=True, slots=True)
class _Step:
    """One way to make room: let go of a bit more, and say how much; 0 when there is no more."""

    words: str
    take: Callable[[sqlite3.Connection, int, int], int]  # connection, run id, bytes wanted
    row_bytes: int = 0  # what one of them frees once the file is written anew


@dataclass(frozen=True, slots=True)
class Thinned:
    """What was let go."""

    words: str  # empty: nothing
    has_holes: bool  # rows were removed from between others


def used_bytes(connection: sqlite3.Connection) -> int:
    """What the database takes, without pages that are free to be used again."""
    (free,) = connection.execute("PRAGMA freelist_count").fetchone()
    return _file_bytes(connection) - int(free) * _page_bytes(connection)


def thin(connection: sqlite3.Connection, limit_bytes: int, run_id: int) -> Thinned:
    """Make room inside a transaction; `give_back` has to follow it.

    Where much is to go, as when the limit was made smaller, it is a part of it each time.

    :param run_id: the run that goes on; its open events are left alone.
    """
    target = max(int(limit_bytes * THIN_TO), used_bytes(connection) - AT_ONCE_BYTES)
    is_small = _file_bytes(connection) <= VACUUM_BYTES
    said, freed_later = [], 0
    for step in _STEPS:
        total = 0
        while (wanted := used_bytes(connection) - freed_later - target) > 0:
            count = step.take(connection, run_id, wanted)
            if not count:
                break
            total += count
            freed_later += count * step.row_bytes if is_small else 0
        said += [step.words.format(total)] if total else []
    return Thinned(", ".join(said), freed_later > 0)


def give_back(connection: sqlite3.Connection, limit_bytes: int, *, has_holes: bool) -> None:
    """Shorten a file that is larger than the limit; outside of a transaction."""
    if has_holes:
        connection.execute("VACUUM")
    n_over = (_file_bytes(connection) - limit_bytes) // _page_bytes(connection) + 1
    n_over = min(n_over, 2 * AT_ONCE_BYTES // _page_bytes(connection))
    if n_over > 0:
        # not `execute`: it would stop after the first page, as no row comes back
        connection.executescript(f"PRAGMA incremental_vacuum({n_over})")
        # the file itself becomes shorter only when the log is moved into it
        connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()


def _file_bytes(connection: sqlite3.Connection) -> int:
    (pages,) = connection.execute("PRAGMA page_count").fetchone()
    return int(pages) * _page_bytes(connection)


def _page_bytes(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA page_size").fetchone()[0])


def _evidence(table: str, size: str) -> Callable[[sqlite3.Connection, int, int], int]:
    """Takes the rows of one table, of so many events that it should be enough."""

    def take(connection: sqlite3.Connection, run_id: int, wanted: int) -> int:
        rows = connection.execute(
            f"SELECT event_id, sum({size}) FROM {table} JOIN event ON event.id = event_id "
            f"WHERE {_OVER} GROUP BY event_id ORDER BY {_RANK}, start_utc, event_id",
            {"run_id": run_id},
        )
        chosen = []
        for event_id, n_bytes in rows:
            if wanted <= 0:
                break
            wanted -= n_bytes
            chosen.append(event_id)
        _delete(connection, table, "event_id", chosen)
        return len(chosen)

    return take


def _events(*conditions: str) -> Callable[[sqlite3.Connection, int, int], int]:
    """Takes whole events, those of the first condition first; the chain says which.

    One condition is asked at a time: by time alone the index finds the oldest at once, by rank all
    events would be sorted for each few rows.
    """

    def take(connection: sqlite3.Connection, run_id: int, wanted: int) -> int:
        values, chosen = {"run_id": run_id, "n_rows": _n_rows(wanted, 500)}, []
        for condition in conditions:
            rows = connection.execute(
                f"SELECT id FROM event WHERE {condition} AND {_OVER} AND {_not_newest('event')} "
                "ORDER BY start_utc, id LIMIT :n_rows",
                values,
            )
            chosen = [row_id for (row_id,) in rows]
            if chosen:
                break
        _delete(connection, "event", "id", chosen)
        hash_chain.let_go(connection, "event", chosen)
        return len(chosen)

    return take


def _chain(connection: sqlite3.Connection, run_id: int, wanted: int) -> int:
    """Begins the chain anew where that brings a good part of what is wanted."""
    (n_links,) = connection.execute("SELECT count(*) FROM chain").fetchone()
    if n_links * _LINK_BYTES < max(wanted // 4, 100 * _LINK_BYTES):
        return 0
    hash_chain.begin_anew(connection)
    return int(n_links)


def _log(connection: sqlite3.Connection, run_id: int, wanted: int) -> int:
    rows = connection.execute(
        f"SELECT id FROM log WHERE {_not_newest('log')} ORDER BY start_utc, id LIMIT ?",
        (_n_rows(wanted, 250),),
    )
    chosen = [row_id for (row_id,) in rows]
    _delete(connection, "log", "id", chosen)
    hash_chain.let_go(connection, "log", chosen)
    return len(chosen)


def _n_rows(wanted: int, row_bytes: int) -> int:
    return min(max(wanted // row_bytes, 1), ROWS)


def _not_newest(table: str) -> str:
    """Removing the row with the largest id would let its id be given again."""
    return f"id < (SELECT max(id) FROM {table})"


def _delete(connection: sqlite3.Connection, table: str, key: str, ids: Sequence[int]) -> None:
    connection.executemany(f"DELETE FROM {table} WHERE {key} = ?", [(row_id,) for row_id in ids])


_STEPS = (
    _Step("waveforms of {} events", _evidence("waveform", "length(samples)")),
    _Step("traces of {} events", _evidence("trace", "length(trace.start_s) + length(urms)")),
    _Step("{} events found within", _events("verdict = 'within'"), 500),
    _Step("the chain of hashes ({} links), begun anew", _chain),
    _Step("{} other events", _events(*_OTHERS), 500),
    _Step("{} log entries", _log, 250),
)
