"""Which events are one disturbance of the supply, for lists, reports and one event."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from daemon.archive import Archive, EventRow
from daemon.groups import Group, disturbances, shared
from daemon.stored_settings import settings_of

Key = tuple[int, int]  # run, group


@dataclass(frozen=True, slots=True)
class Together:
    """A disturbance of several lines, and the events that are its parts."""

    group: Group
    rows: tuple[EventRow, ...]

    @property
    def worst(self) -> EventRow:
        """The event of the worst line."""
        is_worst = [row for row in self.rows if row.channel == self.group.worst_channel]
        return min(is_worst, key=lambda row: abs(row.value - self.group.value_v))

    def as_row(self) -> EventRow:
        """The disturbance as a row of a list: the event of its worst line, with its own times."""
        first = min(self.rows, key=lambda row: row.start_s)
        return replace(
            self.worst,
            kind=self.group.kind,
            channel=", ".join(self.group.channels),
            start_utc=first.start_utc,
            start_local=first.start_local,
            start_s=self.group.start_s,
            duration_s=self.group.duration_s,
        )


class Disturbances:
    """Of one database, each looked for when it is asked for."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._runs = {run.id: run for run in archive.runs()}
        self._settings = {
            number: settings_of(archive, number)
            for number in {run.settings_id for run in self._runs.values()}
        }
        self._found: dict[Key, list[Together]] = {}

    def together(self, row: EventRow) -> list[Together]:
        """What this event was part of, where several lines were touched."""
        key = (row.run_id, row.group)
        if len(self._runs[row.run_id].channels) < 2:
            return []
        if key not in self._found:
            rows = self._archive.group(*key)
            self._found[key] = [
                Together(group, tuple(one for one in rows if group.has(one)))
                for group in shared(self.of_supply(row.run_id, rows))
            ]
        return [one for one in self._found[key] if one.group.has(row)]

    def of_supply(self, run_id: int, rows: Sequence[EventRow]) -> list[Group]:
        """Every dip, swell and interruption that these events of a run are part of."""
        run = self._runs[run_id]
        return disturbances(rows, run.channels, self._settings[run.settings_id])


def words_for_rows(archive: Archive, events: Sequence[EventRow]) -> dict[int, str]:
    """What to say beside the rows of a list, by id: at the first row of a disturbance all of it."""
    disturbances, found = Disturbances(archive), {}
    told: dict[tuple[int, Group], int] = {}
    for event in events:
        texts = []
        for part in disturbances.together(event):
            first = told.setdefault((event.run_id, part.group), event.id)
            is_first = first == event.id
            texts.append(part.group.words() if is_first else f"same {event.kind} as no. {first}")
        if texts:
            found[event.id] = "; ".join(texts)
    return found


def beside_each_other(events: Sequence[EventRow]) -> list[EventRow]:
    """The same events, those of one group one after another where the first of them stands."""
    parts: dict[Key, list[EventRow]] = defaultdict(list)
    for event in events:
        parts[event.run_id, event.group].append(event)
    return [event for some in parts.values() for event in some]
