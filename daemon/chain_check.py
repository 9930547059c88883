"""Every row held against the chain of hashes (`daemon.hash_chain`): what was edited is named."""

import math
import sqlite3
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from operator import itemgetter
from typing import overload

from daemon.chain_begin import HAS_NO_LINK, count_uncovered, edits_of_chain, has_chain, markers
from daemon.hash_chain import (
    CORRECTED,
    LET_GO,
    START,
    TABLES,
    Row,
    evidence_digest,
    link_hash,
    row_digest,
    stamp_digest,
)

_HASH_BYTES = 32
_LONGEST_ID = 19  # digits
_HAS_EVIDENCE = {
    "event": "EXISTS (SELECT 1 FROM trace WHERE event_id = event.id) "
    "OR EXISTS (SELECT 1 FROM waveform WHERE event_id = event.id)",
    "log": "0",
}


@dataclass(frozen=True, slots=True)
class ChainReport:
    """What the chain says of the rows as they are now."""

    hashes: Sequence[str]  # of every link; the last one is the head
    n_not_covered: int  # rows that are older than the chain
    n_let_go: int  # events that were let go, or a trace or waveform of theirs
    n_corrected: int  # rows whose stamps were corrected; the first ones are kept
    findings: tuple[str, ...]  # what was changed, removed or added
    is_missing: bool = False  # it was removed

    @property
    def head(self) -> str:
        """The newest hash: noted elsewhere, it fixes everything before it; empty: no chain."""
        if self.is_missing:
            return ""
        return self.hashes[-1] if self.hashes else START


class Hashes(Sequence[str]):
    """The hashes of very many links, each in 32 bytes, handed out as text."""

    def __init__(self) -> None:
        self._packed = bytearray()

    def add(self, hash_text: str) -> None:
        """Take one more; what somebody put in its place that is none becomes zeros."""
        try:
            raw = bytes.fromhex(hash_text)
        except ValueError:
            raw = b""
        self._packed += raw if len(raw) == _HASH_BYTES else bytes(_HASH_BYTES)

    def __len__(self) -> int:
        return len(self._packed) // _HASH_BYTES

    @overload
    def __getitem__(self, place: int) -> str: ...
    @overload
    def __getitem__(self, place: slice) -> list[str]: ...
    def __getitem__(self, place: int | slice) -> str | list[str]:
        if isinstance(place, slice):
            return [self[number] for number in range(*place.indices(len(self)))]
        number = range(len(self))[place]
        return self._packed[number * _HASH_BYTES : (number + 1) * _HASH_BYTES].hex()


@dataclass(slots=True)
class _Links:
    """What one pass over all links brings."""

    hashes: Hashes = field(default_factory=Hashes)
    let_go: dict[str, list[tuple[int, int]]] = field(default_factory=dict)  # by table
    corrected: dict[tuple[str, int], str] = field(default_factory=dict)
    findings: list[str] = field(default_factory=list)

    def is_gone(self, table: str, row_id: int) -> bool:
        """Whether a link says that this row was removed to save room."""
        spans = self.let_go.get(table, [])
        place = bisect_right(spans, row_id, key=lambda span: span[0])
        return place > 0 and row_id <= spans[place - 1][1]


def verify(connection: sqlite3.Connection) -> ChainReport | None:
    """Hold every row against the chain; None in a database from before there was one.

    Links and rows are read one after the other: of a million, little more is held than a hash each.
    """
    if not has_chain(connection):
        removed = edits_of_chain(connection)
        return ChainReport((), 0, 0, 0, tuple(removed), is_missing=True) if removed else None
    links, marks = _read_links(connection), markers(connection)
    findings = links.findings + edits_of_chain(connection)
    n_let_go = n_corrected = 0
    for about, row_id, digests, kept in _newest_links(connection):
        if links.is_gone(about, row_id):
            n_let_go += about == "event"
            continue
        row = kept.row
        found, is_let_go = _compared(connection, (about, row_id), kept, digests)
        findings += found
        n_let_go += is_let_go
        if row and stamp_digest(row) != links.corrected.get((about, row_id), ""):
            findings.append(f"the times of {_name(about, row_id)} were changed")
        n_corrected += row.get("as_stored") is not None
    findings += _without_link(connection, marks)
    return ChainReport(
        hashes=links.hashes,
        n_not_covered=count_uncovered(connection, marks),
        n_let_go=n_let_go,
        n_corrected=n_corrected,
        findings=tuple(findings),
    )


