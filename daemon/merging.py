"""Several databases of one site put into a new one, with the monitor each row came from.

Ids are given anew in the order of the files; runs keep their origin. The chain of hashes of the
new file covers the merged rows from now on: each part is held against its own chain before, and
what was edited in it is put into the log, and so is what its chain could not speak for, and its
head, so that one noted earlier is known.
"""

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from daemon import hash_chain, schema
from daemon.archive import open_archive
from daemon.errors import InputError, StoreError
from daemon.page.words import zone_of
from daemon.records import LogKind
from daemon.stored_settings import digest_of, edited_settings

BEFORE_MERGING = "was edited after the watch, before it was merged"
HEAD = "head of its chain when it was merged: "
UNCOVERED = "as it was when it was merged: "


@dataclass(frozen=True, slots=True)
class Part:
    """One database to be merged."""

    path: Path
    origin: str | None  # the name of the monitor that wrote it; None: there is only one


@dataclass(frozen=True, slots=True)
class MergedPart:
    """How much came from one part."""

    origin: str | None
    n_runs: int
    n_events: int
    edits: tuple[str, ...]  # of the part, after its monitor wrote it; logged in the new file
    uncovered: str  # what its chain could not speak for; empty: nothing; logged too


def merge(target: Path, parts: Sequence[Part]) -> list[MergedPart]:
    """Write a new database with everything that the parts hold.

    :raises InputError: the target is there already, or a part is not a database of ours.
    :raises StoreError: a part is damaged or cannot be read, or the target not be written.
    """
    if target.exists():
        raise InputError(f"{target} is there already: name a new file")
    states = [_state(part.path) for part in parts]
    draft = target.with_name(target.name + ".new")
    draft.unlink(missing_ok=True)
    try:
        with closing(sqlite3.connect(draft, isolation_level=None, uri=True)) as connection:
            schema.migrate(connection)
            found = [
                _take(connection, part, state) for part, state in zip(parts, states, strict=True)
            ]
        draft.replace(target)
    except (sqlite3.DatabaseError, OSError) as error:
        draft.unlink(missing_ok=True)
        raise StoreError(f"{target} cannot be made: {error}") from error
    return found


@dataclass(frozen=True, slots=True)
class _State:
    """What the hashes of a part say of it, which those of the new file can not say."""

    head: str  # empty: it has no chain
    edits: tuple[str, ...]
    uncovered: str  # empty: its chain speaks for every row


def _state(path: Path) -> _State:
    """Hold a part against its own chain.

    :raises InputError: it is not a database of ours.
    :raises StoreError: it is damaged, or cannot be read.
    """
    archive = open_archive(path)
    faults = archive.faults_of_file()
    if faults:
        raise StoreError(f"{path} is damaged: {faults[0]}; check-db says more")
    loose = archive.loose_rows()
    if loose:
        raise StoreError(f"{path} was edited after the watch: {loose[0]}; check-db says more")
    chain = archive.chain()
    edits = (*(chain.findings if chain else ()), *edited_settings(archive))
    return _State(chain.head if chain else "", edits, archive.uncovered_words())


def _take(connection: sqlite3.Connection, part: Part, state: _State) -> MergedPart:
    wal = part.path.with_name(part.path.name + "-wal")
    mode = "mode=ro" if wal.exists() else "mode=ro&immutable=1"
    connection.execute("ATTACH ? AS part", (f"{part.path.resolve().as_uri()}?{mode}",))
    connection.execute("BEGIN IMMEDIATE")
    settings_ids = _settings_ids(connection)
    runs = {
        row: _run(connection, row, settings_ids, part.origin) for row in _ids(connection, "run")
    }
    events = {row: _copy(connection, "event", row, runs) for row in _ids(connection, "event")}
    logs = [_copy(connection, "log", row, runs) for row in _ids(connection, "log")]
    if runs:
        logs += _log_state(connection, max(runs.values()), part, state)
    for old, new in runs.items():
        _copy_of(connection, "statistics", "run_id", (old, new))
    for old, new in events.items():
        for table in ("trace", "waveform"):
            _copy_of(connection, table, "event_id", (old, new))
    closed = "SELECT id FROM main.event WHERE duration_s IS NOT NULL AND id >= ?"
    first = min(events.values(), default=0)
    ids = [row for (row,) in connection.execute(closed, (first,))] if events else []
    hash_chain.extend(connection, ids, logs)
    connection.execute("COMMIT")
    connection.execute("DETACH part")
    return MergedPart(part.origin, len(runs), len(events), state.edits, state.uncovered)


