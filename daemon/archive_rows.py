"""Rows of the database as they are read: one frozen record for each table.

A column that an older schema does not have is None. A file may have been damaged, or written by
anybody: a row that no monitor writes is refused here, so that nobody further on has to doubt it.
"""

import json
import re
import sqlite3
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

from daemon import hash_chain
from daemon.records import NO_DETAIL, EventDetail, Kind, LevelTime, LogKind, Verdict

JSON_KEYS = (
    "id",
    "kind",
    "channel",
    "group",
    "start_utc",
    "start_s",
    "duration_s",
    "value",
    "unit",
    "value_pct",
    "threshold",
    "verdict",
    "limit",
    "complete",
    "clock",
    "flags",
    "profile",
)


class OddRowError(ValueError):
    """A row that no monitor writes; its words say what is odd, for people."""


@dataclass(frozen=True, slots=True)
class FirstTimes:
    """What a row said of its time before that was corrected; None: that part was not."""

    start_utc: str | None = None
    start_local: str | None = None
    clock: str | None = None
    duration_s: float | None = None


TIME_DIGITS = 6  # of seconds: a microsecond is less than a sample
VALUE_DIGITS = {"V": 3, "%": 3, "Hz": 5, "Pst": 3}


@dataclass(frozen=True, slots=True)
class EventRow:
    """One row of the table `event`; the fields are its columns, `daemon.schema` explains them."""

    id: int
    run_id: int
    number: int
    kind: Kind
    channel: str
    group: int
    start_utc: str
    end_utc: str | None
    start_local: str
    start_s: float
    duration_s: float | None
    value: float
    unit: str
    value_pct: float
    threshold: float
    extreme_s: float
    below_interruption_s: float | None
    level_times: tuple[LevelTime, ...]
    verdict: Verdict | None
    limit: str | None
    profile: str
    complete: bool
    clock: str
    flags: tuple[str, ...]
    # Columns that a database of an older schema does not have.
    category: str | None = None
    cell: str | None = None
    margin_pct: float | None = None
    margin_s: float | None = None
    severity: float | None = None
    uncertainty: float | None = None
    duration_uncertainty_s: float | None = None
    cause: str | None = None
    evidence: str | None = None
    detail: EventDetail = NO_DETAIL
    first: FirstTimes | None = None  # None: its times were never corrected

    def as_json(self) -> dict[str, object]:
        """The event as `events --format jsonl` and the page hand it out, keys in that order.

        Numbers carry the digits that the measurement can mean, and no noise of floating point.
        """
        found = {key: getattr(self, key) for key in JSON_KEYS} | {"flags": list(self.flags)}
        digits = {
            **dict.fromkeys(("start_s", "duration_s"), TIME_DIGITS),
            **dict.fromkeys(("value", "threshold"), VALUE_DIGITS.get(self.unit, 3)),
            "value_pct": 3,
        }
        for key, places in digits.items():
            found[key] = None if found[key] is None else round(found[key], places)
        return found


@dataclass(frozen=True, slots=True)
class DipRow:
    """What counting needs of a dip or interruption: quicker to read than the whole row."""

    id: int
    run_id: int
    channel: str
    group: int
    start_utc: str
    start_s: float
    duration_s: float | None
    value: float
    value_pct: float


@dataclass(frozen=True, slots=True)
class LogRow:
    """One row of the table `log`."""

    id: int
    run_id: int
    kind: LogKind
    start_utc: str
    start_local: str
    start_s: float | None
    duration_s: float | None
    text: str
    first: FirstTimes | None = None  # None: its times were never corrected


@dataclass(frozen=True, slots=True)
class RunRow:
    """One row of the table `run`."""

    id: int
    settings_id: int
    started_utc: str
    until_utc: str
    stopped: bool
    driver: str
    sample_rate_hz: float
    boot_id: str
    samples_measured: int
    samples_lost: int
    clock: str
    channels: tuple[str, ...]
    timezone: str
    origin: str | None = None  # the monitor it came from, where databases were merged
    first_started_utc: str | None = None  # None: its times were never corrected


@dataclass(frozen=True, slots=True)
class StatisticsRow:
    """One row of the table `statistics`; `data` is for `SupplyStatistics.from_bytes`."""

    run_id: int
    day: str
    channel: str
    data: bytes


@dataclass(frozen=True, slots=True)
class SettingsText:
    """The configuration that runs were started with, as text."""

    id: int
    digest: str
    text: str


LARGEST = 1e12  # of any number: seconds, volts and per cents are far below
_UTC = re.compile(r"(?!0|19[0-6]|9999)\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{1,6})?Z")
_LOCAL = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d\.\d{1,6} [+-](?:[01]\d|2[0-3]):[0-5]\d")
_EVENT_TEXTS = ("channel", "unit", "profile", "clock")
_EVENT_NUMBERS = ("start_s", "value", "value_pct", "threshold", "extreme_s")
_EVENT_OPTIONAL = ("duration_s", "below_interruption_s", "margin_pct", "margin_s", "severity",
                   "uncertainty", "duration_uncertainty_s")  # fmt: skip
_DETAIL_TEXTS = {"dip_type", "uncertainty_without"}
_EVENT_FIELDS = frozenset(field.name for field in fields(EventRow))
_REPEATED = ("channel", "unit", "profile", "clock", "limit", "category", "cell", "cause")
"""Texts that very many rows share: in memory once."""
_OPTIONAL_TEXTS = ("limit", "category", "cell", "cause", "evidence")


