"""The equipment's own log: a CSV file with a time on each line, in any common form.

The separator, a header, the column and the order of day and month are found out from the file as a
whole. What the file does not settle is refused, never guessed.
"""

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from daemon.errors import InputError
from tools.failure_faults import LOOKS, looks_timed, why_unread

SEPARATORS = (";", "\t", ",", "|")
LARGEST_BYTES = 50_000_000
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
UNIX_S = (1e8, 1e10)  # 1973 to 2286; a thousand times as much are milliseconds

_CLOCK = (
    r"(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,](?P<fraction>\d{1,9}))?)?"
    r"(?:\s*(?P<half>[ap]\.?m\.?)(?![a-z]))?"
)
_ZONE = r"(?:\s*(?P<zone>z|utc|gmt|[+-]\d{2}(?::?\d{2})?|[a-z]+/[a-z_/+-]+\d*))?"
_NAMED = r"(?:[a-z]{3,9}\.?,?\s+)?"  # a day of the week
_FORMS = [
    re.compile(rf"{date}{gap}{_CLOCK}{_ZONE}", re.IGNORECASE)
    for date, gap in (
        (r"(?P<year>\d{4})(?P<mark>[-/.])(?P<month>\d{1,2})[-/.](?P<day>\d{1,2})", r"[\sT_,]+"),
        (r"(?P<first>\d{1,2})(?P<mark>[-/.])(?P<other>\d{1,2})[-/.](?P<year>\d{4})", r"[\sT_,]+"),
        (rf"{_NAMED}(?P<day>\d{{1,2}})[\s.-]+(?P<name>[a-z]{{3,9}})\.?,?[\s-]+(?P<year>\d{{4}})",
         r",?\s+"),
        (rf"{_NAMED}(?P<name>[a-z]{{3,9}})\.?\s+(?P<day>\d{{1,2}}),?\s+(?P<year>\d{{4}})",
         r",?\s+"),
    )
] + [
    re.compile(
        r"(?P<year>\d{4})(?P<month>\d{2})(?P<day>\d{2})T?(?P<hour>\d{2})(?P<minute>\d{2})"
        r"(?P<second>\d{2})(?:[.,](?P<fraction>\d{1,9}))?" + _ZONE,
        re.IGNORECASE,
    ),
    re.compile(
        rf"{_NAMED}(?P<name>[a-z]{{3,9}})\s+(?P<day>\d{{1,2}})\s+{_CLOCK}\s+(?P<year>\d{{4}})",
        re.IGNORECASE,
    ),
]  # fmt: skip
_DATE_ONLY = re.compile(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}|\d{1,2}\.?\s+[a-z]{3,9}\.?\s+\d{4}", re.I)
_UNIX = re.compile(r"\d{9,13}(?:\.\d{1,9})?")


@dataclass(frozen=True, slots=True)
class Failure:
    """One line of the log."""

    utc_s: float
    note: str  # the other columns, for people
    line: int


@dataclass(frozen=True, slots=True)
class FailureLog:
    """All failures in the order of time, and what had to be assumed."""

    failures: tuple[Failure, ...]
    assumptions: tuple[str, ...]
    offset_s: float = 0.0  # how far its clock was ahead, as taken out
    is_in_minutes: bool = False  # every time is a whole minute


@dataclass(frozen=True, slots=True)
class Reading:
    """How to read times that do not say it themselves; None: not told."""

    zone: tzinfo | None = None
    is_day_first: bool | None = None
    column: str | None = None  # its heading, or its number from 1
    offset_s: float = 0.0  # how far the clock of the log is ahead


@dataclass(frozen=True, slots=True)
class _Stamp:
    """A time as it is written, before order and zone are known."""

    parts: dict[str, str]
    unix_s: float | None = None

    @property
    def is_open(self) -> bool:
        """Whether day and month could be the other way round."""
        return "first" in self.parts and self.parts["mark"] != "."


@dataclass(frozen=True, slots=True)
class _Line:
    number: int
    text: str
    stamp: _Stamp
    note: str


