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


def start_of(event: EventRow, zone: tzinfo) -> datetime:
    """The start as local time of the site."""
    return datetime.fromtimestamp(utc_seconds(event.start_utc), zone)


def _of(events: Sequence[EventRow], noun: str, zone: tzinfo) -> Repetition | None:
    starts: dict[tuple[int, int], datetime] = {}
    for event in events:
        start, key = start_of(event, zone), (event.run_id, event.group)
        starts[key] = min(starts.get(key, start), start)
    return repetition(list(starts.values()), noun)
