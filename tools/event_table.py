"""The table of events that the verbs share."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from daemon.archive import EventRow
from daemon.page.words import kind_words, lasted_words, value_words
from daemon.records import Kind
from tools.event_facts import share_words
from tools.monitors import Monitors
from tools.text import event_time, table, wrapped

_HEADINGS = ("No", "Time", "What", "Channel", "Value", "of declared", "Lasted")
_RIGHT = ("No", "Value", "of declared", "Lasted")
_OF_DECLARED = (Kind.DIP, Kind.SWELL, Kind.INTERRUPTION, Kind.RAPID_VOLTAGE_CHANGE)


@dataclass(frozen=True, slots=True)
class Line:
    """An event, and what is to be said of it: in columns of their own, or as a sentence."""

    event: EventRow
    columns: tuple[str, ...]
    sentence: str
    above: str = ""  # what stands over this row and the ones that follow it


@dataclass(frozen=True, slots=True)
class Seen:
    """By whom, and what is seen now."""

    open_run_id: int | None  # the run that goes on now, if one does
    monitors: Monitors


def event_table(
    lines: Sequence[Line], headings: Sequence[str], seen: Seen, width: int
) -> list[str]:
    """One line for each event where that fits, else days as headings and two lines for each.

    :param headings: those of `Line.columns`.
    """
    cells = [_cells(line.event, seen.open_run_id) for line in lines]
    by_whom = [[seen.monitors.name(line.event)] * seen.monitors.are_several for line in lines]
    named = ["Monitor"] * seen.monitors.are_several + [*headings]
    wide = [
        [*row, *whose, *line.columns]
        for row, whose, line in zip(cells, by_whom, lines, strict=True)
    ]
    for gap in ("  ", " "):
        whole = table((*_HEADINGS, *named), wide, _RIGHT, gap)
        if max(map(len, whole)) > width:
            continue
        heading, *rows = whole
        return [heading, *(text for line, row in zip(lines, rows, strict=True)
                           for text in (*wrapped(line.above, width), row))]  # fmt: skip
    heading, *rows = _narrow(cells, width)
    indent = " " * (heading.index("No") + 4)
    found, day = [heading], ""
    for line, row in zip(lines, rows, strict=True):
        if line.event.start_local[:10] != day:
            day = line.event.start_local[:10]
            found.append(f"{date.fromisoformat(day):%A} {day}")
        sentence = f"{seen.monitors.mark(line.event)}{line.sentence}"
        found += [*wrapped(line.above, width), row, *wrapped(sentence, width, indent)]
    return found


def _narrow(cells: list[list[str]], width: int) -> list[str]:
    """Times without the day, columns closer together, then channel names cut to what room is."""
    timed = [[number, time[11:], *rest] for number, time, *rest in cells]
    lines = table(_HEADINGS, timed, _RIGHT)
    if max(map(len, lines)) <= width:
        return lines
    lines = table(_HEADINGS, timed, _RIGHT, " ")
    too_wide = max(map(len, lines)) - width
    if too_wide <= 0:
        return lines
    room = max(max(len(row[3]) for row in timed) - too_wide, len("Channel"))
    return table(_HEADINGS, [[*row[:3], row[3][:room], *row[4:]] for row in timed], _RIGHT, " ")


def _cells(event: EventRow, open_run_id: int | None) -> list[str]:
    return [
        str(event.id),
        event_time(event.start_local),
        kind_words(event.kind),
        event.channel,
        value_words(event.value, event.unit),
        _share(event),
        _lasted(event, open_run_id),
    ]


def _share(event: EventRow) -> str:
    share = share_words(event.value_pct, "< 0.1 %")
    if event.kind is Kind.TRANSIENT:
        return f"{share} peak"
    return share if event.kind in _OF_DECLARED else ""


def _lasted(event: EventRow, open_run_id: int | None) -> str:
    if event.duration_s is None and event.run_id == open_run_id:
        return "ongoing"
    return lasted_words(event, None)