def event_of(row: sqlite3.Row) -> EventRow:
    """So for the others: what a row holds.

    :raises OddRowError: no monitor writes such a row.
    :raises ValueError: nor a value of such a kind; as TypeError, LookupError and others.
    """
    pairs = zip(row.keys(), row, strict=True)  # by name, a row looks through all of them each time
    found: dict[str, Any] = {name: value for name, value in pairs if name in _EVENT_FIELDS}
    found["kind"] = Kind(found["kind"])
    found["verdict"] = None if found["verdict"] is None else Verdict(found["verdict"])
    found["complete"] = bool(found["complete"])
    found["flags"] = _flags(found["flags"])
    found["level_times"] = tuple(LevelTime(*pair) for pair in json.loads(found["level_times"]))
    found["detail"] = _detail(found.get("detail"))
    found["first"] = _first_times(row)
    for name in _REPEATED:
        if isinstance(found.get(name), str):
            found[name] = sys.intern(found[name])
    event = EventRow(**found)
    _check_event(found, event)
    return event


def dip_of(row: sqlite3.Row) -> DipRow:
    dip = DipRow(*row)
    found = {"start_s": dip.start_s, "value": dip.value, "value_pct": dip.value_pct,
             "duration_s": dip.duration_s or 0.0}  # fmt: skip
    _check_numbers(found, found)
    if _UTC.fullmatch(dip.start_utc) is None:
        raise OddRowError("its time is none")
    return dip


def _flags(text: str) -> tuple[str, ...]:
    if text == "[]":
        return ()
    flags = tuple(json.loads(text))
    if not all(isinstance(flag, str) for flag in flags):
        raise OddRowError("its flags are no words")
    return flags


def _detail(text: str | None) -> EventDetail:
    if not text:
        return NO_DETAIL
    detail = json.loads(text)
    if not isinstance(detail, dict):
        raise OddRowError("its detail has no names")
    known = {name: value for name, value in detail.items() if value is not None}
    _check_texts(known, known.keys() & _DETAIL_TEXTS)
    _check_numbers(known, known.keys() - _DETAIL_TEXTS)
    return EventDetail(**detail)


def _check_event(found: Mapping[str, object], event: EventRow) -> None:
    _check_numbers(found, _EVENT_NUMBERS)
    _check_numbers(found, [name for name in _EVENT_OPTIONAL if found.get(name) is not None])
    _check_texts(found, _EVENT_TEXTS)
    _check_texts(found, [name for name in _OPTIONAL_TEXTS if found.get(name) is not None])
    _check_stamps(event.start_utc, event.end_utc, event.start_local)
    for level in event.level_times:
        _check_numbers({"pct": level.level_pct, "s": level.longest_s}, ("pct", "s"))


def _check_numbers(found: Mapping[str, object], names: Iterable[str]) -> None:
    for name in names:
        value = found[name]
        if not isinstance(value, int | float) or not -LARGEST <= value <= LARGEST:
            raise OddRowError(f"its {name} is no usable number")


def _check_texts(found: Mapping[str, object], names: Iterable[str]) -> None:
    for name in names:
        if not isinstance(found[name], str):
            raise OddRowError(f"its {name} is no text")


def _check_stamps(utc: str, until_utc: str | None, local: str) -> None:
    for text in (utc,) if until_utc is None else (utc, until_utc):
        if _UTC.fullmatch(text) is None:
            raise OddRowError("its time is none")
        datetime.fromisoformat(text)
    if _LOCAL.fullmatch(local) is None:
        raise OddRowError("its local time is none")
    datetime.fromisoformat(local[:19])


def log_of(row: sqlite3.Row) -> LogRow:
    found = {name: row[name] for name in row.keys() if name != "as_stored"}  # noqa: SIM118
    found["kind"] = LogKind(row["kind"])
    _check_texts(found, ("text",))
    _check_numbers(found, [n for n in ("start_s", "duration_s") if found[n] is not None])
    _check_stamps(found["start_utc"], None, found["start_local"])
    return LogRow(**found, first=_first_times(row))


def _first_times(row: sqlite3.Row) -> FirstTimes | None:
    text = row["as_stored"] if "as_stored" in row.keys() else None  # noqa: SIM118
    if text is None:
        return None
    known = hash_chain.first_stored({"as_stored": text})
    found = {field.name: known.get(field.name) for field in fields(FirstTimes)}
    _check_texts(
        found, [n for n in known if n in found and n != "duration_s" and found[n] is not None]
    )
    _check_numbers(found, ["duration_s"] if found["duration_s"] is not None else [])
    return FirstTimes(**found)  # type: ignore[arg-type]


def run_of(row: sqlite3.Row) -> RunRow:
    found = dict(row)
    found["stopped"] = bool(row["stopped"])
    found["channels"] = tuple(json.loads(row["channels"]))
    found["first_started_utc"] = hash_chain.first_stored(found).get("started_utc")
    found.pop("as_stored", None)
    run = RunRow(**found)
    _check_texts(found, ("driver", "boot_id", "clock", "timezone"))
    _check_numbers(found, ("sample_rate_hz", "samples_measured", "samples_lost"))
    for utc in (run.started_utc, run.until_utc, run.first_started_utc or run.started_utc):
        if _UTC.fullmatch(utc) is None:
            raise OddRowError("its time is none")
        datetime.fromisoformat(utc)
    if not 1 <= run.sample_rate_hz <= 1e9 or not all(
        isinstance(name, str) for name in run.channels
    ):
        raise OddRowError("its sample rate or its channels are none")
    return run


def statistics_of(row: sqlite3.Row) -> StatisticsRow:
    found = dict(row)
    _check_texts(found, ("day", "channel"))
    if not isinstance(found["data"], bytes):
        raise OddRowError("its statistics are none")
    return StatisticsRow(**found)


def settings_of(row: sqlite3.Row) -> SettingsText:
    found = dict(row)
    _check_texts(found, ("digest", "text"))
    return SettingsText(**found)
