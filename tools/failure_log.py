"""The equipment's own log: a CSV file with a time on each line, in any common form.

The separator, a header, the column and the order of day and month are found out from the file as a
whole. What the file does not settle is refused, never guessed.
"""

import contextlib
import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from pathlib import Path

from daemon.errors import InputError
from daemon.spans import Span
from tools.failure_faults import (
    LONGEST_QUOTE,
    LOOKS,
    day_number,
    day_number_words,
    looks_timed,
    timed_text,
    why_unread,
)
from tools.failure_times import Order, Stamp, common_order, is_date, orders, read_stamp, utc_of

SEPARATORS = (";", "\t", ",", "|")
LARGEST_BYTES = 50_000_000
MOST_NAMED = 5  # lines, of those that repeat a time


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
    is_marked: bool = False  # they are marks: set by hand, after the failure, by the watch's clock


@dataclass(frozen=True, slots=True)
class Reading:
    """How to read times that do not say it themselves; None: not told."""

    zone: tzinfo | None = None
    is_day_first: bool | None = None
    column: str | None = None  # its heading, or its number from 1
    offset_s: float = 0.0  # how far the clock of the log is ahead


@dataclass(frozen=True, slots=True)
class _Line:
    number: int
    text: str
    stamp: Stamp
    note: str


def read_failures(path: Path, reading: Reading, watch: Span | None = None) -> FailureLog:
    """Read the log.

    :param watch: UTC seconds; tells the year of times that have none.
    :raises InputError: no file, no times, a line without a time, or something it leaves open.
    """
    lines = _lines(path, _rows(path, _text(path)), reading.column)
    _check_zone(path, lines, reading.zone)
    settled = _Settled(path, reading, watch, *_orders(path, lines, reading.is_day_first))
    timed = [(line, *_utc_s(line, settled)) for line in lines]
    failures, repeated = once_each(
        Failure(utc_s - reading.offset_s, line.note, line.number) for line, utc_s, _ in timed
    )
    doubts = [f"line {line.number}: {line.text} {doubt}" for line, _, doubt in timed if doubt]
    return FailureLog(
        failures,
        (*doubts, *_assumed(lines, reading), *repeated),
        reading.offset_s,
        bool(timed) and all(utc_s % 60 == 0 for _, utc_s, _ in timed),
    )


def once_each(failures: Iterable[Failure]) -> tuple[tuple[Failure, ...], list[str]]:
    """The failures in the order of time, those of one time as one; and what is said of that."""
    kept: dict[float, Failure] = {}
    again = []
    for one in sorted(failures, key=lambda failure: failure.utc_s):
        first = kept.setdefault(one.utc_s, one)
        if first is one:
            continue
        again.append(one.line)
        if one.note and one.note not in first.note.split(" / "):
            note = " / ".join(filter(None, (first.note, one.note)))
            kept[one.utc_s] = replace(first, note=note)
    if not again:
        return tuple(kept.values()), []
    numbers = ", ".join(map(str, sorted(again)[:MOST_NAMED]))
    more = " and more" if len(again) > MOST_NAMED else ""
    many = "1 entry repeats" if len(again) == 1 else f"{len(again)} entries repeat"
    said = f"{many} the time of another ({numbers}{more}): each time is counted once"
    return tuple(kept.values()), [said]


def _assumed(lines: Sequence[_Line], reading: Reading) -> list[str]:
    found = []
    if any(line.stamp.lacks_year for line in lines):
        found.append("the times name no year: it was taken from the watch")
    if reading.offset_s:
        side = "ahead" if reading.offset_s > 0 else "behind"
        found.append(f"the failures' clock is taken to be {abs(reading.offset_s):g} s {side}")
    return found


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
            n_read = sum(read_stamp(_cell(row, place, is_pair)) is not None for _, row in rows)
            if n_read and (best is None or n_read > best[0]):
                best = (n_read, separator, place, is_pair)
    if best is None:
        raise _without_times(path, candidates, column)
    _, separator, place, is_pair = best
    return _read_column(path, candidates[separator], place, is_pair)


def _without_times(path: Path, candidates: dict[str, Rows], column: str | None) -> InputError:
    """Why nothing was read: no such column, times of a kind that is not read, or no times."""
    widest = max(candidates.values(), key=lambda rows: max(len(row) for _, row in rows))
    number_of_days = day_number([row for _, row in widest])
    if column is not None and not any(_columns(rows, column) for rows in candidates.values()):
        return _wrong_column(path, widest, f"--column {column} is not there")
    if number_of_days:
        return InputError(f"{path}: {day_number_words(number_of_days)}")
    if column is not None:
        return _wrong_column(path, widest, f"--column {column} holds no times")
    for number, row in widest:
        text = timed_text(row)
        if text:
            return _unread(path, number, text)
    number, row = widest[-1]
    what = f"no column of times was found; line {number} is"
    if len(widest) == 1:
        what = "holds no failures, only a heading:"
    return InputError(f"{path}: {what} {_quoted(', '.join(filter(None, row)))}. {LOOKS}")


def _wrong_column(path: Path, rows: Rows, what: str) -> InputError:
    heads = ", ".join(rows[0][1])[:200]
    return InputError(
        f"{path}: {what}; its columns are: {heads} (or their numbers, 1 to {len(rows[0][1])})"
    )


