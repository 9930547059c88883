"""The database file: its tables, its marks, and how times and arrays are written in it.

Times are text in two columns: `..._utc` as 2026-11-25T07:15:33.123Z, which sorts as time does, and
`..._local` as 2026-11-25 08:15:33.123 +01:00 in the zone of the site, for people.
Arrays are zlib-compressed, little endian: `trace.start_s` float64, `trace.urms` float32 (volts),
`waveform.samples` int16 where volts = integer * `scale_v` (the largest |volts| is 32767).
A step once released is never edited: a change is a new step at the end of `STEPS`.
"""

import sqlite3
import stat
import zlib
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daemon import hash_chain
from daemon.errors import InputError
from daemon.records import Trace, Waveform

APPLICATION_ID = 0x48435943  # "HCYC" in bytes 68 to 71 of the file: how `file` and we know it
MOST_UNPACKED = 50_000_000  # bytes of one array
_MAGIC = b"SQLite format 3\0"


@dataclass(frozen=True, slots=True)
class Step:
    """One named change of the schema; its place in `STEPS` is the schema version it leads to."""

    name: str
    sql: str


_TABLES = """
CREATE TABLE settings (
    id INTEGER PRIMARY KEY,
    digest TEXT NOT NULL UNIQUE,            -- SHA-256 of text
    text TEXT NOT NULL                      -- the configuration a run was started with
) STRICT;
CREATE TABLE run (
    id INTEGER PRIMARY KEY,
    settings_id INTEGER NOT NULL REFERENCES settings (id),
    started_utc TEXT NOT NULL,
    until_utc TEXT NOT NULL,                -- watched at least until then
    stopped INTEGER NOT NULL CHECK (stopped IN (0, 1)),     -- 1: ended in good order
    driver TEXT NOT NULL,
    sample_rate_hz REAL NOT NULL,
    boot_id TEXT NOT NULL,
    samples_measured INTEGER NOT NULL,
    samples_lost INTEGER NOT NULL,
    clock TEXT NOT NULL,
    channels TEXT NOT NULL,                 -- JSON list of names
    timezone TEXT NOT NULL                  -- of the site
) STRICT;
CREATE TABLE event (
    id INTEGER PRIMARY KEY,
    run_id INTEGER NOT NULL REFERENCES run (id),
    number INTEGER NOT NULL,                -- within the run
    kind TEXT NOT NULL,
    channel TEXT NOT NULL,
    "group" INTEGER NOT NULL,
    start_utc TEXT NOT NULL,
    end_utc TEXT,
    start_local TEXT NOT NULL,
    start_s REAL NOT NULL,                  -- from the first sample of the run
    duration_s REAL,                        -- null while open
    value REAL NOT NULL,
    unit TEXT NOT NULL,
    value_pct REAL NOT NULL,
    threshold REAL NOT NULL,
    extreme_s REAL NOT NULL,                -- when value was reached, from the first sample
    below_interruption_s REAL,
    level_times TEXT NOT NULL,              -- JSON [[level_pct, longest_s], ...]
    verdict TEXT,
    "limit" TEXT,
    profile TEXT NOT NULL,
    complete INTEGER NOT NULL CHECK (complete IN (0, 1)),   -- both ends were seen
    clock TEXT NOT NULL,
    flags TEXT NOT NULL,                    -- JSON list
    UNIQUE (run_id, number)
) STRICT;
CREATE INDEX event_by_time ON event (start_utc);
CREATE TABLE log (
    id INTEGER PRIMARY KEY,
    run_id INTEGER NOT NULL REFERENCES run (id),
    kind TEXT NOT NULL,
    start_utc TEXT NOT NULL,
    start_local TEXT NOT NULL,
    start_s REAL,
    duration_s REAL,
    text TEXT NOT NULL
) STRICT;
CREATE INDEX log_by_time ON log (start_utc);
CREATE TABLE trace (
    event_id INTEGER PRIMARY KEY REFERENCES event (id) ON DELETE CASCADE,
    start_s BLOB NOT NULL,
    urms BLOB NOT NULL
) STRICT;
CREATE TABLE waveform (
    event_id INTEGER NOT NULL REFERENCES event (id) ON DELETE CASCADE,
    part INTEGER NOT NULL,                  -- 0, 1 ... in the order of time
    first_index INTEGER NOT NULL,
    sample_rate_hz REAL NOT NULL,
    scale_v REAL NOT NULL,
    samples BLOB NOT NULL,
    UNIQUE (event_id, first_index)
) STRICT;
"""

