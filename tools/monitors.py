"""Which monitor saw an event, in a database of several that were merged."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from daemon.archive import Archive, EventRow
from daemon.schema import utc_seconds
from daemon.stored_settings import settings_of, table_of

UNNAMED = "unnamed"
TOGETHER_S = 1.0  # clocks of two monitors that are set from the network differ by less


@dataclass(frozen=True, slots=True)
class Monitor:
    """One monitor, with the place that its latest run watched."""

    name: str | None  # None: the only one
    place: str  # site and circuit; empty where the settings do not say

    def words(self) -> str:
        """`hall (Bakery, Oven 1)`; the only one is known by its place."""
        if self.name is None:
            return self.place
        return f"{self.name} ({self.place})" if self.place else self.name


class Monitors:
    """The monitors of one database, in the order of their first runs."""

    def __init__(self, archive: Archive) -> None:
        self._name_of_run = {run.id: run.origin or UNNAMED for run in archive.runs()}
        found = {}
        for run in archive.runs():
            site = table_of(settings_of(archive, run.settings_id), "site")
            words = [site.get("name"), site.get("circuit")]
            place = ", ".join(word for word in words if isinstance(word, str) and word)
            found[run.origin or UNNAMED] = place
        self.all = tuple(Monitor(name, place) for name, place in found.items())

    @property
    def are_several(self) -> bool:
        """Whether it has to be said at all which one saw what."""
        return len(self.all) > 1

    def name(self, event: EventRow) -> str:
        """The name of the monitor that saw it."""
        return self._name_of_run[event.run_id]

    def place(self, event: EventRow) -> str:
        """Site and circuit of that monitor."""
        return next(one.place for one in self.all if one.name == self.name(event))

    def words(self, event: EventRow) -> str:
        """The monitor that saw it, with its place."""
        return next(one.words() for one in self.all if one.name == self.name(event))

    def mark(self, event: EventRow) -> str:
        """`hall: `, to stand before what is said of an event; empty where there is one monitor."""
        return f"{self.name(event)}: " if self.are_several else ""

    def count_words(self, events: Sequence[EventRow], noun: str = "") -> str:
        """`hall 4, office 3`; with a noun `hall 4 events, office 1 event`."""
        counts = [sum(self.name(event) == one.name for event in events) for one in self.all]
        return ", ".join(
            f"{one.name} {count}{f' {noun}' if noun else ''}{'s' if noun and count != 1 else ''}"
            for one, count in zip(self.all, counts, strict=True)
        )

    def shared_words(self, events: Iterable[EventRow]) -> str:
        """Says that what several monitors saw at once is there once for each; else empty."""
        count = self._n_shared(events) if self.are_several else 0
        if not count:
            return ""
        what, each = "1 disturbance was", "it counts"
        if count > 1:
            what, each = f"{count} disturbances were", "they count"
        return (
            f"{what} seen by more than one monitor, of the same kind and within "
            f"{TOGETHER_S:g} s: {each} once for each of them."
        )

    def _n_shared(self, events: Iterable[EventRow]) -> int:
        """Stretches of one kind, begun within a second of each other, that several saw."""
        found, names, before = 0, set[str](), ("", 0.0)
        for event in sorted(events, key=lambda one: (one.kind.value, one.start_utc)):
            now = event.kind.value, utc_seconds(event.start_utc)
            if now[0] != before[0] or now[1] - before[1] > TOGETHER_S:
                names = set()
            was_one = len(names) == 1
            names.add(self.name(event))
            found += was_one and len(names) == 2
            before = now
        return found