def _log_state(connection: sqlite3.Connection, run_id: int, part: Part, state: _State) -> list[int]:
    """Say in the log, at the end of the latest run of the part, how it came."""
    name = part.origin or part.path.name
    said = [(LogKind.FAULT, f"{name} {BEFORE_MERGING}: {text}") for text in state.edits]
    if state.uncovered:
        said.append((LogKind.MERGED, f"{name}, {UNCOVERED}{state.uncovered}"))
    said += [(LogKind.MERGED, f"{name}: {HEAD}{state.head}")] if state.head else []
    return [_log(connection, run_id, kind, text) for kind, text in said]


def _log(connection: sqlite3.Connection, run_id: int, kind: LogKind, text: str) -> int:
    until_utc, zone = connection.execute(
        "SELECT until_utc, timezone FROM main.run WHERE id = ?", (run_id,)
    ).fetchone()
    row = {
        "run_id": run_id,
        "kind": kind.value,
        "start_utc": until_utc,
        "start_local": schema.local_text(schema.utc_seconds(until_utc), zone_of(zone)),
        "text": text,
    }
    return _insert(connection, "log", row)


def _ids(connection: sqlite3.Connection, table: str) -> list[int]:
    return [row for (row,) in connection.execute(f"SELECT id FROM part.{table} ORDER BY id")]


def _settings_ids(connection: sqlite3.Connection) -> dict[int, int]:
    """New ids of settings, which are kept once for all that share them.

    By a digest of what they are now: edited ones must not stand in for those of another part.
    """
    found = {}
    for old_id, text in connection.execute("SELECT id, text FROM part.settings").fetchall():
        row = (digest_of(text), text)
        connection.execute("INSERT OR IGNORE INTO main.settings (digest, text) VALUES (?, ?)", row)
        new = connection.execute("SELECT id FROM main.settings WHERE digest = ?", row[:1])
        found[old_id] = int(new.fetchone()[0])
    return found


def _run(
    connection: sqlite3.Connection, run_id: int, settings_ids: dict[int, int], origin: str | None
) -> int:
    row = _row(connection, "run", run_id)
    names = [str(name) for name in (origin, row.get("origin")) if name]
    row |= {
        "settings_id": settings_ids[int(str(row["settings_id"]))],
        "origin": ": ".join(names) or None,
    }
    return _insert(connection, "run", row)


def _copy(connection: sqlite3.Connection, table: str, row_id: int, runs: dict[int, int]) -> int:
    row = _row(connection, table, row_id)
    return _insert(connection, table, row | {"run_id": runs[int(str(row["run_id"]))]})


def _copy_of(
    connection: sqlite3.Connection, table: str, key: str, old_and_new: tuple[int, int]
) -> None:
    """Every row that belongs to one row, under its new id; nothing where there is no such table."""
    columns = [name for name in _columns(connection, table) if name != key]
    if not columns:
        return
    listed = ", ".join(columns)
    connection.execute(
        f"INSERT INTO main.{table} ({key}, {listed}) "
        f"SELECT ?, {listed} FROM part.{table} WHERE {key} = ?",
        old_and_new[::-1],
    )


def _columns(connection: sqlite3.Connection, table: str) -> list[str]:
    """Those of a table of the part: one of an older schema has fewer."""
    return [row[1] for row in connection.execute(f"PRAGMA part.table_info({table})")]


def _row(connection: sqlite3.Connection, table: str, row_id: int) -> dict[str, object]:
    """A row of the part without its id."""
    names = [name for name in _columns(connection, table) if name != "id"]
    quoted = ", ".join(f'"{name}"' for name in names)
    values = connection.execute(
        f"SELECT {quoted} FROM part.{table} WHERE id = ?", (row_id,)
    ).fetchone()
    return dict(zip(names, values, strict=True))


def _insert(connection: sqlite3.Connection, table: str, row: dict[str, object]) -> int:
    quoted = ", ".join(f'"{name}"' for name in row)
    marks = ", ".join("?" for _ in row)
    cursor = connection.execute(
        f"INSERT INTO main.{table} ({quoted}) VALUES ({marks})", tuple(row.values())
    )
    return int(cursor.lastrowid or 0)
