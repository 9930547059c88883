"""Stamps of rows that are stored, given anew once the time is known better.

A row keeps what it was first stored with in `as_stored`, as JSON by column. The chain of hashes
goes on covering that; the correction has a link of its own.
"""

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from daemon import hash_chain, schema

NOTED_S = 0.05  # a smaller change of a stamp, of which nothing else changes, is left alone


@dataclass(frozen=True, slots=True)
class StampedRow:
    """A row that has its place in the run."""

    id: int
    start_s: float  # from the first sample of the run


@dataclass(frozen=True, slots=True)
class NewStamp:
    """When that was, by what is known now."""

    id: int
    utc_s: float
    clock: str  # how far it can be trusted; only events keep that


def stamped_rows(
    connection: sqlite3.Connection, table: str, run_id: int, after_id: int, limit: int
) -> list[StampedRow]:
    """The next rows of `event` or `log` of one run that may need other stamps, by id."""
    rows = connection.execute(
        f"SELECT id, start_s FROM {table} WHERE run_id = ? AND id > ? AND start_s IS NOT NULL "
        "ORDER BY id LIMIT ?",
        (run_id, after_id, limit),
    )
    return [StampedRow(*row) for row in rows]


def restamp(
    connection: sqlite3.Connection, table: str, stamps: Sequence[NewStamp], zone: tzinfo
) -> int:
    """Give rows other stamps, inside a transaction; how many changed."""
    columns = hash_chain.STAMPS[table]
    changed = []
    for stamp in stamps:
        listed = ", ".join(columns)
        old = connection.execute(
            f"SELECT {listed}, duration_s, as_stored FROM {table} WHERE id = ?", (stamp.id,)
        ).fetchone()
        if old is None:
            continue
        *values, duration_s, as_stored = old
        before = dict(zip(columns, values, strict=True))
        after = _columns(table, stamp, duration_s, zone)
        if _is_same(before, after):
            continue
        _put(connection, table, stamp.id, after, as_stored or json.dumps(before))
        changed.append(stamp.id)
    hash_chain.extend_corrected(connection, table, changed)
    return len(changed)


def restamp_run(
    connection: sqlite3.Connection, run_id: int, started_utc_s: float, clock: str
) -> None:
    """Say when a run began, by what is known now."""
    before = connection.execute(
        "SELECT started_utc, clock, as_stored FROM run WHERE id = ?", (run_id,)
    ).fetchone()
    started = schema.utc_text(started_utc_s)
    if before is None or before[:2] == (started, clock):
        return
    first = before[2] or json.dumps({"started_utc": before[0], "clock": before[1]})
    connection.execute(
        "UPDATE run SET started_utc = ?, clock = ?, as_stored = ? WHERE id = ?",
        (started, clock, first, run_id),
    )


def relength(connection: sqlite3.Connection, run_id: int, duration_s: float) -> None:
    """Correct how long nothing was seen before a run: of the entry without a place in the run."""
    row = connection.execute(
        "SELECT id, duration_s, as_stored FROM log WHERE run_id = ? AND kind = 'unobserved' "
        "AND start_s IS NULL AND duration_s IS NOT NULL ORDER BY id LIMIT 1",
        (run_id,),
    ).fetchone()
    if row is None:
        return
    first = row[2] or json.dumps({"duration_s": row[1]})
    _put(connection, "log", row[0], {"duration_s": max(duration_s, 0.0)}, first)
    hash_chain.extend_corrected(connection, "log", [row[0]])


def rename_days(connection: sqlite3.Connection, run_id: int, names: Mapping[str, str]) -> None:
    """Give statistics other dates; by way of names that are no dates, as they may change places."""
    for step in (
        ((old, f"was {old}") for old in names),
        ((f"was {old}", names[old]) for old in names),
    ):
        connection.executemany(
            "UPDATE statistics SET day = ? WHERE run_id = ? AND day = ?",
            [(new, run_id, old) for old, new in step],
        )


def _columns(
    table: str, stamp: NewStamp, duration_s: float | None, zone: tzinfo
) -> dict[str, object]:
    found: dict[str, object] = {
        "start_utc": schema.utc_text(stamp.utc_s),
        "start_local": schema.local_text(stamp.utc_s, zone),
    }
    if table == "event":
        end_utc = None if duration_s is None else schema.utc_text(stamp.utc_s + duration_s)
        found |= {"end_utc": end_utc, "clock": stamp.clock}
    return found


def _is_same(before: dict[str, object], after: dict[str, object]) -> bool:
    old_s, new_s = (schema.utc_seconds(str(one["start_utc"])) for one in (before, after))
    return abs(new_s - old_s) <= NOTED_S and before.get("clock") == after.get("clock")


def _put(
    connection: sqlite3.Connection, table: str, row_id: int, new: dict[str, object], first: str
) -> None:
    columns = ", ".join(f"{name} = ?" for name in new)
    connection.execute(
        f"UPDATE {table} SET {columns}, as_stored = ? WHERE id = ?",
        (*new.values(), first, row_id),
    )
