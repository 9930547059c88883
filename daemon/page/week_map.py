"""Where in the week events began: a square for each hour, and the answer in words."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from daemon.page.tally import HourCount
from daemon.page.watch_time import WatchTime

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_PLURALS = ("Mondays", "Tuesdays", "Wednesdays", "Thursdays", "Fridays", "Saturdays", "Sundays")
_FEWEST_DAYS = 3
_LEAST_SIZE = 0.35
_EVERY_HOUR_S = 8 * 86_400.0  # so long holds every hour of the week


@dataclass(frozen=True, slots=True)
class Cell:
    """One hour of one weekday. `size` is the side of its square, 0 to 1."""

    weekday: int
    hour: int
    size: float
    is_watched: bool
    words: str


@dataclass(frozen=True, slots=True)
class WeekMap:
    """All cells that have something to show, and what they come to."""

    cells: tuple[Cell, ...]
    words: str


def build_week_map(counts: Sequence[HourCount], watch: WatchTime, zone: tzinfo) -> WeekMap:
    """Draw the counts: the area of a square is the number of events, hatched is never watched."""
    watched = _watched_hours(watch, zone)
    by_hour = {(count.weekday, count.hour): count for count in counts}
    most = max((count.n_events for count in counts), default=1)
    cells = []
    for weekday in range(7):
        for hour in range(24):
            found = by_hour.get((weekday, hour))
            is_watched = (weekday, hour) in watched or found is not None
            if found is None and is_watched:
                continue
            size = 0.0 if found is None else max((found.n_events / most) ** 0.5, _LEAST_SIZE)
            cells.append(Cell(weekday, hour, round(size, 3), is_watched, _words(found)))
    return WeekMap(tuple(cells), _answer(counts))


def _watched_hours(watch: WatchTime, zone: tzinfo) -> set[tuple[int, int]]:
    """Hours of the week of which at least a part was watched once."""
    found: set[tuple[int, int]] = set()
    for start_s, end_s in watch.watched:
        from_s = max(start_s, end_s - _EVERY_HOUR_S)
        at = datetime.fromtimestamp(from_s, zone).replace(minute=0, second=0, microsecond=0)
        while at.timestamp() < end_s and len(found) < 7 * 24:
            found.add((at.weekday(), at.hour))
            at = (at.astimezone(UTC) + timedelta(hours=1)).astimezone(zone)
    return found


def _words(count: HourCount | None) -> str:
    if count is None:
        return "never watched"
    events = "1 event" if count.n_events == 1 else f"{count.n_events} events"
    days = "1 day" if count.n_days == 1 else f"{count.n_days} days"
    return f"{DAYS[count.weekday]} {count.hour:02d} to {count.hour + 1:02d} h: {events} on {days}"


def _answer(counts: Sequence[HourCount]) -> str:
    """A habit needs several days; many events within one hour of one day are none."""
    if not counts:
        return "No events."
    n_all = sum(count.n_events for count in counts)
    top = max(counts, key=lambda count: (count.n_days, count.n_events))
    hours = f"{top.hour:02d} to {top.hour + 1:02d} h"
    if top.n_days >= _FEWEST_DAYS:
        share = f"{top.n_events} of {n_all} events"
        return f"Most often {_PLURALS[top.weekday]} {hours}: {share}, on {top.n_days} days."
    return f"No habit to be seen: no hour of the week has events on {_FEWEST_DAYS} days yet."
