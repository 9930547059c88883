"""A chain of hashes over closed events and log entries, so that a later edit is found and named.

The monitor adds a link when an event is closed, and when a log entry is written. A link holds the
SHA-256 of the row, that of its trace and waveforms, and that of itself joined to the link before:
changing, removing or inserting a row afterwards no longer fits. An event written again gets
another link; its newest one counts. Waveforms may be let go later to save room: a missing one is
not an edit. Where whole rows had to go, a link of its own says which.

A stamp that was corrected once the time was known better is no edit: the row keeps what it was
first stored with in `as_stored`, and its digest is of that. The correction has a link of its own,
over the columns as they are now; without one, a changed stamp is an edit like any other.

A column that is NULL is left out of the digest: columns added by a later schema change nothing
about old rows, as long as they begin as NULL.

What it cannot do: whoever may write the file may also compute the whole chain anew. Only a head
that was noted elsewhere, such as in a printed report, shows that.
"""

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Sequence

START = "0" * 64
TABLES = ("event", "log")
STAMPS = {
    "event": ("start_utc", "end_utc", "start_local", "clock"),
    "log": ("start_utc", "start_local"),
}
"""The columns that say when something was."""
MAY_CHANGE = {*STAMPS["event"], "started_utc", "duration_s"}
"""What a correction may change: also when a run began, and for how long nothing was seen before."""
CORRECTED = "corrected_"  # before the name of a table: stamps of a row as they were corrected
LET_GO = "let_go_"  # before the name of a table: rows of it that were removed to save room
_JSON = json.JSONEncoder(sort_keys=True, ensure_ascii=False)
Row = dict[str, object]


_NOT_COVERED = f"""
INSERT INTO chain (about, row_id, row_digest, evidence_digest, hash)
    SELECT 'before_event', coalesce(max(id), 0), '', '', '{START}' FROM event;
INSERT INTO chain (about, row_id, row_digest, evidence_digest, hash)
    SELECT 'before_log', coalesce(max(id), 0), '', '', '{START}' FROM log;
"""
SQL = f"""
CREATE TABLE chain (
    id INTEGER PRIMARY KEY,
    about TEXT NOT NULL,                    -- event, log; before_event, before_log: ids not covered
    row_id INTEGER NOT NULL,
    row_digest TEXT NOT NULL,               -- SHA-256 of the row as JSON, NULLs left out
    evidence_digest TEXT NOT NULL,          -- name=SHA-256 of trace and of each waveform
    hash TEXT NOT NULL                      -- of the hash before, and of the columns before
) STRICT;
CREATE INDEX chain_by_row ON chain (about, row_id);{_NOT_COVERED}"""
"""The step of the schema; rows that were there before are said not to be covered."""


def extend(
    connection: sqlite3.Connection, event_ids: Iterable[int], log_ids: Iterable[int]
) -> None:
    """Add links for these rows, inside the transaction that wrote them.

    An event that is the same as in its newest link gets no other one.
    """
    rows = [("event", row_id) for row_id in event_ids] + [("log", row_id) for row_id in log_ids]
    for table, row_id in rows:
        row = _row(connection, table, row_id)
        digests = row_digest(row), evidence_digest(connection, table, row_id)
        if table == "log" or digests != _newest(connection, table, row_id):
            _add(connection, table, row_id, digests)
        _add_corrected(connection, table, row)


def extend_corrected(connection: sqlite3.Connection, table: str, row_ids: Iterable[int]) -> None:
    """Add links for stamps that were corrected, inside the transaction that did it."""
    for row_id in row_ids:
        _add_corrected(connection, table, _row(connection, table, row_id))


def _add_corrected(connection: sqlite3.Connection, table: str, row: Row) -> None:
    digest, about = stamp_digest(row), f"{CORRECTED}{table}"
    row_id = int(str(row["id"]))
    if digest and (digest, "") != _newest(connection, about, row_id):
        _add(connection, about, row_id, (digest, ""))


def _add(connection: sqlite3.Connection, about: str, row_id: int, digests: tuple[str, str]) -> None:
    (head,) = connection.execute("SELECT hash FROM chain ORDER BY id DESC LIMIT 1").fetchone()
    connection.execute(
        "INSERT INTO chain (about, row_id, row_digest, evidence_digest, hash) "
        "VALUES (?, ?, ?, ?, ?)",
        (about, row_id, *digests, link_hash(head, about, row_id, *digests)),
    )


