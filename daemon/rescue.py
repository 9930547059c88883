"""What could not be written before the end, in a small file until the database's next start.

One line (`halfcycle-rescue`, version, SHA-256 of the rest), then zlib-compressed JSON: rows as they
go into the tables. It is read with distrust: bounded, checked against its digest and its shape, and
only taken by the database and the run it was made for.
"""

import base64
import hashlib
import os
import sqlite3
import zlib
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path
from typing import Annotated

from pydantic import (
    AllowInfNan,
    Base64Bytes,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
)

from daemon import hash_chain, schema
from daemon.archive_rows import event_of, log_of
from daemon.daily import DayStatistics
from daemon.errors import InputError
from daemon.records import JudgedEvent, LogEntry
from daemon.rows import PUT_LOG, PUT_WAVEFORM, event_row, log_row, number_waveforms, put_event
from daemon.supply_statistics import SupplyStatistics

VERSION = 1
ENDING = ".rescue"
MOST_BYTES = 40_000_000  # of the file: more than a full backlog takes
MOST_TEXT = 80_000_000  # of what is in it
_HEAD = f"halfcycle-rescue {VERSION} "

Number = Annotated[float, AllowInfNan(False)]
Value = str | int | Number | None


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)  # seldom needed


class _Waveform(_Part):
    first_index: int
    sample_rate_hz: Number
    scale_v: Number
    samples: Base64Bytes


class _Trace(_Part):
    start_s: Base64Bytes
    urms: Base64Bytes


class _Event(_Part):
    row: dict[str, Value]
    trace: _Trace | None
    waveforms: tuple[_Waveform, ...]


class _Day(_Part):
    day: str
    channel: str
    data: Base64Bytes


class Rescued(_Part):
    """Everything that waited at the end of one run."""

    schema_version: int = Field(ge=1)
    run_id: int = Field(ge=1)
    started_utc: str
    boot_id: str
    until_utc: str
    samples_measured: int = Field(ge=0)
    samples_lost: int = Field(ge=0)
    is_orderly: bool
    events: tuple[_Event, ...] = Field(max_length=100_000)
    log: tuple[tuple[Value, ...], ...] = Field(max_length=100_000)
    days: tuple[_Day, ...] = Field(max_length=10_000)

    @property
    def count(self) -> int:
        """Events and log entries."""
        return len(self.events) + len(self.log)

    @property
    def digest(self) -> str:
        """What it is known by in the log."""
        return hashlib.sha256(self.model_dump_json().encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class RunEnd:
    """Which run it was, and how far it got."""

    run_id: int
    started_utc_s: float
    boot_id: str
    until_utc_s: float
    samples_measured: int
    samples_lost: int
    is_orderly: bool


@dataclass(frozen=True, slots=True)
class Leftover:
    """What waits."""

    events: Sequence[JudgedEvent]
    log: Sequence[LogEntry]
    days: Sequence[DayStatistics]


def pack(run: RunEnd, left: Leftover, zone: tzinfo) -> Rescued:
    """What waits, as rows."""
    return Rescued.model_validate(
        {
            "schema_version": len(schema.STEPS),
            "run_id": run.run_id,
            "started_utc": schema.utc_text(run.started_utc_s),
            "boot_id": run.boot_id,
            "until_utc": schema.utc_text(run.until_utc_s),
            "samples_measured": run.samples_measured,
            "samples_lost": run.samples_lost,
            "is_orderly": run.is_orderly,
            "events": tuple(_packed(run.run_id, judged, zone) for judged in left.events),
            "log": tuple(log_row(run.run_id, entry, zone) for entry in left.log),
            "days": tuple(
                _Day(day=d.day, channel=d.channel, data=_text(d.data)) for d in left.days
            ),
        }
    )


def _packed(run_id: int, judged: JudgedEvent, zone: tzinfo) -> _Event:
    event = judged.event
    trace = None
    if event.trace is not None:
        start_s, urms = schema.pack_trace(event.trace)
        trace = _Trace(start_s=_text(start_s), urms=_text(urms))
    waveforms = []
    for wave in event.waveforms:
        scale_v, samples = schema.pack_waveform(wave)
        waveforms.append(
            _Waveform(
                first_index=int(wave.first_index),
                sample_rate_hz=float(wave.sample_rate_hz),
                scale_v=scale_v,
                samples=_text(samples),
            )
        )
    row = event_row(run_id, judged, zone)
    return _Event.model_validate({"row": row, "trace": trace, "waveforms": tuple(waveforms)})


def _text(data: bytes) -> bytes:
    """As the model takes it: it decodes what it is given."""
    return base64.b64encode(data)


def write_rescue(places: Sequence[Path], rescued: Rescued) -> Path | None:
    """Put the file at the first place with room for it; None: there is none."""
    body = zlib.compress(rescued.model_dump_json().encode(), level=1)
    content = f"{_HEAD}{hashlib.sha256(body).hexdigest()}\n".encode() + body
    for path in places:
        part = path.with_name(f".{path.name}.part")
        try:
            with part.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            os.link(part, path)  # which never takes the place of anything
            part.unlink()
        except OSError:
            remove(part)
            continue
        return path
    return None


def read_rescue(path: Path) -> Rescued | None:
    """What is in the file; None: there is no file.

    :raises InputError: it is none of ours, or not whole.
    """
    if not path.is_symlink() and not path.exists():
        return None
    try:
        if path.is_symlink() or not path.is_file() or path.stat().st_size > MOST_BYTES:
            raise InputError(f"{path} is no rescue file")
        head, _, body = path.read_bytes().partition(b"\n")
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}") from error
    if head != f"{_HEAD}{hashlib.sha256(body).hexdigest()}".encode():
        raise InputError(f"{path} is not whole, or of another version")
    try:
        stream = zlib.decompressobj()
        text = stream.decompress(body, MOST_TEXT)
        if not stream.eof:
            raise InputError(f"{path} holds more than it may")
        return Rescued.model_validate_json(text)
    except (zlib.error, ValidationError) as error:
        raise InputError(f"{path} does not hold what it should") from error


