"""Whether the events of a list come back at fixed times of the site's day, or evenly."""

from collections.abc import Sequence
from datetime import datetime, tzinfo

from daemon.archive import EventRow
from daemon.fixed_times import RARE, Repetition, repetition
from daemon.page.words import kind_words
from daemon.records import Kind
from daemon.schema import utc_seconds

ADVICE = "Look for what is switched, or starts to run, at those times"


def find_repetition(events: Sequence[EventRow], zone: tzinfo) -> Repetition | None:
    """The most striking regularity of all the events or of one kind; chance counts every try.

    A disturbance of several lines counts once. Events of a clock that nothing had set do not count.
    """
    sure = [event for event in events if event.clock != "free"]
    kinds = [kind for kind in Kind if any(event.kind is kind for event in sure)]
    tries = [_of(sure, "events", zone)]
    if len(kinds) > 1:
        tries += [
            _of([event for event in sure if event.kind is kind], f"{kind_words(kind)} events", zone)
            for kind in kinds
        ]
    found = [one for one in tries if one is not None and one.chance * len(tries) <= RARE]
    best = min(found, key=lambda one: one.chance, default=None)
    return None if best is None else best.with_chance(best.chance * len(tries))


def repeats_words(event: EventRow, events: Sequence[EventRow], zone: tzinfo) -> str:
    """The hint for an event that is one of those that come back, with its evidence; else empty."""
    found = find_repetition(events, zone)
    if found is None:
        return ""
    together = [one for one in events if (one.run_id, one.group) == (event.run_id, event.group)]
    starts = {start_of(one, zone) for one in [event, *together]}
    return f"{found.text}: {found.chance_words}. {ADVICE}" if starts & found.fits else ""


def start_of(event: EventRow, zone: tzinfo) -> datetime:
    """The start as local time of the site."""
    return datetime.fromtimestamp(utc_seconds(event.start_utc), zone)


def _of(events: Sequence[EventRow], noun: str, zone: tzinfo) -> Repetition | None:
    starts: dict[tuple[int, int], datetime] = {}
    for event in events:
        start, key = start_of(event, zone), (event.run_id, event.group)
        starts[key] = min(starts.get(key, start), start)
    return repetition(list(starts.values()), noun)