def let_go(connection: sqlite3.Connection, table: str, row_ids: Sequence[int]) -> None:
    """Add a link that says which rows of `event` or `log` were removed to save room."""
    if not row_ids:
        return
    _add(connection, f"{LET_GO}{table}", len(row_ids), (" ".join(_ranges(row_ids)), ""))


def begin_anew(connection: sqlite3.Connection) -> None:
    """Let go of the chain itself: the rows there are now are not covered any more."""
    connection.execute("DELETE FROM chain")
    for statement in _NOT_COVERED.split(";")[:2]:
        connection.execute(statement)


def _ranges(row_ids: Sequence[int]) -> list[str]:
    """`3-7 9-9` for 3, 4, 5, 6, 7 and 9."""
    ends: list[list[int]] = []
    for row_id in sorted(row_ids):
        if ends and row_id == ends[-1][1] + 1:
            ends[-1][1] = row_id
        else:
            ends.append([row_id, row_id])
    return [f"{first}-{last}" for first, last in ends]


def link_hash(before: str, about: str, row_id: int, row: str, evidence: str) -> str:
    """The hash of a link, from the hash of the one before."""
    return hashlib.sha256(f"{before} {about} {row_id} {row} {evidence}".encode()).hexdigest()


def _row(connection: sqlite3.Connection, table: str, row_id: int) -> Row:
    """One row of `event` or `log` by column; empty: there is none."""
    cursor = connection.execute(f"SELECT * FROM {table} WHERE id = ?", (row_id,))
    names = [column[0] for column in cursor.description]
    values = cursor.fetchone()
    return {} if values is None else dict(zip(names, values, strict=True))


def first_stored(row: Row) -> Row:
    """What a correction took the place of, by column; empty where there was none.

    Only what a correction may change: more than that is somebody's edit.
    """
    if row.get("as_stored") is None:
        return {}
    try:
        found = json.loads(str(row["as_stored"] or "{}"))
    except ValueError:  # somebody's edit: what it hides is missed below
        return {}
    if not isinstance(found, dict):
        return {}
    return {name: value for name, value in found.items() if name in MAY_CHANGE}


def row_digest(row: Row) -> str:
    """SHA-256 of one row of `event` or `log` as it was first stored; empty: no row.

    As JSON, keys sorted, NULLs left out.
    """
    if not row:
        return ""
    whole = {**row, **first_stored(row), "as_stored": None}
    return _json_digest({name: value for name, value in whole.items() if value is not None})


def stamp_digest(row: Row) -> str:
    """SHA-256 of the columns that were corrected, as they are now, as JSON; empty: none were."""
    if row.get("as_stored") is None:
        return ""
    return _json_digest({name: row.get(name) for name in first_stored(row)})


def _json_digest(values: Row) -> str:
    return hashlib.sha256(_JSON.encode(values).encode()).hexdigest()


def evidence_digest(connection: sqlite3.Connection, table: str, row_id: int) -> str:
    """`trace=SHA-256 waveform800=SHA-256`: of all that is kept with an event, by first sample."""
    if table != "event":
        return ""
    traces = connection.execute(
        "SELECT 'trace', start_s, urms FROM trace WHERE event_id = ?1", (row_id,)
    )
    waveforms = connection.execute(
        "SELECT 'waveform' || first_index, sample_rate_hz, scale_v, samples FROM waveform "
        "WHERE event_id = ? ORDER BY first_index",
        (row_id,),
    )
    return " ".join(f"{name}={_digest(values)}" for name, *values in [*traces, *waveforms])


def _digest(values: list[object]) -> str:
    whole = hashlib.sha256()
    for value in values:
        whole.update(value if isinstance(value, bytes) else f"{value!r};".encode())
    return whole.hexdigest()


def _newest(connection: sqlite3.Connection, about: str, row_id: int) -> tuple[str, str] | None:
    found = connection.execute(
        "SELECT row_digest, evidence_digest FROM chain WHERE about = ? AND row_id = ? "
        "ORDER BY id DESC LIMIT 1",
        (about, row_id),
    ).fetchone()
    return None if found is None else (found[0], found[1])