def read_failures(path: Path, reading: Reading) -> FailureLog:
    """Read the log.

    :raises InputError: no file, no times, a line without a time, or something it leaves open.
    """
    rows = _rows(path, _text(path))
    lines = _lines(path, rows, reading.column)
    is_day_first = _day_first(path, lines, reading.is_day_first)
    if reading.zone is None and any(_lacks_zone(line.stamp) for line in lines):
        first = next(line for line in lines if _lacks_zone(line.stamp))
        raise InputError(
            f"{path}: line {first.number}: {first.text!r} does not say in which zone; give --zone, "
            "such as --zone Europe/Vienna or --zone +01:00"
        )
    assumptions: list[str] = []
    failures = [
        Failure(utc_s - reading.offset_s, line.note, line.number)
        for line in lines
        for utc_s in [_utc_s(path, line, is_day_first, reading.zone, assumptions)]
    ]
    if reading.offset_s:
        side = "ahead" if reading.offset_s > 0 else "behind"
        assumptions.append(f"the failures' clock is taken to be {abs(reading.offset_s):g} s {side}")
    return FailureLog(
        tuple(sorted(failures, key=lambda failure: failure.utc_s)),
        tuple(assumptions),
        reading.offset_s,
        bool(failures) and all((one.utc_s + reading.offset_s) % 60 == 0 for one in failures),
    )


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
    if len(data) > LARGEST_BYTES:
        raise InputError(f"{path}: larger than {LARGEST_BYTES // 1_000_000} MB, the most accepted")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", "replace")
    if b"\0" in data:
        raise InputError(f"{path}: is not a text file; a CSV file with a time on each line is read")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")


Rows = list[tuple[int, list[str]]]


def _rows(path: Path, text: str) -> dict[str, Rows]:
    """The cells of every line that holds something, for each separator that may be meant."""
    found = {}
    for separator in SEPARATORS:
        reader = csv.reader(
            io.StringIO(text, newline=None), delimiter=separator, skipinitialspace=True
        )
        try:
            rows = [(reader.line_num, [cell.strip() for cell in row]) for row in reader]
        except csv.Error as error:
            raise InputError(f"{path}: line {reader.line_num}: {error}") from error
        found[separator] = [
            (number, row) for number, row in rows if any(row) and not row[0].startswith("#")
        ]
    if not found[","]:
        raise InputError(f"{path}: is empty; it must hold a time on each line")
    return {separator: rows for separator, rows in found.items() if rows}


def _lines(path: Path, candidates: dict[str, Rows], column: str | None) -> list[_Line]:
    """The stamps, from the separator and column in which most lines hold one."""
    best: tuple[int, str, int, bool] | None = None
    for separator, rows in candidates.items():
        for place, is_pair in _columns(rows, column):
            n_read = sum(_stamp(_cell(row, place, is_pair)) is not None for _, row in rows)
            if n_read and (best is None or n_read > best[0]):
                best = (n_read, separator, place, is_pair)
    if best is None:
        raise _without_times(path, candidates, column)
    _, separator, place, is_pair = best
    return _read_column(path, candidates[separator], place, is_pair)


def _without_times(path: Path, candidates: dict[str, Rows], column: str | None) -> InputError:
    """Why nothing was read: no such column, times of a kind that is not read, or no times."""
    widest = max(candidates.values(), key=lambda rows: len(rows[0][1]))
    if column is not None:
        heads = ", ".join(widest[0][1])[:200]
        what = "holds no times" if any(_columns(r, column) for r in candidates.values()) else ""
        return InputError(
            f"{path}: --column {column} {what or 'is not there'}; its columns are: {heads} "
            f"(or their numbers, 1 to {len(widest[0][1])})"
        )
    for number, row in candidates[","]:
        text = " ".join(row)
        if looks_timed(text):
            return InputError(f"{path}: line {number}: {text[:60]!r} {why_unread(text)}")
    number, row = candidates[","][-1]
    what = f"no column of times was found; line {number} is"
    if len(candidates[","]) == 1:
        what = "holds no failures, only a heading:"
    return InputError(f"{path}: {what} {' '.join(row)[:60]!r}. {LOOKS}")


def _columns(rows: Rows, column: str | None) -> list[tuple[int, bool]]:
    """Where times may stand: a place, and whether date and time stand in two columns."""
    width = max(len(row) for _, row in rows)
    places = range(width)
    if column is not None:
        heads = [cell.lower() for cell in rows[0][1]]
        if column.lower() in heads:
            places = range(heads.index(column.lower()), heads.index(column.lower()) + 1)
        elif column.isdecimal() and 1 <= int(column) <= width:
            places = range(int(column) - 1, int(column))
        else:
            return []
    return [(place, is_pair) for place in places for is_pair in (False, True)]


def _cell(row: list[str], place: int, is_pair: bool) -> str:
    if place >= len(row):
        return ""
    if not is_pair:
        return row[place]
    if place + 1 >= len(row) or not _DATE_ONLY.fullmatch(row[place]):
        return ""
    return f"{row[place]} {row[place + 1]}"


