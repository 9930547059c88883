"""The options by which verbs are told how to read a log of failures, and times on the way."""

import re
from collections.abc import Callable
from datetime import UTC, timedelta, timezone, tzinfo
from functools import wraps
from typing import Concatenate, ParamSpec
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import click

from daemon.errors import InputError
from tools.failure_log import Reading

P = ParamSpec("P")
_SPAN = re.compile(r"([+-]?\d{1,9}(?:\.\d{1,6})?) ?(ms|s|min|h|d)?")
_UNITS_S = {None: 1.0, "s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0, "d": 86400.0}
_WINDOW_MOST_S, _OFFSET_MOST_S = 86400.0, 366 * 86400.0


def reading_options(
    verb: Callable[Concatenate[Reading, P], None],
) -> Callable[..., None]:
    """Gives a verb `--zone`, `--day-first`, `--column` and `--offset` as one `Reading`."""

    @click.option("--zone", metavar="Z", help="Of failure times: Europe/Vienna, +01:00.")
    @click.option(
        "--day-first/--month-first", "is_day_first", default=None,
        help="Whether 03/04 is 3 April, where the failure times leave it open.",
    )  # fmt: skip
    @click.option("--column", metavar="C", help="Heading or number of the column of failure times.")
    @click.option(
        "--offset", default="0s", metavar="T",
        help="How far the failures' clock is ahead: 12s, -1h.",
    )  # fmt: skip
    @wraps(verb)
    def wrapper(
        zone: str | None, is_day_first: bool | None, column: str | None, offset: str,
        *words: P.args, **named: P.kwargs,
    ) -> None:  # fmt: skip
        offset_s = parse_span("--offset", offset, below_zero=True)
        known_zone = None if zone is None else parse_zone(zone)
        verb(Reading(known_zone, is_day_first, column, offset_s), *words, **named)

    return wrapper


def parse_zone(text: str) -> tzinfo:
    """A zone by its name, or an offset from UTC.

    :raises InputError: there is no such zone.
    """
    found = re.fullmatch(r"([+-])(\d{1,2})(?::?(\d{2}))?", text)
    if found:
        offset = timedelta(hours=int(found[2]), minutes=int(found[3] or 0))
        if offset < timedelta(hours=24):
            return timezone(-offset if found[1] == "-" else offset)
    if text.upper() in ("Z", "UTC"):
        return UTC
    try:
        return ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise InputError(
            f"--zone is {text!r}; it takes a name such as Europe/Vienna, or an offset: +01:00"
        ) from error


def parse_span(option: str, text: str, *, below_zero: bool = False) -> float:
    """A length of time as people type it, in seconds.

    :param below_zero: it may be below zero, down to -366 days, and up to 366; otherwise up to one.
    :raises InputError: it is none, or is out of bounds.
    """
    found = _SPAN.fullmatch(text.strip())
    if found is None:
        raise InputError(
            f"{option} is {text!r:.40}; it takes a number with ms, s, min, h or d: 500ms, 5s, 2min"
        )
    span_s = float(found[1]) * _UNITS_S[found[2]]
    if below_zero and abs(span_s) > _OFFSET_MOST_S:
        raise InputError(f"{option} is {text!r}; it must be from -366d to 366d")
    if not below_zero and not 0 < span_s <= _WINDOW_MOST_S:
        raise InputError(f"{option} is {text!r}; it must be more than 0 and at most 1d")
    return span_s