def _unread(path: Path, number: int, text: str) -> InputError:
    return InputError(f"{path}: line {number}: {_quoted(text)} {why_unread(text)}")


def _quoted(text: str) -> str:
    return repr(text[:LONGEST_QUOTE])


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
    if place + 1 >= len(row) or not is_date(row[place]):
        return ""
    return f"{row[place]} {row[place + 1]}"


def _read_column(path: Path, rows: Rows, place: int, is_pair: bool) -> list[_Line]:
    found = []
    for position, (number, row) in enumerate(rows):
        text = _cell(row, place, is_pair)
        stamp = read_stamp(text)
        if stamp is None and position == 0 and len(rows) > 1 and not timed_text(row):
            continue  # a header
        if stamp is None:
            raise _no_stamp(path, number, text or timed_text(row), row)
        rest = [*row[:place], *row[place + 1 + is_pair :]]
        found.append(_Line(number, text, stamp, " ".join(cell for cell in rest if cell)))
    return found


def _no_stamp(path: Path, number: int, text: str, row: list[str]) -> InputError:
    if looks_timed(text):
        return _unread(path, number, text)
    if text:
        return InputError(f"{path}: line {number}: {_quoted(text)} is not a time")
    what = ", ".join(cell for cell in row if cell)
    if len(row) == 1:
        return InputError(f"{path}: line {number}: {_quoted(what)} is not a time")
    return InputError(f"{path}: line {number} has no time in its column; it holds {_quoted(what)}")


@dataclass(frozen=True, slots=True)
class _Settled:
    """What the file as a whole, the options and the watch say of its times."""

    path: Path
    reading: Reading
    watch: Span | None
    order: Order  # of dates with a whole year
    short_order: Order  # of dates with two digits of it

    def order_of(self, stamp: Stamp) -> Order:
        """In which order this date is written."""
        possible = orders(stamp, self.reading.is_day_first)
        if len(possible) == 1:
            return possible[0]
        return self.short_order if stamp.is_short else self.order


def _check_zone(path: Path, lines: Sequence[_Line], zone: tzinfo | None) -> None:
    if zone is not None:
        return
    for line in lines:
        if line.stamp.lacks_zone:
            letters = line.stamp.parts.get("letters")
            what = "does not say in which zone; give --zone"
            if letters:
                what = f"has a zone in letters, {letters}, which is no zone alone; give --zone also"
            raise InputError(
                f"{path}: line {line.number}: {line.text!r} {what}, such as --zone Europe/Vienna "
                "or --zone +01:00"
            )


def _orders(path: Path, lines: Sequence[_Line], is_told: bool | None) -> tuple[Order, Order]:
    """The orders of day, month and year: of dates with a whole year, and with two digits of it."""
    unclear = [line for line in lines if len(orders(line.stamp, is_told)) > 1]
    whole = [line for line in unclear if not line.stamp.is_short]
    short = [line for line in unclear if line.stamp.is_short]
    return _order(path, whole), _order(path, short)


def _order(path: Path, lines: Sequence[_Line]) -> Order:
    """The order of these dates, from any line that allows one order only."""
    found = common_order([line.stamp for line in lines])
    if found is not None:
        return found
    first = lines[0]
    ways = "the day, the month or the year" if first.stamp.is_short else "the day or the month"
    raise InputError(
        f"{path}: line {first.number}: {first.text!r} can be read with {ways} first; give "
        "--day-first or --month-first"
    )


def _utc_s(line: _Line, settled: _Settled) -> tuple[float, str]:
    """Seconds since 1970 UTC by the clock of the log, and what is doubtful of them."""
    stamp, order = line.stamp, settled.order_of(line.stamp)
    year = _year(line, order, settled) if stamp.lacks_year else None
    try:
        return utc_of(stamp, order, year, settled.reading.zone)
    except ValueError as error:
        raise InputError(f"{settled.path}: line {line.number}: {line.text!r}: {error}") from error


def _year(line: _Line, order: Order, settled: _Settled) -> int:
    """The only year in which the time lies in the watch; where none does, the nearest to it."""
    named = f"{settled.path}: line {line.number}: {line.text!r}"
    if settled.watch is None:
        raise InputError(f"{named} has no year; write it")
    since_s, until_s = settled.watch
    far_s: dict[int, float] = {}
    for year in _years(settled.watch):
        with contextlib.suppress(ValueError):  # 29 February is not in every year
            utc_s, _ = utc_of(line.stamp, order, year, settled.reading.zone)
            moment = utc_s - settled.reading.offset_s
            far_s[year] = max(since_s - moment, moment - until_s, 0.0)
    inside = [year for year, far in far_s.items() if far == 0.0]
    if len(inside) > 1:
        raise InputError(
            f"{named} has no year, and lies in the watch in {inside[0]} and in {inside[1]}; write "
            "the year"
        )
    if not far_s:
        raise InputError(f"{named} is no time of {_years(settled.watch)[1]}")
    return min(far_s, key=lambda year: far_s[year])


def _years(watch: Span) -> range:
    """The years of the watch, and one before and after it."""
    first, last = (datetime.fromtimestamp(moment, UTC).year for moment in watch)
    return range(max(first - 1, 1), min(last + 1, 9999) + 1)
