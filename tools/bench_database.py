"""A database of very many events for `tools.bench`, through the project's own schema and rows."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from sqlite3 import Connection

from daemon import hash_chain
from daemon.database_file import open_database
from daemon.records import (
    Event,
    JudgedEvent,
    Judgement,
    Kind,
    LevelTime,
    Verdict,
)
from daemon.store import RunInfo, Store

APART_S = 30  # between two events: a million are almost a year
BATCH = 20_000  # rows in a transaction
START_UTC_S = 1_767_225_600  # 2026-01-01: the same bytes every time
N_PATTERNS = 400  # events that are made as the monitor makes them; the rest are like them
PROFILE = "iti-2000"
_SERIOUS_EACH = 10  # one in so many
_SETTINGS = (
    '{"site": {"name": "Bench", "circuit": "Socket", "timezone": "UTC"}, '
    '"supply": {"nominal_v": 230.0, "frequency_hz": 50}, '
    '"capture": {"dip_pct": 90.0, "swell_pct": 110.0, "transient_pct": 20.0, '
    '"distortion_pct": 5.0, "frequency_pct": 1.0}}'
)
_COPY = f"""
WITH RECURSIVE counted (n) AS (SELECT :first UNION ALL SELECT n + 1 FROM counted WHERE n < :last)
INSERT INTO event ({{columns}}) SELECT {{values}}
FROM counted JOIN event AS pattern ON pattern.id = 1 + (n - 1) % {N_PATTERNS} ORDER BY n
"""
_START = f"{START_UTC_S} + {APART_S} * n"
_CHANGED = {
    "number": "n",
    "group": "n",
    "start_s": f"{APART_S}.0 * n",
    "extreme_s": f"{APART_S} * n + 0.01",
    "start_utc": f"strftime('%Y-%m-%dT%H:%M:%fZ', {_START}, 'unixepoch')",
    "end_utc": f"strftime('%Y-%m-%dT%H:%M:%fZ', {_START} + pattern.duration_s, 'unixepoch')",
    "start_local": f"strftime('%Y-%m-%d %H:%M:%f +00:00', {_START}, 'unixepoch')",
}


def write_database(path: Path, n_events: int) -> None:
    """A database with so many events and their chain of hashes, one in ten of them serious."""
    _write_patterns(path, n_events)
    with closing(open_database(path)) as connection:
        statement = _copy_statement(connection)
        for first in range(N_PATTERNS + 1, n_events + 1, BATCH):
            last = min(first + BATCH - 1, n_events)
            connection.execute("BEGIN IMMEDIATE")
            connection.execute(statement, {"first": first, "last": last})
            hash_chain.extend(connection, range(first, last + 1), [])
            connection.execute("COMMIT")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()


def _write_patterns(path: Path, n_events: int) -> None:
    info = RunInfo(_SETTINGS, START_UTC_S, "simulated", 16000.0, ("L1",), "bench", "synchronised")
    lasted_s = (n_events + 1) * APART_S
    with closing(Store(path, "UTC")) as store:
        run_id = store.begin_run(info)
        store.add(run_id, list(_patterns(min(n_events, N_PATTERNS))), [])
        store.end_run(run_id, START_UTC_S + lasted_s, lasted_s * 16000, 0)


def _copy_statement(connection: Connection) -> str:
    names = [row[1] for row in connection.execute("PRAGMA table_info(event)")]
    columns = [name for name in names if name != "id"]
    return _COPY.format(
        columns=", ".join(f'"{name}"' for name in columns),
        values=", ".join(_CHANGED.get(name, f'pattern."{name}"') for name in columns),
    )


def _patterns(n_events: int) -> Iterator[JudgedEvent]:
    for number in range(1, n_events + 1):
        is_serious = number % _SERIOUS_EACH == 0
        event = _event(number, 40.0 + number % 30 if is_serious else 75.0 + number % 14)
        verdict = Verdict.MAY_STOP if is_serious else Verdict.WITHIN
        limit = "below 70 % for at most 0.02 s" if is_serious else None
        judgement = Judgement(PROFILE, verdict, limit, -10.0 if is_serious else 10.0, 0.1, 0.5)
        yield JudgedEvent(event, judgement, START_UTC_S + event.start_s, "synchronised")


def _event(number: int, residual_pct: float) -> Event:
    start_s, duration_s = float(number * APART_S), 0.02 * (1 + number % 40)
    return Event(
        number=number,
        kind=Kind.DIP,
        channel="L1",
        group=number,
        start_s=start_s,
        duration_s=duration_s,
        value=2.3 * residual_pct,
        unit="V",
        value_pct=residual_pct,
        threshold=207.0,
        extreme_s=start_s + 0.01,
        below_interruption_s=None,
        level_times=(LevelTime(90.0, duration_s), LevelTime(80.0, duration_s)),
        complete=True,
        flags=(),
    )