_VIEWS = """
CREATE VIEW event_list AS SELECT
    id AS "No",
    start_local AS "Local time",
    CASE kind WHEN 'dip' THEN 'dip (sag)' ELSE replace(kind, '_', ' ') END AS "What",
    channel AS "Channel",
    round(value, 2) AS "Value",
    unit AS "Unit",
    round(value_pct, 1) AS "Percent of declared",
    round(duration_s, 4) AS "Lasted (s)",
    CASE verdict WHEN 'within' THEN 'within' WHEN 'may_stop' THEN 'equipment may stop'
        WHEN 'may_damage' THEN 'may damage equipment'
        WHEN 'beyond_limit' THEN 'beyond the supply limit'
        ELSE coalesce(verdict, 'not judged') END AS "Meaning",
    "limit" AS "Limit passed",
    profile AS "Compared with",
    "group" AS "Group",
    CASE complete WHEN 1 THEN 'yes' ELSE 'no' END AS "Both ends seen",
    trim(replace(replace(flags, '"', ''), '_', ' '), '[]') AS "Notes"
FROM event ORDER BY start_utc DESC, id DESC;
CREATE VIEW log_list AS SELECT
    id AS "No",
    start_local AS "Local time",
    replace(kind, '_', ' ') AS "What",
    round(duration_s, 3) AS "Lasted (s)",
    text AS "Text"
FROM log ORDER BY start_utc DESC, id DESC;
"""

_STATISTICS = """
CREATE TABLE statistics (
    run_id INTEGER NOT NULL REFERENCES run (id),
    day TEXT NOT NULL,                      -- local date of the site
    channel TEXT NOT NULL,
    data BLOB NOT NULL,                     -- histograms, see daemon/supply_statistics.py
    PRIMARY KEY (run_id, day, channel)
) STRICT;
"""

_FINDINGS = """
ALTER TABLE event ADD COLUMN category TEXT;                 -- IEEE 1159
ALTER TABLE event ADD COLUMN cell TEXT;                     -- depth and duration cell (DISDIP)
ALTER TABLE event ADD COLUMN margin_pct REAL;               -- to the nearest limit, below 0: passed
ALTER TABLE event ADD COLUMN margin_s REAL;
ALTER TABLE event ADD COLUMN severity REAL;                 -- Se of IEEE 1564
ALTER TABLE event ADD COLUMN uncertainty REAL;              -- of value, in its unit, k = 2
ALTER TABLE event ADD COLUMN duration_uncertainty_s REAL;
ALTER TABLE event ADD COLUMN cause TEXT;                    -- what probably caused it
ALTER TABLE event ADD COLUMN evidence TEXT;                 -- for that cause
ALTER TABLE event ADD COLUMN detail TEXT;                   -- JSON: waveform timing, transients
"""

