"""A chain of hashes over closed events and log entries, so that a later edit is found and named.

The monitor adds a link when an event is closed, and when a log entry is written. A link holds the
SHA-256 of the row, that of its trace and waveforms, and that of itself joined to the link before:
changing, removing or inserting a row afterwards no longer fits. An event written again gets
another link; its newest one counts. Waveforms may be let go later to save room: a missing one is
not an edit. Where whole rows had to go, a link of its own says which.

A column that is NULL is left out of the digest: columns added by a later schema change nothing
about old rows, as long as they begin as NULL.

What it cannot do: whoever may write the file may also compute the whole chain anew. Only a head
that was noted elsewhere, such as in a printed report, shows that.
"""

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

START = "0" * 64
TABLES = ("event", "log")
LET_GO = "let_go_"  # before the name of a table: rows of it that were removed to save room
Link = tuple[int, str, int, str, str, str]


@dataclass(frozen=True, slots=True)
class ChainReport:
    """What the chain says of the rows as they are now."""

    hashes: tuple[str, ...]  # of every link; the last one is the head
    n_not_covered: int  # rows that are older than the chain
    n_let_go: int  # events that were let go, or a trace or waveform of theirs
    findings: tuple[str, ...]  # what was changed, removed or added

    @property
    def head(self) -> str:
        """The newest hash: noted elsewhere, it fixes everything before it."""
        return self.hashes[-1] if self.hashes else START


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
    (head,) = connection.execute("SELECT hash FROM chain ORDER BY id DESC LIMIT 1").fetchone()
    rows = [("event", row_id) for row_id in event_ids] + [("log", row_id) for row_id in log_ids]
    for about, row_id in rows:
        digests = row_digest(connection, about, row_id), evidence_digest(connection, about, row_id)
        if about == "event" and digests == _newest(connection, row_id):
            continue
        head = link_hash(head, about, row_id, *digests)
        connection.execute(
            "INSERT INTO chain (about, row_id, row_digest, evidence_digest, hash) "
            "VALUES (?, ?, ?, ?, ?)",
            (about, row_id, *digests, head),
        )


def let_go(connection: sqlite3.Connection, table: str, row_ids: Sequence[int]) -> None:
    """Add a link that says which rows of `event` or `log` were removed to save room."""
    if not row_ids:
        return
    about, rows = f"{LET_GO}{table}", " ".join(_ranges(row_ids))
    (head,) = connection.execute("SELECT hash FROM chain ORDER BY id DESC LIMIT 1").fetchone()
    connection.execute(
        "INSERT INTO chain (about, row_id, row_digest, evidence_digest, hash) "
        "VALUES (?, ?, ?, '', ?)",
        (about, len(row_ids), rows, link_hash(head, about, len(row_ids), rows, "")),
    )


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


def row_digest(connection: sqlite3.Connection, table: str, row_id: int) -> str:
    """SHA-256 of one row of `event` or `log`: JSON, keys sorted, NULLs left out; empty: no row."""
    cursor = connection.execute(f"SELECT * FROM {table} WHERE id = ?", (row_id,))
    names = [column[0] for column in cursor.description]
    values = cursor.fetchone()
    if values is None:
        return ""
    row = dict(zip(names, values, strict=True))
    known = {name: value for name, value in row.items() if value is not None}
    text = json.dumps(known, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


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


def verify(connection: sqlite3.Connection) -> ChainReport | None:
    """Hold every row against the chain; None in a database from before there was one."""
    is_there = "SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name = 'chain'"
    if not connection.execute(is_there).fetchone()[0]:
        return None
    links = connection.execute(
        "SELECT id, about, row_id, row_digest, evidence_digest, hash FROM chain ORDER BY id"
    ).fetchall()
    before = {about: row_id for _, about, row_id, *_ in links if about.startswith("before_")}
    links = [link for link in links if not link[1].startswith("before_")]
    newest = {(link[1], link[2]): (link[3], link[4]) for link in links if link[1] in TABLES}
    gone = _rows_let_go(links, max((row_id for _, row_id in newest), default=0))
    findings = _broken(links)
    n_let_go = 0
    for (about, row_id), digests in newest.items():
        if (about, row_id) in gone:
            n_let_go += about == "event"
            continue
        found, is_let_go = _compared(connection, about, row_id, digests)
        findings += found
        n_let_go += is_let_go
    findings += _without_link(connection, newest, before)
    return ChainReport(
        hashes=tuple(link[5] for link in links),
        n_not_covered=_count_not_covered(connection, before),
        n_let_go=n_let_go,
        findings=tuple(findings),
    )


def _rows_let_go(links: Sequence[Link], last_id: int) -> set[tuple[str, int]]:
    """Every row that a link says was removed; whoever edited a link cannot make it endless."""
    gone = set()
    for _, about, _, ranges, _, _ in links:
        if about.startswith(LET_GO):
            for text in ranges.split():
                first, _, last = text.partition("-")
                if first.isdecimal() and last.isdecimal():
                    rows = range(int(first), min(int(last), last_id) + 1)
                    gone |= {(about.removeprefix(LET_GO), row_id) for row_id in rows}
    return gone


def _broken(links: Sequence[Link]) -> list[str]:
    head = START
    for number, about, row_id, row, evidence, found in links:
        head = link_hash(head, about, row_id, row, evidence)
        if head != found:
            return [f"the chain itself was changed at link {number} ({_name(about, row_id)})"]
    return []


def _compared(
    connection: sqlite3.Connection, about: str, row_id: int, digests: tuple[str, str]
) -> tuple[list[str], bool]:
    """What no longer fits of one row, and whether evidence of it was let go."""
    name, row = _name(about, row_id), row_digest(connection, about, row_id)
    if not row:
        return [f"{name} was removed"], False
    then = digests[1].split()
    now = evidence_digest(connection, about, row_id).split()
    found = [] if row == digests[0] else [f"{name} was changed"]
    if set(now) - set(then):
        found.append(f"the trace or waveform of {name} was changed")
    return found, len(now) < len(then)


def _without_link(
    connection: sqlite3.Connection,
    newest: Mapping[tuple[str, int], object],
    before: Mapping[str, int],
) -> list[str]:
    closed = "SELECT id FROM event WHERE duration_s IS NOT NULL AND id > ? ORDER BY id"
    logged = "SELECT id FROM log WHERE id > ? ORDER BY id"
    found = []
    for about, sql in (("event", closed), ("log", logged)):
        for (row_id,) in connection.execute(sql, (before.get(f"before_{about}", 0),)):
            if (about, row_id) not in newest:
                found.append(f"{_name(about, row_id)} was added, or closed, by something else")
    return found


def _count_not_covered(connection: sqlite3.Connection, before: Mapping[str, int]) -> int:
    return sum(
        connection.execute(
            f"SELECT count(*) FROM {table} WHERE id <= ?", (before.get(f"before_{table}", 0),)
        ).fetchone()[0]
        for table in TABLES
    )


def _name(about: str, row_id: int) -> str:
    return f"event {row_id}" if about == "event" else f"log entry {row_id}"


def _newest(connection: sqlite3.Connection, event_id: int) -> tuple[str, str] | None:
    found = connection.execute(
        "SELECT row_digest, evidence_digest FROM chain WHERE about = 'event' AND row_id = ? "
        "ORDER BY id DESC LIMIT 1",
        (event_id,),
    ).fetchone()
    return None if found is None else (found[0], found[1])
