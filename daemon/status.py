"""The status snapshot: what the monitor is doing now, as one small file on a memory disk.

The monitor writes it once a second, other processes read it. It is replaced as a whole, so a
reader sees the old file or the new one and never half of either. Field names are the JSON keys.
"""

import contextlib
import json
import math
import os
from dataclasses import dataclass, fields, is_dataclass
from enum import StrEnum
from functools import cache
from numbers import Real
from pathlib import Path
from typing import Annotated

from pydantic import AllowInfNan, TypeAdapter, ValidationError

Number = Annotated[float, AllowInfNan(False)]


class State(StrEnum):
    """What the monitor as a whole is doing."""

    STARTING = "starting"
    WATCHING = "watching"
    WAITING_FOR_DEVICE = "waiting_for_device"
    NOT_STORING = "not_storing"  # watching, and what is found waits in memory
    STOPPED = "stopped"


@dataclass(frozen=True, slots=True)
class SiteStatus:
    """Where the monitor is."""

    name: str
    circuit: str
    timezone: str  # IANA name, e.g. Europe/Vienna


@dataclass(frozen=True, slots=True)
class SupplyStatus:
    """What the supply is declared to be, and what its events are compared with."""

    nominal_v: Number
    frequency_hz: Number
    profile: str
    profile_title: str
    profile_warning: str | None  # why this profile may not fit this supply


@dataclass(frozen=True, slots=True)
class CaptureStatus:
    """Capture thresholds, in % of declared voltage, of the fundamental, of nominal frequency."""

    dip_pct: Number
    swell_pct: Number
    interruption_pct: Number
    distortion_pct: Number | None  # None: not watched
    frequency_pct: Number | None
    transient_pct: Number | None = None  # of the declared peak
    rapid_change_pct: Number | None = None
    flicker_pst: Number | None = None
    unbalance_pct: Number | None = None
    unwatched: str = ""  # what was asked for and cannot be, in words


@dataclass(frozen=True, slots=True)
class DriverStatus:
    """What the samples come from."""

    name: str
    sample_rate_hz: Number
    bits: int
    bandwidth_hz: Number


@dataclass(frozen=True, slots=True)
class RunStatus:
    """The current run, from start of the monitor."""

    id: int
    started_utc: str  # ISO 8601, milliseconds, Z
    watched_s: Number
    observed_pct: Number  # share of the time since the start that was really seen


@dataclass(frozen=True, slots=True)
class ChannelStatus:
    """The latest values of one channel. None: nothing measured yet, or undefined."""

    name: str
    urms_v: Number | None
    urms_pct: Number | None  # of declared voltage
    thd_pct: Number | None
    crest_factor: Number | None
    harmonics_pct: tuple[Number | None, ...]  # orders 1 to 50, of the first; empty before the first
    open_event: str | None  # kind of the event going on now
    kind: str = "line"  # or neutral_to_earth


@dataclass(frozen=True, slots=True)
class WaveformStatus:
    """The last few cycles of every channel, in mains volts."""

    sample_rate_hz: Number
    channels: dict[str, tuple[Number | None, ...]]


@dataclass(frozen=True, slots=True)
class HealthStatus:
    """Whether the monitor itself is well."""

    samples_lost: int
    ring_fill_pct: Number
    clock: str  # state word: synchronised, free, corrected, recording
    clock_text: str  # the same for people
    disk_free_mb: Number
    database_mb: Number
    temperature_c: Number | None
    last_fault: str | None
    n_waiting: int = 0  # events and log entries that the database has not taken yet
    let_go: str = ""  # what this run had no room to keep, in words; empty: nothing was lost


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything the status page shows that is not in the database."""

    version: str  # of the software that wrote it
    written_utc: str  # ISO 8601, milliseconds, Z
    state: State
    site: SiteStatus
    supply: SupplyStatus
    capture: CaptureStatus
    driver: DriverStatus
    run: RunStatus
    channels: tuple[ChannelStatus, ...]
    frequency_hz: Number | None
    waveform: WaveformStatus
    health: HealthStatus
    u2_pct: Number | None = None  # unbalance of three phases, over 10 or 12 cycles
    u0_pct: Number | None = None


@cache
def _adapter() -> TypeAdapter[Snapshot]:
    """Made when it is first needed: who only writes snapshots starts sooner without it."""
    return TypeAdapter(Snapshot)


def snapshot_as_json(snapshot: Snapshot) -> dict[str, object]:
    """The snapshot as plain dicts, lists, strings and finite numbers; anything else is null."""
    return {field.name: _plain(getattr(snapshot, field.name)) for field in fields(snapshot)}


def write_snapshot(path: Path, snapshot: Snapshot) -> None:
    """Replace the file at `path`. Not flushed to disk: the place for it is a memory disk.

    :raises OSError: the folder is not there or cannot be written.
    """
    text = json.dumps(snapshot_as_json(snapshot), separators=(",", ":"), allow_nan=False)
    part = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise


def read_snapshot(path: Path) -> Snapshot | None:
    """The snapshot at `path`, or None when there is none that can be understood."""
    try:
        return _adapter().validate_json(path.read_bytes())
    except (OSError, ValidationError):
        return None


def _plain(value: object) -> object:
    if is_dataclass(value):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, dict):
        return {str(key): _plain(part) for key, part in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(part) for part in value]
    if isinstance(value, bool | int | str) or value is None:
        return value
    if isinstance(value, Real) and math.isfinite(value):
        return float(value)
    return None