_COUNTS = """
CREATE INDEX event_by_kind ON event (kind, start_utc);
CREATE INDEX event_serious ON event (start_utc)
    WHERE verdict IN ('may_stop', 'may_damage', 'beyond_limit');
CREATE INDEX event_serious_by_kind ON event (kind, start_utc)
    WHERE verdict IN ('may_stop', 'may_damage', 'beyond_limit');
CREATE TABLE event_count (                  -- kept by triggers, so that nobody has to count
    hour TEXT NOT NULL,                     -- of start_local: 2026-11-25 08
    kind TEXT NOT NULL,
    verdict TEXT NOT NULL,                  -- empty: none
    n_events INTEGER NOT NULL,
    PRIMARY KEY (hour, kind, verdict)
) STRICT, WITHOUT ROWID;
INSERT INTO event_count
    SELECT substr(start_local, 1, 13), kind, coalesce(verdict, ''), count(*)
    FROM event GROUP BY 1, 2, 3;
CREATE TRIGGER event_counted AFTER INSERT ON event BEGIN
    INSERT INTO event_count
        VALUES (substr(NEW.start_local, 1, 13), NEW.kind, coalesce(NEW.verdict, ''), 1)
        ON CONFLICT DO UPDATE SET n_events = n_events + 1;
END;
CREATE TRIGGER event_discounted AFTER DELETE ON event BEGIN
    UPDATE event_count SET n_events = n_events - 1 WHERE hour = substr(OLD.start_local, 1, 13)
        AND kind = OLD.kind AND verdict = coalesce(OLD.verdict, '');
END;
CREATE TRIGGER event_recounted AFTER UPDATE OF start_local, kind, verdict ON event BEGIN
    UPDATE event_count SET n_events = n_events - 1 WHERE hour = substr(OLD.start_local, 1, 13)
        AND kind = OLD.kind AND verdict = coalesce(OLD.verdict, '');
    INSERT INTO event_count
        VALUES (substr(NEW.start_local, 1, 13), NEW.kind, coalesce(NEW.verdict, ''), 1)
        ON CONFLICT DO UPDATE SET n_events = n_events + 1;
END;
"""

_CORRECTED = """
ALTER TABLE event ADD COLUMN as_stored TEXT;    -- JSON by column: stamps before a correction
ALTER TABLE log ADD COLUMN as_stored TEXT;
ALTER TABLE run ADD COLUMN as_stored TEXT;
"""

STEPS = (
    Step("events, log, runs, settings, traces, waveforms", _TABLES + _VIEWS),
    Step("chain of hashes", hash_chain.SQL),
    Step("origin of runs that were merged", "ALTER TABLE run ADD COLUMN origin TEXT;"),
    Step("labels, margins, uncertainty, cause and detail of events", _FINDINGS),
    Step("statistics by day", _STATISTICS),
    Step("first stamps of rows whose times were corrected", _CORRECTED),
    Step("counts of events, and indices for lists of few among many", _COUNTS),
)
"""Every step so far; `PRAGMA user_version` counts the ones a file has been through."""


def migrate(connection: sqlite3.Connection) -> None:
    """Bring the database to the newest schema; each step is one transaction of its own."""
    version = schema_version(connection)
    for number, step in enumerate(STEPS[version:], start=version + 1):
        # executescript keeps to the transaction it is given, and the marks are part of it
        connection.executescript(
            f"BEGIN IMMEDIATE; {step.sql} PRAGMA application_id = {APPLICATION_ID};"
            f"PRAGMA user_version = {number}; COMMIT;"
        )


