"""Where the chain of hashes begins, and whether a file can have come to begin there.

A new file has its chain before the first row. It begins later where a file of the first schema was
brought to a newer one, and where the chain was let go to save room, which the log then says.
Anything else is somebody's edit, and so is a newer file without a chain. Rows of the first schema
are known by columns they never had; a file stripped of all of that passes for an old one, and
nothing can be said of an old one but that its edits cannot be found.
"""

import sqlite3
from collections.abc import Mapping

CHAIN_SCHEMA = 2  # the schema version that brought the chain
REMOVED = "the chain of hashes was removed: what else was changed cannot be found"
BEGUN_LATE = (
    "the chain of hashes begins after the first rows, although the monitor that wrote them keeps "
    "one from the start: what was changed before cannot be found"
)
BEGUN_ANEW = ", begun anew"  # what retention says of the chain in the log
_LATER_MARKS = """
SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE name IN ('statistics', 'event_count', 'chain'))
    OR EXISTS (SELECT 1 FROM pragma_table_info('run') WHERE name = 'origin')
    OR EXISTS (SELECT 1 FROM pragma_table_info('event') WHERE name = 'category')"""
HAS_NO_LINK = "NOT EXISTS (SELECT 1 FROM chain WHERE about = '{0}' AND row_id = {0}.id)"
_LATER_EVENTS = f"""
SELECT EXISTS (SELECT 1 FROM event WHERE id <= ? AND {HAS_NO_LINK.format("event")}
    AND coalesce(category, cell, margin_pct, margin_s, severity, uncertainty,
        duration_uncertainty_s, cause, evidence, detail) IS NOT NULL)"""
_LATER_DAYS = f"""
SELECT EXISTS (SELECT 1 FROM statistics WHERE run_id IN (
    SELECT run_id FROM event WHERE id <= ? AND {HAS_NO_LINK.format("event")}
    UNION SELECT run_id FROM log WHERE id <= ? AND {HAS_NO_LINK.format("log")}))"""


def has_chain(connection: sqlite3.Connection) -> bool:
    """Whether the table is there."""
    sql = "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name = 'chain'"
    return bool(connection.execute(sql).fetchone()[0])


def edits_of_chain(connection: sqlite3.Connection) -> list[str]:
    """What shows that the chain itself was removed, or begun anew by something else."""
    if not has_chain(connection):
        return [REMOVED] if _is_later(connection) else []
    marks = markers(connection)
    if _was_let_go(connection, marks["log"]) or not _is_of_a_later_monitor(connection, marks):
        return []
    return [BEGUN_LATE]


def uncovered_words(connection: sqlite3.Connection) -> str:
    """How much is older than the chain, as a clause; empty: nothing is."""
    if not has_chain(connection):
        if _is_later(connection):
            return ""  # an edit, and said as one
        return "it was written before there was a chain of hashes: edits cannot be found"
    n_rows = count_uncovered(connection, markers(connection))
    if not n_rows:
        return ""
    rows = "1 row is" if n_rows == 1 else f"{n_rows} rows are"
    return f"{rows} older than the chain of hashes: edits before it began cannot be found"


def markers(connection: sqlite3.Connection) -> dict[str, int]:
    """Up to which id rows of `event` and `log` are older than the chain; 0: none is."""
    found = connection.execute(
        "SELECT substr(about, 8), max(row_id) FROM chain "
        "WHERE about IN ('before_event', 'before_log') GROUP BY about"
    )
    return {"event": 0, "log": 0} | dict(found.fetchall())


def count_uncovered(connection: sqlite3.Connection, marks: Mapping[str, int]) -> int:
    """Rows that are older than the chain and have no link: one closed later has one."""
    counts = (
        connection.execute(
            f"SELECT count(*) FROM {table} WHERE id <= ? AND {HAS_NO_LINK.format(table)}",
            (last_id,),
        )
        for table, last_id in marks.items()
    )
    return sum(int(found.fetchone()[0]) for found in counts)


def _is_later(connection: sqlite3.Connection) -> bool:
    """Whether the file is of a schema with a chain: by its version, or by what came with it."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    return version >= CHAIN_SCHEMA or bool(connection.execute(_LATER_MARKS).fetchone()[0])


def _was_let_go(connection: sqlite3.Connection, log_id: int) -> bool:
    """Whether the log that the chain covers says so; or that part of the log was let go too."""
    sql = (
        "SELECT EXISTS (SELECT 1 FROM log WHERE id > ? AND kind = 'fault' AND instr(text, ?)) "
        "OR EXISTS (SELECT 1 FROM chain WHERE about = 'let_go_log')"
    )
    return bool(connection.execute(sql, (log_id, BEGUN_ANEW)).fetchone()[0])


def _is_of_a_later_monitor(connection: sqlite3.Connection, marks: Mapping[str, int]) -> bool:
    """Whether rows without a link hold what no monitor without a chain wrote."""
    columns = {row[1] for row in connection.execute("PRAGMA table_info(event)")}
    tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema")}
    questions: list[tuple[str, tuple[int, ...]]] = []
    if "category" in columns:
        questions.append((_LATER_EVENTS, (marks["event"],)))
    if "statistics" in tables:
        questions.append((_LATER_DAYS, (marks["event"], marks["log"])))
    return any(connection.execute(sql, values).fetchone()[0] for sql, values in questions)
