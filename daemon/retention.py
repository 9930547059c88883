"""Keeps the database within `store.keep_mb`: what matters least goes first.

Waveforms of the least serious events, then traces, then events found `within`, the oldest first.
Only where that is not enough follow the chain of hashes, more serious events and the log.
"""

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from daemon import hash_chain
from daemon.records import Verdict

THIN_TO = 0.95  # of the limit: thinning is seldom, and never takes much at once
ROWS = 500  # taken at a time
_LINK_BYTES = 350  # of the chain, with its index
_SERIOUS = (Verdict.BEYOND_LIMIT, Verdict.MAY_STOP, Verdict.MAY_DAMAGE)
_RANK = (
    "CASE verdict WHEN 'within' THEN 0 "
    + " ".join(f"WHEN '{verdict.value}' THEN {n}" for n, verdict in enumerate(_SERIOUS, start=2))
    + " ELSE 1 END"
)
_OVER = "(duration_s IS NOT NULL OR run_id != :run_id)"


@dataclass(frozen=True, slots=True)
class _Step:
    """One way to make room: let go of a bit more, and say how much; 0 when there is no more."""

    words: str
    take: Callable[[sqlite3.Connection, int, int], int]  # connection, run id, bytes wanted


def used_bytes(connection: sqlite3.Connection) -> int:
    """What the database takes, without pages that are free to be used again."""
    pages, free, size = (
        int(connection.execute(f"PRAGMA {name}").fetchone()[0])
        for name in ("page_count", "freelist_count", "page_size")
    )
    return (pages - free) * size


def thin(connection: sqlite3.Connection, limit_bytes: int, run_id: int) -> str:
    """Make room inside a transaction; what was let go, in words, empty if nothing could be.

    :param run_id: the run that goes on; its open events are left alone.
    """
    target = int(limit_bytes * THIN_TO)
    said = []
    for step in _STEPS:
        count = sum(_take(connection, step, target, run_id))
        said += [step.words.format(count)] if count else []
    return ", ".join(said)


def give_back(connection: sqlite3.Connection, limit_bytes: int) -> None:
    """Shorten a file that is larger than the limit; outside of a transaction."""
    pages, size = (
        int(connection.execute(f"PRAGMA {name}").fetchone()[0])
        for name in ("page_count", "page_size")
    )
    n_over = pages - limit_bytes // size
    if n_over > 0:
        connection.execute(f"PRAGMA incremental_vacuum({n_over})").fetchall()


def _take(connection: sqlite3.Connection, step: _Step, target: int, run_id: int) -> Iterator[int]:
    while (wanted := used_bytes(connection) - target) > 0:
        count = step.take(connection, run_id, wanted)
        if not count:
            return
        yield count


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


def _events(condition: str) -> Callable[[sqlite3.Connection, int, int], int]:
    """Takes whole events; the chain says which."""

    def take(connection: sqlite3.Connection, run_id: int, wanted: int) -> int:
        rows = connection.execute(
            f"SELECT id FROM event WHERE {condition} AND {_OVER} AND {_not_newest('event')} "
            f"ORDER BY {_RANK}, start_utc, id LIMIT {ROWS}",
            {"run_id": run_id},
        )
        chosen = [row_id for (row_id,) in rows]
        _delete(connection, "event", "id", chosen)
        hash_chain.let_go(connection, "event", chosen)
        return len(chosen)

    return take


def _chain(connection: sqlite3.Connection, run_id: int, wanted: int) -> int:
    """Begins the chain anew where it takes a good part of what has to go."""
    (n_links,) = connection.execute("SELECT count(*) FROM chain").fetchone()
    if n_links * _LINK_BYTES < max(wanted, 100 * _LINK_BYTES):
        return 0
    hash_chain.begin_anew(connection)
    return int(n_links)


def _log(connection: sqlite3.Connection, run_id: int, wanted: int) -> int:
    rows = connection.execute(
        f"SELECT id FROM log WHERE {_not_newest('log')} ORDER BY start_utc, id LIMIT {ROWS}"
    )
    chosen = [row_id for (row_id,) in rows]
    _delete(connection, "log", "id", chosen)
    hash_chain.let_go(connection, "log", chosen)
    return len(chosen)


def _not_newest(table: str) -> str:
    """Removing the row with the largest id would let its id be given again."""
    return f"id < (SELECT max(id) FROM {table})"


def _delete(connection: sqlite3.Connection, table: str, key: str, ids: Sequence[int]) -> None:
    connection.executemany(f"DELETE FROM {table} WHERE {key} = ?", [(row_id,) for row_id in ids])


_STEPS = (
    _Step("waveforms of {} events", _evidence("waveform", "length(samples)")),
    _Step("traces of {} events", _evidence("trace", "length(start_s) + length(urms)")),
    _Step("{} events found within", _events("verdict = 'within'")),
    _Step("the chain of hashes ({} links), begun anew", _chain),
    _Step("{} other events", _events("1")),
    _Step("{} log entries", _log),
)