def set_aside(path: Path) -> Path:
    """Rename a file that was refused, so that somebody may look at it."""
    aside = path.with_name(f"{path.name}-refused")
    try:
        path.replace(aside)
    except OSError:
        return path
    return aside


def take_back(connection: sqlite3.Connection, rescued: Rescued) -> bool:
    """Put everything into the database, inside a transaction; False: it was there already.

    :raises InputError: it is not of this database, or not what the tables hold.
    """
    known = (rescued.run_id, rescued.started_utc, rescued.boot_id)
    sql = "SELECT count(*) FROM run WHERE id = ? AND started_utc = ? AND boot_id = ?"
    if not connection.execute(sql, known).fetchone()[0]:
        raise InputError("it belongs to another database")
    if rescued.schema_version > len(schema.STEPS):
        raise InputError("it was written by a newer Halfcycle")
    found = connection.execute(
        "SELECT count(*) FROM log WHERE instr(text, ?)", (rescued.digest,)
    ).fetchone()
    if found[0]:
        return False
    try:
        _put_rows(connection, rescued)
    except (sqlite3.IntegrityError, sqlite3.ProgrammingError) as error:
        raise InputError(f"its rows do not fit: {error}") from error
    except (ValueError, TypeError, KeyError, OverflowError) as error:
        raise InputError(f"its rows do not make sense: {error}") from error
    connection.execute(
        "UPDATE run SET until_utc = ?, samples_measured = ?, samples_lost = ?, stopped = ? "
        "WHERE id = ?",
        (
            rescued.until_utc,
            rescued.samples_measured,
            rescued.samples_lost,
            int(rescued.is_orderly),
            rescued.run_id,
        ),
    )
    return True


def _put_rows(connection: sqlite3.Connection, rescued: Rescued) -> None:
    columns = {row[1] for row in connection.execute("PRAGMA table_info(event)")} - {"id"}
    event_ids, log_ids = [], []
    for event in rescued.events:
        if not event.row.keys() <= columns or event.row.get("run_id") != rescued.run_id:
            raise ValueError("an event is of another run, or has columns there are not")
        row: dict[str, object] = dict(event.row)
        ((event_id,),) = connection.execute(put_event(row), row).fetchall()
        _put_evidence(connection, event_id, event)
        event_ids += [event_id] if row.get("duration_s") is not None else []
        event_of(_read(connection, "event", event_id))
    for entry in rescued.log:
        if entry[0] != rescued.run_id:
            raise ValueError("a log entry is of another run")
        log_id = connection.execute(PUT_LOG, entry).lastrowid or 0
        log_of(_read(connection, "log", log_id))
        log_ids.append(log_id)
    for day in rescued.days:
        SupplyStatistics.from_bytes(day.data)  # it can be read
        connection.execute(
            "INSERT OR REPLACE INTO statistics (run_id, day, channel, data) VALUES (?, ?, ?, ?)",
            (rescued.run_id, day.day, day.channel, day.data),
        )
    hash_chain.extend(connection, event_ids, log_ids)


def _put_evidence(connection: sqlite3.Connection, event_id: int, event: _Event) -> None:
    if event.trace is not None:
        packed = (event.trace.start_s, event.trace.urms)
        for data in packed:
            _look_into(data)
        connection.execute(
            "INSERT OR REPLACE INTO trace (event_id, start_s, urms) VALUES (?, ?, ?)",
            (event_id, *packed),
        )
    for wave in event.waveforms:
        _look_into(wave.samples)
        connection.execute(
            PUT_WAVEFORM,
            (event_id, wave.first_index, wave.sample_rate_hz, wave.scale_v, wave.samples),
        )
    if event.waveforms:
        number_waveforms(connection, event_id)


def _look_into(data: bytes) -> None:
    """:raises ValueError: it cannot be unpacked, or is larger than anything we pack."""
    stream = zlib.decompressobj()
    try:
        stream.decompress(data, schema.MOST_UNPACKED)
    except zlib.error as error:
        raise ValueError(f"an array cannot be unpacked: {error}") from error
    if not stream.eof:
        raise ValueError("an array is too large")


def _read(connection: sqlite3.Connection, table: str, row_id: int) -> sqlite3.Row:
    cursor = connection.cursor()
    cursor.row_factory = sqlite3.Row
    found: sqlite3.Row = cursor.execute(f"SELECT * FROM {table} WHERE id = ?", (row_id,)).fetchone()
    return found


def remove(path: Path) -> None:
    """What was taken back is not needed any more; left over, it is known again."""
    with suppress(OSError):
        path.unlink(missing_ok=True)
