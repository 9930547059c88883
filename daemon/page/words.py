"""How numbers, times and events are said to people. Pure, and the same in every locale."""

import re
from datetime import UTC, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from markupsafe import Markup, escape

from daemon.archive import EventRow, LogRow

NOTHING = "–"
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_QUANTITY = re.compile(r"\b[0-9]+(?:\.[0-9]+)? (?:%|(?:V|Hz|kHz|kS/s|ms|s|min|h|MB|GB|°C)\b)")
_STAMP = re.compile(r"\b[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(?:\.[0-9]+)?Z")
_DIGITS = {"V": 1, "%": 1, "Hz": 3}
_VERDICTS = {
    "within": "within",
    "may_stop": "equipment may stop",
    "may_damage": "may damage equipment",
    "beyond_limit": "beyond the supply limit",
}
_WHOLES = {
    **dict.fromkeys(("dip", "swell", "interruption", "rapid_voltage_change"), "of declared"),
    "transient": "of declared peak",
    "distortion": "of the fundamental",
    "unbalance": "u2: negative over positive sequence",
    "flicker": "over 10 minutes",
}
_CLOCKS = {
    "free": "not synchronised: the time may be off by any amount",
    "corrected": "corrected: the clock was set after the event",
    "recording": "the times are those of the recording or the simulation",
}
_LINKS = {
    "dip": "to",
    "swell": "to",
    "interruption": "to",
    "frequency": "to",
    "rapid_voltage_change": "by",
}


def number(value: float | None, digits: int) -> str:
    """A number with a fixed count of decimals, or a dash."""
    return NOTHING if value is None else f"{value:.{digits}f}"


def value_words(value: float | None, unit: str) -> str:
    """A value with its unit: `92.1 V`, `49.380 Hz`, `Pst 1.20`."""
    if unit == "Pst":
        return f"{unit} {number(value, 2)}"
    return f"{number(value, _DIGITS.get(unit, 2))} {unit}".rstrip()


def plain_words(value: float) -> str:
    """A number as a person would write it: 230, 0.5."""
    return f"{value:.6g}"


def glued(text: str) -> Markup:
    """The text, escaped, with every number and its unit kept on one line."""
    return Markup(_QUANTITY.sub(r'<span class="n">\g<0></span>', str(escape(text))))


def sentence_case(text: str) -> str:
    """The first letter large, the others as they are."""
    return text[:1].upper() + text[1:]


def size_words(megabytes: float) -> str:
    """A file size in MB or GB."""
    return f"{megabytes / 1000:.1f} GB" if megabytes >= 1000 else f"{megabytes:.1f} MB"


def duration_words(duration_s: float) -> str:
    """A duration in the two units that matter: `20 ms`, `0.31 s`, `4 min 05 s`, `1 day 10 h`."""
    if duration_s < 0.01:
        return f"{duration_s * 1000:.2f} ms"
    if duration_s < 0.0995:
        return f"{duration_s * 1000:.0f} ms"
    if duration_s < 60:
        return f"{duration_s:.2f} s" if duration_s % 1 else f"{duration_s:.0f} s"
    return _long_words(round(duration_s))


def _long_words(seconds: int) -> str:
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    days, hours = divmod(hours, 24)
    if days:
        return f"{days} day{'s' if days > 1 else ''} {hours} h"
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {seconds:02d} s"


def zone_of(name: str | None) -> tzinfo:
    """The time zone called `name`; UTC when there is no such zone here."""
    try:
        return ZoneInfo(name) if name else UTC
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return UTC


def local_time(iso_utc: str, zone: tzinfo) -> datetime:
    """A stamp such as 2026-03-04T17:32:10.250Z as local time."""
    return datetime.fromisoformat(iso_utc).astimezone(zone)


def when_words(when: datetime, now: datetime, with_seconds: bool = False) -> str:
    """A local time as seen from `now`: `today 18:02`, `Tue 3 Mar 18:02`, with the year if old."""
    clock = f"{when:%H:%M:%S}" if with_seconds else f"{when:%H:%M}"
    if when.date() == now.date():
        return f"today {clock}"
    if when.date() == now.date() - timedelta(days=1):
        return f"yesterday {clock}"
    year = "" if when.year == now.year else f" {when.year}"
    return f"{_DAYS[when.weekday()]} {when.day} {_MONTHS[when.month - 1]}{year} {clock}"


def localised(text: str, now: datetime) -> str:
    """The text with every UTC stamp in it said as local time, as seen from `now`."""
    return _STAMP.sub(lambda found: _stamp_words(found[0], now), text)


def _stamp_words(stamp: str, now: datetime) -> str:
    try:
        return when_words(local_time(stamp, now.tzinfo or UTC), now, with_seconds=True)
    except (ValueError, OverflowError):
        return stamp


def waiting_words(n_waiting: int) -> str:
    """How much has not reached the database: `3 entries wait`."""
    if n_waiting <= 0:
        return "nothing waits yet"
    return "1 entry waits" if n_waiting == 1 else f"{n_waiting} entries wait"


def kind_words(kind: str) -> str:
    """An event kind as people see it."""
    return "dip (sag)" if kind == "dip" else kind.replace("_", " ")


def verdict_words(verdict: str | None) -> str:
    """What a tolerance profile says of an event, for people."""
    return "not judged" if verdict is None else _VERDICTS.get(verdict, verdict)


def lasted_words(row: EventRow, open_run_id: int | None) -> str:
    """How long an event lasted. A rapid voltage change may be a single step.

    :param open_run_id: the run that is being watched now: only its open events still go on.
    """
    if row.kind == "rapid_voltage_change" and row.duration_s == 0:
        return "one step"
    if row.duration_s is not None:
        return duration_words(row.duration_s)
    return "still going on" if row.run_id == open_run_id else "end not seen"


def what_words(row: EventRow, open_run_id: int | None) -> str:
    """An event in one phrase: `dip (sag) to 92.1 V for 0.31 s on L1`."""
    lasted = lasted_words(row, open_run_id)
    link = _LINKS.get(row.kind, "of")
    value = value_words(row.value, row.unit)
    phrase = f"{kind_words(row.kind)} {link} {value}"
    if row.duration_s is None:
        return f"{phrase} on {row.channel}, {lasted}"
    return f"{phrase} {'in' if lasted == 'one step' else 'for'} {lasted} on {row.channel}"


def share_words(row: EventRow) -> str:
    """What the value is a share of: `49.8 % of declared`, for a voltage, or `of the fundamental`.

    Empty where the value says it all.
    """
    whole = _WHOLES.get(row.kind, "")
    return f"{row.value_pct:.1f} % {whole}" if whole and row.unit == "V" else whole


def clock_words(clock: str) -> str:
    """How far the time of an event can be trusted."""
    return _CLOCKS.get(clock, clock)


def first_stamp_words(row: EventRow | LogRow) -> str:
    """When it was first said to be, before the time was known better; empty: never corrected."""
    first = row.first
    if first is None or first.start_local is None:
        return ""
    return f"{first.start_local}, before the clock was set; the corrected time is shown"


def ordinal(order: int) -> str:
    """1st, 2nd, 3rd, 4th ... 11th ... 21st."""
    ending = "th" if 10 <= order % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(order % 10, "th")
    return f"{order}{ending}"