def _read_links(connection: sqlite3.Connection) -> _Links:
    """Whether each link follows from the one before, and what links say besides."""
    found, head = _Links(), START
    for number, about, row_id, row, evidence, stored in connection.execute(
        "SELECT id, about, row_id, row_digest, evidence_digest, hash FROM chain ORDER BY id"
    ):
        if about.startswith("before_"):
            if found.hashes and not found.findings:
                found.findings.append(f"the chain itself was changed at link {number}")
            continue
        head = link_hash(head, about, row_id, row, evidence)
        if head != stored and not found.findings:
            what = _name(about, row_id)
            found.findings.append(f"the chain itself was changed at link {number} ({what})")
        found.hashes.add(stored)
        if about.startswith(CORRECTED):
            found.corrected[about.removeprefix(CORRECTED), row_id] = row
        elif about.startswith(LET_GO):
            found.let_go.setdefault(about.removeprefix(LET_GO), []).extend(_spans(row))
    found.let_go = {table: _joined(spans) for table, spans in found.let_go.items()}
    return found


@dataclass(frozen=True, slots=True)
class _Kept:
    """What is there now of a row that has a link."""

    row: Row  # empty: it is gone
    has_evidence: bool


def _newest_links(
    connection: sqlite3.Connection,
) -> Iterator[tuple[str, int, tuple[str, str], _Kept]]:
    """The newest link of each row: its table, id, and digests; and the row as it is."""
    for table in TABLES:
        links = connection.execute(
            "SELECT row_id, row_digest, evidence_digest FROM chain WHERE about = ? "
            "ORDER BY row_id, id",
            (table,),
        )
        rows = _rows_in_order(connection, table)
        row_id_now, now = next(rows, _NONE_LEFT)
        for row_id, of_row in groupby(links, key=itemgetter(0)):
            *_, (_, row, evidence) = of_row
            while row_id_now < row_id:
                row_id_now, now = next(rows, _NONE_LEFT)
            yield table, row_id, (row, evidence), now if row_id_now == row_id else _GONE


_GONE = _Kept({}, has_evidence=False)
_NONE_LEFT = (math.inf, _GONE)


def _rows_in_order(connection: sqlite3.Connection, table: str) -> Iterator[tuple[float, _Kept]]:
    """Every row of `event` or `log` with its id, rising: a question for each would take longer."""
    cursor = connection.execute(f"SELECT {_HAS_EVIDENCE[table]}, * FROM {table} ORDER BY id")
    names = [column[0] for column in cursor.description[1:]]
    for has_evidence, *values in cursor:
        row = dict(zip(names, values, strict=True))
        yield row["id"], _Kept(row, bool(has_evidence))


def _spans(text: str) -> list[tuple[int, int]]:
    """`3-7 9-9` as pairs; what is no pair is passed over."""
    pairs = (one.partition("-") for one in text.split())
    return [
        (int(first), int(last))
        for first, _, last in pairs
        if first.isdecimal() and last.isdecimal() and max(len(first), len(last)) <= _LONGEST_ID
    ]


def _joined(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """The union, in order."""
    found: list[tuple[int, int]] = []
    for first, last in sorted(spans):
        if found and first <= found[-1][1] + 1:
            found[-1] = (found[-1][0], max(found[-1][1], last))
        else:
            found.append((first, last))
    return found


def _compared(
    connection: sqlite3.Connection, about: tuple[str, int], kept: _Kept, digests: tuple[str, str]
) -> tuple[list[str], bool]:
    """What no longer fits of one row, and whether evidence of it was let go."""
    name = _name(*about)
    if not kept.row:
        return [f"{name} was removed"], False
    then = digests[1].split()
    now = evidence_digest(connection, *about).split() if kept.has_evidence else []
    found = [] if row_digest(kept.row) == digests[0] else [f"{name} was changed"]
    if set(now) - set(then):
        found.append(f"the trace or waveform of {name} was changed")
    return found, len(now) < len(then)


def _without_link(connection: sqlite3.Connection, marks: Mapping[str, int]) -> list[str]:
    tables = (("event", "duration_s IS NOT NULL"), ("log", "TRUE"))  # open events have no link yet
    return [
        f"{_name(about, row_id)} was added, or closed, by something else"
        for about, is_due in tables
        for (row_id,) in connection.execute(
            f"SELECT id FROM {about} WHERE {is_due} AND id > ? AND {HAS_NO_LINK.format(about)} "
            "ORDER BY id",
            (marks[about],),
        )
    ]


def _name(about: str, row_id: int) -> str:
    return f"event {row_id}" if about == "event" else f"log entry {row_id}"
