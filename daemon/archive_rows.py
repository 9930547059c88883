"""Rows of the database as they are read: one frozen record for each table.

A column that an older schema does not have is None.
"""

import json
import sqlite3
from dataclasses import dataclass, fields

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


def event_of(row: sqlite3.Row) -> EventRow:
    known = row.keys()
    found = {field.name: row[field.name] for field in fields(EventRow) if field.name in known}
    found["kind"] = Kind(row["kind"])
    found["verdict"] = None if row["verdict"] is None else Verdict(row["verdict"])
    found["complete"] = bool(row["complete"])
    found["flags"] = tuple(json.loads(row["flags"]))
    found["level_times"] = tuple(LevelTime(*pair) for pair in json.loads(row["level_times"]))
    found["detail"] = EventDetail(**json.loads(found.get("detail") or "{}"))
    found["first"] = _first_times(row)
    return EventRow(**found)


def log_of(row: sqlite3.Row) -> LogRow:
    found = {name: row[name] for name in row.keys() if name != "as_stored"}  # noqa: SIM118
    found["kind"] = LogKind(row["kind"])
    return LogRow(**found, first=_first_times(row))


def _first_times(row: sqlite3.Row) -> FirstTimes | None:
    text = row["as_stored"] if "as_stored" in row.keys() else None  # noqa: SIM118
    if text is None:
        return None
    known = hash_chain.first_stored({"as_stored": text})
    found = {field.name: known.get(field.name) for field in fields(FirstTimes)}
    return FirstTimes(**found)  # type: ignore[arg-type]


def run_of(row: sqlite3.Row) -> RunRow:
    found = dict(row)
    found["stopped"] = bool(row["stopped"])
    found["channels"] = tuple(json.loads(row["channels"]))
    found["first_started_utc"] = hash_chain.first_stored(found).get("started_utc")
    found.pop("as_stored", None)
    return RunRow(**found)
