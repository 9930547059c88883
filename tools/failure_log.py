"""The equipment's own log: CSV, or lines that begin with a time; in any common form of it.

The separator, a header, the column and the order of day and month are found out from the file as a
whole. What the file does not settle is refused, never guessed.
"""

import contextlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from pathlib import Path

from daemon.errors import InputError
from daemon.spans import Span
from tools.failure_rows import Line, read_lines
from tools.failure_times import Order, Stamp, common_order, orders, utc_of

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


def read_failures(path: Path, reading: Reading, watch: Span | None = None) -> FailureLog:
    """Read the log.

    :param watch: UTC seconds; tells the year of times that have none.
    :raises InputError: no file, no times, a line without a time, or something it leaves open.
    """
    lines = read_lines(path, reading.column)
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


def _assumed(lines: Sequence[Line], reading: Reading) -> list[str]:
    found = []
    if any(line.stamp.lacks_year for line in lines):
        found.append("the times name no year: it was taken from the watch")
    if reading.offset_s:
        side = "ahead" if reading.offset_s > 0 else "behind"
        found.append(f"the failures' clock is taken to be {abs(reading.offset_s):g} s {side}")
    return found


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


def _check_zone(path: Path, lines: Sequence[Line], zone: tzinfo | None) -> None:
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


def _orders(path: Path, lines: Sequence[Line], is_told: bool | None) -> tuple[Order, Order]:
    """The orders of day, month and year: of dates with a whole year, and with two digits of it."""
    unclear = [line for line in lines if len(orders(line.stamp, is_told)) > 1]
    whole = [line for line in unclear if not line.stamp.is_short]
    short = [line for line in unclear if line.stamp.is_short]
    return _order(path, whole), _order(path, short)


def _order(path: Path, lines: Sequence[Line]) -> Order:
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


def _utc_s(line: Line, settled: _Settled) -> tuple[float, str]:
    """Seconds since 1970 UTC by the clock of the log, and what is doubtful of them."""
    stamp, order = line.stamp, settled.order_of(line.stamp)
    year = _year(line, order, settled) if stamp.lacks_year else None
    try:
        return utc_of(stamp, order, year, settled.reading.zone)
    except ValueError as error:
        raise InputError(f"{settled.path}: line {line.number}: {line.text!r}: {error}") from error


def _year(line: Line, order: Order, settled: _Settled) -> int:
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
