"""Text for the terminal: tables, wrapped sentences, and times as people type and read them."""

import re
import shutil
import textwrap
from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo

from daemon.errors import InputError

_QUANTITY = re.compile(r"(?<=[0-9]) (?=(?:%|V|Hz|kHz|ms|s|min|h)(?![A-Za-z0-9]))")
_UNITS_S = {"s": 1, "min": 60, "h": 3600, "d": 86400, "w": 604800}
_COMPUTED = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")  # and as wide letters
_RELATIVE = re.compile(r"(\d{1,9}(?:\.\d{1,3})?) ?(s|min|h|d|w)(?: ago)?")
_LAST_S = 253_402_300_799.0  # the end of the year 9999, the last that a stamp can name


def terminal_width() -> int:
    """Columns to fill: those of the terminal, or COLUMNS, or 80."""
    return max(shutil.get_terminal_size((80, 24)).columns, 40)


def clean(text: str) -> str:
    """Text from a database without anything that a terminal would obey."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def csv_cell(value: object) -> object:
    """A cell of a CSV file: text without what a terminal obeys or a spreadsheet would compute.

    An apostrophe before = + - @ makes a spreadsheet take a cell as text (common practice).
    """
    if not isinstance(value, str):
        return value
    text = clean(value)
    return f"'{text}" if text.lstrip().startswith(_COMPUTED) else text


def wrapped(text: str, width: int, indent: str = "") -> list[str]:
    """A sentence as lines of at most `width` columns."""
    kept = _QUANTITY.sub("\u00a0", clean(text))  # a number and its unit stay together
    lines = textwrap.wrap(
        kept, width, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False
    )
    return [line.replace("\u00a0", " ") for line in lines]


def table(
    headings: Sequence[str],
    rows: Sequence[Sequence[str]],
    right: Sequence[str] = (),
    gap: str = "  ",
) -> list[str]:
    """Aligned lines, the headings first; columns named in `right` are aligned to the right."""
    cells = [list(headings), *([clean(cell) for cell in row] for row in rows)]
    widths = [max(len(row[column]) for row in cells) for column in range(len(headings))]
    return [gap.join(_aligned(row, headings, widths, right)).rstrip() for row in cells]


def _aligned(
    row: Sequence[str], headings: Sequence[str], widths: Sequence[int], right: Sequence[str]
) -> list[str]:
    return [
        cell.rjust(width) if heading in right else cell.ljust(width)
        for cell, heading, width in zip(row, headings, widths, strict=True)
    ]


def event_time(start_local: str) -> str:
    """When an event began, local time of the site, to the millisecond: all that is stored.

    Nothing is cut or rounded, so that an event has the same time in every list.
    """
    return start_local[:23]


def moment_words(utc_s: float, zone: tzinfo) -> str:
    """Local time of the site, to the second; with milliseconds, rounded, where there are any."""
    when = datetime.fromtimestamp(round(utc_s, 3), zone)
    fraction = f".{when.microsecond // 1000:03d}" if when.microsecond >= 1000 else ""
    return f"{when:%Y-%m-%d %H:%M:%S}{fraction}"


def local_words(utc_s: float, zone: tzinfo) -> str:
    """Seconds since 1970 UTC as `2026-11-25 08:15`, local time of the site."""
    return f"{datetime.fromtimestamp(utc_s, zone):%Y-%m-%d %H:%M}"


def plural(count: float, noun: str) -> str:
    """`no events`, `1 event`, `12 events`, `1.5 cycles`, `2 classes`."""
    ending = "" if count == 1 else "es" if noun.endswith("s") else "s"
    return f"{f'{count:g}' if count else 'no'} {noun}{ending}"


def parse_time(option: str, text: str, zone: tzinfo, now_utc_s: float) -> float:
    """A time as people type it, in seconds since 1970 UTC.

    Either how long ago (`90s`, `30min`, `6h`, `2d`, `1w`), or an ISO date or time: with its own
    offset or Z, or else in the zone of the site. A date alone is its midnight.

    :raises InputError: it is neither.
    """
    relative = _RELATIVE.fullmatch(text.strip())
    if relative:
        return max(now_utc_s - float(relative[1]) * _UNITS_S[relative[2]], 0.0)
    try:
        when = datetime.fromisoformat(text.strip())
        zoned = when if when.tzinfo else when.replace(tzinfo=zone)
        utc_s = zoned.astimezone(UTC).timestamp()
    except OverflowError:
        utc_s = 0.0 if text.strip() < "1970" else _LAST_S
    except ValueError as error:
        raise InputError(
            f"{option} is {text!r}; it takes a date (2026-11-25), a time (2026-11-25T08:15), "
            "or how long ago (30min, 6h, 2d)"
        ) from error
    return min(max(utc_s, 0.0), _LAST_S)