def _read_column(path: Path, rows: Rows, place: int, is_pair: bool) -> list[_Line]:
    found = []
    for position, (number, row) in enumerate(rows):
        text = _cell(row, place, is_pair) or " ".join(row)
        stamp = _stamp(text)
        if stamp is None and position == 0 and len(rows) > 1 and not looks_timed(text):
            continue  # a header
        if stamp is None and looks_timed(text):
            raise InputError(f"{path}: line {number}: {text[:60]!r} {why_unread(text)}")
        if stamp is None:
            raise InputError(f"{path}: line {number}: {text[:60]!r} is not a time")
        rest = [*row[:place], *row[place + 1 + is_pair :]]
        found.append(_Line(number, text, stamp, " ".join(cell for cell in rest if cell)))
    return found


def _stamp(text: str) -> _Stamp | None:
    if _UNIX.fullmatch(text):
        value = float(text)
        value = value / 1000.0 if value >= UNIX_S[1] else value
        return _Stamp({}, value) if UNIX_S[0] <= value < UNIX_S[1] else None
    for form in _FORMS:
        found = form.fullmatch(text)
        if found is not None:
            parts = {name: value for name, value in found.groupdict().items() if value}
            return _Stamp(parts) if _month_of(parts) else None
    return None


def _month_of(parts: dict[str, str]) -> bool:
    return "name" not in parts or parts["name"][:3].lower() in MONTHS


def _lacks_zone(stamp: _Stamp) -> bool:
    return stamp.unix_s is None and "zone" not in stamp.parts


def _day_first(path: Path, lines: Sequence[_Line], is_told: bool | None) -> bool:
    """The order of day and month, from any line that allows one order only."""
    unclear = [line for line in lines if line.stamp.is_open]
    if not unclear or is_told is not None:
        return is_told is not False
    firsts = [int(line.stamp.parts["first"]) for line in unclear]
    others = [int(line.stamp.parts["other"]) for line in unclear]
    if max(firsts) > 12 or max(others) > 12:
        return max(firsts) > 12
    if all(first == other for first, other in zip(firsts, others, strict=True)):
        return True
    raise InputError(
        f"{path}: line {unclear[0].number}: {unclear[0].text!r} can be read with the day or the "
        "month first; give --day-first or --month-first"
    )


def _utc_s(
    path: Path, line: _Line, is_day_first: bool, zone: tzinfo | None, assumptions: list[str]
) -> float:
    if line.stamp.unix_s is not None:
        return line.stamp.unix_s
    parts = line.stamp.parts
    try:
        local = datetime(*_date(parts, is_day_first), *_clock(parts), tzinfo=UTC)
    except ValueError as error:
        raise InputError(f"{path}: line {line.number}: {line.text!r}: {error}") from error
    local += timedelta(seconds=float(f"0.{parts.get('fraction', '0')}"))
    try:
        found_zone = _zone(parts["zone"]) if "zone" in parts else zone
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise InputError(
            f"{path}: line {line.number}: {line.text!r}: there is no zone {parts['zone']}"
        ) from error
    assert found_zone is not None
    when = local.replace(tzinfo=found_zone)
    if when.utcoffset() != when.replace(fold=1).utcoffset():
        assumptions.append(
            f"line {line.number}: {line.text} is twice or never on that night's clock; the time "
            "before the clock was changed was taken"
        )
    return when.astimezone(UTC).timestamp()


def _date(parts: dict[str, str], is_day_first: bool) -> tuple[int, int, int]:
    year = int(parts["year"])
    if "name" in parts:
        return year, MONTHS.index(parts["name"][:3].lower()) + 1, int(parts["day"])
    if "first" not in parts:
        return year, int(parts["month"]), int(parts["day"])
    first, other = int(parts["first"]), int(parts["other"])
    return (year, other, first) if is_day_first or parts["mark"] == "." else (year, first, other)


def _clock(parts: dict[str, str]) -> tuple[int, int, int]:
    hour = int(parts["hour"])
    if "half" in parts:
        if not 1 <= hour <= 12:
            raise ValueError("an hour with AM or PM must be in 1..12")
        hour = hour % 12 + (12 if parts["half"].lower().startswith("p") else 0)
    return hour, int(parts["minute"]), int(parts.get("second", "0"))


def _zone(text: str) -> tzinfo:
    if "/" in text:
        return ZoneInfo(text)
    if text[0] not in "+-":
        return UTC
    digits = text[1:].replace(":", "").ljust(4, "0")
    offset = timedelta(hours=int(digits[:2]), minutes=int(digits[2:]))
    return timezone(-offset if text[0] == "-" else offset)
