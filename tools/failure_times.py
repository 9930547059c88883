"""A time as equipment writes it down: its forms, and what a form leaves open. Pure."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo
from enum import StrEnum
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
UNIX_S = (1e8, 1e10)  # 1973 to 2286; a thousand times as much are milliseconds
LAST_SHORT_YEAR = 69  # as in POSIX strptime, %y: 69 and above are of the century before
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
YEARS = range(1970, 2200)  # a controller whose date was never set writes the year 1
MOST_OFFSET_H = 14  # no zone is further from UTC

ALIASES = {"mez": "CET", "mesz": "CEST"}  # as German and Austrian equipment writes them
LETTERS = (
    "cet", "cest", "eet", "eest", "wet", "west", "bst", "ist", "msk", "est", "edt", "cst", "cdt",
    "mst", "mdt", "pst", "pdt", "akst", "akdt", "hst", "ast", "adt", "nst", "ndt", "jst", "kst",
    "hkt", "pkt", "sast", "cat", "eat", "wat", "aest", "aedt", "acst", "acdt", "awst", "nzst",
    "nzdt", *ALIASES,
)  # fmt: skip
"""Abbreviations of the tz database. Several zones go by most of them."""

_CLOCK = (
    r"(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,](?P<fraction>\d{1,9}))?)?"
    r"(?:\s*(?P<half>[ap]\.?m\.?)(?![a-z]))?"
)
_ZONE = (
    r"(?:\s*(?P<zone>z|utc|gmt|[+-]\d{2}(?::?\d{2})?|[a-z]+/[a-z_/+-]+\d*)"
    rf"|\s*\(?(?P<letters>{'|'.join(LETTERS)})\)?)?"
)
_NAMED = r"(?:[a-z]{3,9}\.?,?\s+)?"  # a day of the week
_NAME = r"(?P<name>[a-z]{3,9})"
_GAP = r"[\sT_,]+"
_FORMS = [
    re.compile(form, re.IGNORECASE)
    for form in (
        rf"(?P<year>\d{{4}})(?P<mark>[-/.])(?P<month>\d{{1,2}})[-/.](?P<day>\d{{1,2}})"
        rf"{_GAP}{_CLOCK}{_ZONE}",
        rf"(?P<first>\d{{1,2}})(?P<mark>[-/.])(?P<other>\d{{1,2}})[-/.](?P<year>\d{{4}})"
        rf"{_GAP}{_CLOCK}{_ZONE}",
        rf"(?P<first>\d{{1,2}})(?P<mark>[-/.])(?P<other>\d{{1,2}})[-/.](?P<last>\d{{2}})"
        rf"{_GAP}{_CLOCK}{_ZONE}",
        rf"(?P<first>\d{{1,2}})[\s.-]+{_NAME}\.?,?[\s-]+(?P<last>\d{{2}}),?\s+{_CLOCK}{_ZONE}",
        rf"{_NAMED}(?P<day>\d{{1,2}})[\s.-]+{_NAME}\.?,?[\s-]+(?P<year>\d{{4}}),?\s+"
        rf"{_CLOCK}{_ZONE}",
        rf"{_NAMED}{_NAME}\.?\s+(?P<day>\d{{1,2}}),?\s+(?P<year>\d{{4}}),?\s+{_CLOCK}{_ZONE}",
        rf"(?P<day>\d{{1,2}})/{_NAME}/(?P<year>\d{{4}})[:\s]{_CLOCK}{_ZONE}",  # of web servers
        rf"(?P<year>\d{{4}})-?W(?P<week>\d{{2}})-?(?P<weekday>[1-7]){_GAP}{_CLOCK}{_ZONE}",
        r"(?P<year>\d{4})(?P<month>\d{2})(?P<day>\d{2})T?(?P<hour>\d{2})(?P<minute>\d{2})"
        rf"(?P<second>\d{{2}})(?:[.,](?P<fraction>\d{{1,9}}))?{_ZONE}",
        rf"{_NAMED}{_NAME}\s+(?P<day>\d{{1,2}})\s+{_CLOCK}{_ZONE}\s+(?P<year>\d{{4}})",
        rf"{_NAMED}{_NAME}\.?\s+(?P<day>\d{{1,2}}),?\s+{_CLOCK}{_ZONE}",  # without a year
        rf"{_NAMED}(?P<day>\d{{1,2}})\.?\s+{_NAME}\.?,?\s+{_CLOCK}{_ZONE}",
    )
]  # fmt: skip
_NUMERIC = [form for form in _FORMS if "?P<name>" not in form.pattern]
_WORD = re.compile(r"[a-z]{3}", re.IGNORECASE)
_DATE_ONLY = re.compile(
    r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}|\d{1,2}[\s./-]+[a-z]{3,9}(?:[\s./-]+(?:\d{4}|\d{2}))?"
    r"|[a-z]{3,9}\s+\d{1,2}|\d{4}-?W\d{2}-?[1-7]",
    re.IGNORECASE,
)
_CLOCK_ONLY = re.compile(_CLOCK + _ZONE, re.IGNORECASE)
_MUST = re.compile(r"\d:\d|\d{8}")  # what every form holds: most cells are no times
_UNIX = re.compile(r"\d{9,13}(?:\.\d{1,9})?")


class Order(StrEnum):
    """What the first number of a date is, where it is written in numbers."""

    DAY = "day first"
    MONTH = "month first"
    YEAR = "year first"


@dataclass(frozen=True, slots=True)
class Stamp:
    """A time as it is written, before order, year and zone are known."""

    parts: dict[str, str]
    unix_s: float | None = None

    @property
    def lacks_zone(self) -> bool:
        """Whether a zone must be told; letters name one only beside it."""
        return self.unix_s is None and "zone" not in self.parts

    @property
    def lacks_year(self) -> bool:
        """Whether it names a day of every year."""
        return self.unix_s is None and not {"year", "last"} & self.parts.keys()

    @property
    def is_short(self) -> bool:
        """Whether its year has two digits."""
        return "last" in self.parts


def read_stamp(text: str) -> Stamp | None:
    """The parts of a time; None where the text is none."""
    text = text.removeprefix("[").removesuffix("]")
    if _MUST.search(text) is None:
        return None
    if _UNIX.fullmatch(text):
        value = float(text)
        value = value / 1000.0 if value >= UNIX_S[1] else value
        return Stamp({}, value) if UNIX_S[0] <= value < UNIX_S[1] else None
    for form in _FORMS if _WORD.search(text) else _NUMERIC:
        found = form.fullmatch(text)
        if found is not None:
            parts = {name: value for name, value in found.groupdict().items() if value}
            if "name" not in parts or parts["name"][:3].lower() in MONTHS:
                return Stamp(parts)
    return None


def is_date(text: str) -> bool:
    """Whether the text is a date alone, so that the clock may stand in the next column."""
    return _DATE_ONLY.fullmatch(text) is not None


def is_clock(text: str) -> bool:
    """Whether the text is a time of day alone."""
    return _CLOCK_ONLY.fullmatch(text) is not None


def orders(stamp: Stamp, is_day_first: bool | None) -> tuple[Order, ...]:
    """In which orders day, month and year may stand.

    :param is_day_first: what was told; None: nothing.
    """
    parts = stamp.parts
    if "first" not in parts:
        return (Order.DAY,)
    if is_day_first is not None:
        return (Order.DAY if is_day_first or "name" in parts else Order.MONTH,)
    found = [Order.DAY]
    if "other" in parts and parts["mark"] != ".":  # with points nobody puts the month first
        found.append(Order.MONTH)
    if "last" in parts:
        found.append(Order.YEAR)
    return tuple(found)


def common_order(stamps: Sequence[Stamp]) -> Order | None:
    """The only order in which all of these, each open, are dates; None: more than one is.

    Where none fits all of them, it is one that fits the first ones.
    """
    left: list[Order] = list(Order)
    for stamp in stamps:
        fitting = [one for one in orders(stamp, None) if one in left and _date(stamp, one)]
        left = fitting or left
    if all(len({_date(stamp, one) for one in left}) == 1 for stamp in stamps):
        return left[0]
    return None


def _date(stamp: Stamp, order: Order) -> date | None:
    try:
        return date_of(stamp, order, None)
    except ValueError:
        return None


def date_of(stamp: Stamp, order: Order, year: int | None) -> date:
    """The day a stamp names.

    :param year: of a stamp that has none.
    :raises ValueError: there is no such day.
    """
    parts = stamp.parts
    if int(parts.get("year", YEARS.start)) not in YEARS:
        raise ValueError(f"the year must be in {YEARS.start}..{YEARS.stop - 1}")
    if "week" in parts:
        return date.fromisocalendar(*(int(parts[name]) for name in ("year", "week", "weekday")))
    if "last" in parts:
        first, last = parts["first"], parts["last"]
        day, short = (last, first) if order is Order.YEAR else (first, last)
        if int(short) > LAST_SHORT_YEAR:
            raise ValueError("a year of two digits is one of 2000 to 2069")
        years = 2000 + int(short)
    else:
        day = parts.get("first") or parts["day"]
        years = int(parts["year"]) if "year" in parts else year or 0
    if "name" in parts:
        return _day_of(years, MONTHS.index(parts["name"][:3].lower()) + 1, int(day))
    month = parts.get("other") or parts["month"]
    day, month = (month, day) if order is Order.MONTH and "first" in parts else (day, month)
    return _day_of(years, int(month), int(day))


def _day_of(year: int, month: int, day: int) -> date:
    if not 1 <= month <= 12:
        raise ValueError(f"there is no month {month}")
    try:
        return date(year, month, day)
    except ValueError as error:
        raise ValueError(f"there is no {year}-{month:02d}-{day:02d}") from error


def clock_of(stamp: Stamp) -> tuple[time, timedelta]:
    """The time of day, and the fraction of its second.

    :raises ValueError: there is no such time of day.
    """
    parts = stamp.parts
    hour = int(parts["hour"])
    if "half" in parts:
        if not 1 <= hour <= 12:
            raise ValueError("an hour with AM or PM must be in 1..12")
        hour = hour % 12 + (12 if parts["half"].lower().startswith("p") else 0)
    minute, second = int(parts["minute"]), int(parts.get("second", "0"))
    if hour > 23 or minute > 59 or second > 59:
        raise ValueError("a day goes from 00:00:00 to 23:59:59")
    fraction = timedelta(seconds=float(f"0.{parts.get('fraction', '0')}"))
    return time(hour, minute, second), fraction


def utc_of(stamp: Stamp, order: Order, year: int | None, zone: tzinfo | None) -> tuple[float, str]:
    """Seconds since 1970 UTC, and what is doubtful on a night when clocks change; else empty.

    :param year: as for `date_of`.
    :param zone: of a stamp that names none, and must be the one its letters are of.
    :raises ValueError: there is no such time, or no such zone.
    """
    if stamp.unix_s is not None:
        return stamp.unix_s, ""
    clock, fraction = clock_of(stamp)
    local = datetime.combine(date_of(stamp, order, year), clock) + fraction
    if "letters" in stamp.parts and zone is not None:
        return _seconds(_lettered(local, stamp.parts["letters"], zone)), ""
    when = local.replace(tzinfo=_zone(stamp.parts["zone"]) if "zone" in stamp.parts else zone)
    return _seconds(when), _doubt(when)


def _seconds(when: datetime) -> float:
    return (when - EPOCH).total_seconds()


def _lettered(local: datetime, letters: str, zone: tzinfo) -> datetime:
    """The time at which the clock of the zone goes by these letters."""
    name = ALIASES.get(letters.lower(), letters.upper())
    for fold in (0, 1):
        when = local.replace(tzinfo=zone, fold=fold)
        if when.tzname() == name:
            return when
    then = local.replace(tzinfo=zone).tzname()
    raise ValueError(
        f"the clock of --zone {zone} is called {then} then, not {letters}; give the zone of the "
        "log, or write an offset such as +01:00"
    )


def _doubt(when: datetime) -> str:
    before, after = when.utcoffset(), when.replace(fold=1).utcoffset()
    if before is None or after is None or before == after:
        return ""
    if before > after:
        return "comes twice, as clocks were set back that night: the first one was taken"
    return "does not exist, as clocks were set forward that night: it was read by the clock before"


def _zone(text: str) -> tzinfo:
    if "/" in text:
        try:
            return ZoneInfo(text)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise ValueError(f"there is no zone {text}") from error
    if text[0] not in "+-":
        return UTC
    digits = text[1:].replace(":", "").ljust(4, "0")
    offset = timedelta(hours=int(digits[:2]), minutes=int(digits[2:]))
    if offset > timedelta(hours=MOST_OFFSET_H):
        raise ValueError(f"no zone is {text} from UTC")
    return timezone(-offset if text[0] == "-" else offset)
