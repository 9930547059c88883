"""Where the times of a log stand: the separator and the column, or the beginning of each line."""

import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path

from daemon.errors import InputError
from tools.failure_faults import (
    LONGEST_QUOTE,
    LOOKS,
    day_number,
    day_number_words,
    looks_timed,
    timed_text,
    why_unread,
)
from tools.failure_lines import is_ending, split_line
from tools.failure_times import Stamp, is_date, read_stamp

SEPARATORS = (";", "\t", ",", "|")
LARGEST_BYTES = 50_000_000
_UTC_HEAD = re.compile(r"\b(?:utc|gmt)\b", re.IGNORECASE)
_NO_ENTRY = re.compile(r"#|sep=.?$", re.IGNORECASE)  # a remark; what spreadsheets put first
_CRASHED = re.compile(rb"\0{4,}")  # what a file system leaves where a computer stopped as it wrote
_REMARK = re.compile(r"-- .* --")  # of the journal of a computer, between its entries

Rows = list[tuple[int, list[str]]]


@dataclass(frozen=True, slots=True)
class Line:
    """One line that holds a time."""

    number: int
    text: str
    stamp: Stamp
    note: str


def read_lines(path: Path, column: str | None) -> list[Line]:
    """The stamps, from the separator and column in which most lines hold one.

    Where no separator brings one on half of the lines, each may begin with one.

    :param column: its heading, or its number from 1; None: not told.
    :raises InputError: no file, no times, or a line without one.
    """
    text = _text(path)
    candidates = _rows(path, text)
    best = _best(candidates, column)
    if column is None and (best is None or 2 * best.n_read < len(best.rows)):
        best = _best(candidates | {"words": _rows_in_words(text)}, None)
    if best is None:
        raise _without_times(path, candidates, column)
    return _read_column(path, best.rows, best.place, best.is_pair)


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
    data = _CRASHED.sub(b"", data)
    if b"\0" in data:
        raise InputError(f"{path}: is not a text file with a time on each line")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")


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
            raise InputError(
                f"{path}: line {reader.line_num} cannot be read ({error}); is a quotation mark not "
                "closed?"
            ) from error
        found[separator] = [
            (number, row) for number, row in rows if any(row) and _NO_ENTRY.match(row[0]) is None
        ]
    if not found[","]:
        raise InputError(f"{path}: is empty; it must hold a time on each line")
    return {separator: rows for separator, rows in found.items() if rows}


def _rows_in_words(text: str) -> Rows:
    """A time and the words after it, of every line; the line as it is where it begins with none."""
    lines = [line.strip() for line in io.StringIO(text, newline=None)]
    return [
        (number, list(split_line(line) or (line,)))
        for number, line in enumerate(lines, 1)
        if line and not line.startswith("#") and _REMARK.fullmatch(line) is None
    ]


@dataclass(frozen=True, slots=True)
class _Column:
    """Where times may stand."""

    rows: Rows
    place: int
    is_pair: bool  # date and time in two columns
    n_read: int  # lines that have one there


def _best(candidates: dict[str, Rows], column: str | None) -> _Column | None:
    found = [
        _Column(rows, place, is_pair, _n_read(rows, place, is_pair))
        for rows in candidates.values()
        for place, is_pair in _columns(rows, column)
    ]
    best = max(found, key=lambda one: one.n_read, default=None)  # the first of those that are alike
    return best if best is not None and best.n_read else None


def _n_read(rows: Rows, place: int, is_pair: bool) -> int:
    return sum(read_stamp(_cell(row, place, is_pair)) is not None for _, row in rows)


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


def _read_column(path: Path, rows: Rows, place: int, is_pair: bool) -> list[Line]:
    found = []
    zone = ""
    for position, (number, row) in enumerate(rows):
        text, n_cells = _with_ending(row, place, is_pair)
        stamp = read_stamp(text)
        if stamp is None and position == 0 and len(rows) > 1 and not timed_text(row):
            zone = _headed_zone(row[place : place + 1 + is_pair])
            continue  # a header
        if stamp is None:
            raise _no_stamp(path, number, text or timed_text(row), row)
        zoned = read_stamp(f"{text} {zone}") if zone else None
        if zoned is not None:  # a time that has its zone cannot take another
            text, stamp = f"{text} {zone}", zoned
        rest = [*row[:place], *row[place + n_cells :]]
        found.append(Line(number, text, stamp, " ".join(cell for cell in rest if cell)))
    return found


def _with_ending(row: list[str], place: int, is_pair: bool) -> tuple[str, int]:
    """A time with the half of its day and its zone, where they stand in columns of their own."""
    text, n_cells = _cell(row, place, is_pair), 1 + is_pair
    while place + n_cells < len(row) and is_ending(row[place + n_cells]):
        longer = f"{text} {row[place + n_cells]}"
        if read_stamp(longer) is None:
            break
        text, n_cells = longer, n_cells + 1
    return text, n_cells


def _headed_zone(heads: list[str]) -> str:
    """UTC, where a heading says so."""
    return "UTC" if any(_UTC_HEAD.search(head) for head in heads) else ""


def _no_stamp(path: Path, number: int, text: str, row: list[str]) -> InputError:
    if looks_timed(text):
        return _unread(path, number, text)
    if text:
        return InputError(f"{path}: line {number}: {_quoted(text)} is not a time")
    what = ", ".join(cell for cell in row if cell)
    if len(row) == 1:
        return InputError(
            f"{path}: line {number}: {_quoted(what)} is not a time; take lines without one out, or "
            "put # before them"
        )
    return InputError(f"{path}: line {number} has no time in its column; it holds {_quoted(what)}")