def schema_version(connection: sqlite3.Connection) -> int:
    """How many steps this database has been through."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    return int(version)


def check_tables(connection: sqlite3.Connection, path: Path) -> None:
    """Look whether a database of the newest schema has all it should have.

    :raises InputError: somebody took a table away; what is left is left as it is.
    """
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as whole:
        migrate(whole)
        missing = sorted(_names(whole) - _names(connection))
    if missing:
        raise InputError(
            f"{path} lacks {', '.join(missing)}: it was edited, and cannot be continued; "
            "move it elsewhere, and a new one is begun"
        )


def _names(connection: sqlite3.Connection) -> set[str]:
    rows = connection.execute("SELECT name FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'")
    return {str(name) for (name,) in rows}


def check_file(path: Path) -> None:
    """Look at the head of a file, without SQLite, so that nothing of it is touched.

    :raises InputError: not a file, not SQLite, not ours, or newer than this program.
    """
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise InputError(f"{path} {_what(path)}, not a Halfcycle database")
        with path.open("rb") as file:
            head = file.read(100)
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}") from error
    if len(head) < 100 or not head.startswith(_MAGIC):
        raise InputError(f"{path} is not a SQLite database; it was left as it is")
    if int.from_bytes(head[68:72], "big") != APPLICATION_ID:
        raise InputError(f"{path} is a SQLite database of another program; it was left as it is")
    check_version(path, int.from_bytes(head[60:64], "big"))


def _what(path: Path) -> str:
    return "is a folder" if path.is_dir() else "is a device or a pipe"


def check_version(path: Path, version: int) -> None:
    """:raises InputError: the schema is newer than this program."""
    if version > len(STEPS):
        raise InputError(
            f"{path} was written by a newer Halfcycle (schema {version}; "
            f"this one knows up to {len(STEPS)}): update Halfcycle"
        )


def utc_text(utc_s: float) -> str:
    """Seconds since 1970 UTC as ISO 8601 with milliseconds and Z."""
    return _rounded(utc_s).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"


def local_text(utc_s: float, zone: tzinfo) -> str:
    """Seconds since 1970 UTC as local time with its offset, which tells the two 02:30 apart."""
    local = _rounded(utc_s).astimezone(zone)
    offset = local.strftime("%z")
    return f"{local:%Y-%m-%d %H:%M:%S.%f}"[:-3] + f" {offset[:3]}:{offset[3:5]}"


def utc_seconds(text: str) -> float:
    """The inverse of `utc_text`."""
    return datetime.fromisoformat(text).timestamp()


def _rounded(utc_s: float) -> datetime:
    return datetime.fromtimestamp(round(float(utc_s) * 1000) / 1000, UTC)


def pack_trace(trace: Trace) -> tuple[bytes, bytes]:
    """The two arrays of a trace as `trace.start_s` and `trace.urms`."""
    return zlib.compress(_little(trace.start_s, "<f8")), zlib.compress(_little(trace.urms_v, "<f4"))


def unpack_trace(start_s: bytes, urms: bytes) -> Trace:
    """The inverse of `pack_trace`.

    :raises ValueError: this is no trace.
    :raises zlib.error: it is damaged.
    """
    trace = Trace(
        np.frombuffer(_unpacked(start_s), "<f8").astype(np.float64, copy=False),
        np.frombuffer(_unpacked(urms), "<f4").astype(np.float32, copy=False),
    )
    if trace.start_s.shape != trace.urms_v.shape or not np.isfinite(trace.start_s).all():
        raise ValueError("a trace without a time for each value")
    return trace


def pack_waveform(waveform: Waveform) -> tuple[float, bytes]:
    """`scale_v` and `samples`; rounding costs at most half of `scale_v`, peak / 65534."""
    peak_v = float(np.max(np.abs(waveform.volts), initial=0.0))
    scale_v = peak_v / 32767 if peak_v > 0 else 1.0
    counts = np.rint(waveform.volts.astype(np.float64) / scale_v)
    return scale_v, zlib.compress(_little(counts, "<i2"))


def unpack_waveform(
    first_index: int, sample_rate_hz: float, scale_v: float, samples: bytes
) -> Waveform:
    """The inverse of `pack_waveform`, to half of `scale_v`.

    :raises ValueError: this is no waveform.
    :raises zlib.error: it is damaged.
    """
    counts = np.frombuffer(_unpacked(samples), "<i2")
    if not (1 <= sample_rate_hz <= 1e9 and 0 <= scale_v <= 1e9 and abs(first_index) < 2**53):
        raise ValueError("a waveform without a usable scale")
    return Waveform(first_index, sample_rate_hz, (counts * scale_v).astype(np.float32))


def _unpacked(data: bytes) -> bytes:
    """A file somebody made to hurt may hold a thousand times what it takes on the disk."""
    stream = zlib.decompressobj()
    found = stream.decompress(data, MOST_UNPACKED)
    if not stream.eof:
        raise ValueError("an array is cut short, or larger than any that is kept")
    return found


def _little(values: NDArray[np.float64] | NDArray[np.float32], layout: str) -> bytes:
    return np.ascontiguousarray(values, dtype=layout).tobytes()
