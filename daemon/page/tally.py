"""What the page asks of the database beyond what every reader asks."""

import os
from dataclasses import dataclass
from pathlib import Path

from daemon.archive import IS_SERIOUS, Archive, open_archive
from daemon.records import Kind


@dataclass(frozen=True, slots=True)
class HourCount:
    """Events that began in one hour of one weekday, by local time."""

    weekday: int  # 0 is Monday
    hour: int
    n_events: int
    n_days: int  # different dates among them


class Tally(Archive):
    """An archive that counts, too."""

    def by_hour(self, kind: Kind | None, serious_only: bool) -> list[HourCount]:
        """Where in the week events began; hours without one are left out."""
        where = f"(?1 IS NULL OR kind = ?1) AND (NOT ?2 OR {IS_SERIOUS})"
        rows = self._read_counts(
            "SELECT (strftime('%w', substr(hour, 1, 10)) + 6) % 7 AS weekday, "
            "CAST(substr(hour, 12, 2) AS INTEGER) AS hour_of_day, sum(n_events) AS n_events, "
            "count(DISTINCT substr(hour, 1, 10)) AS n_days FROM event_count "
            f"WHERE n_events > 0 AND {where} GROUP BY weekday, hour_of_day ORDER BY 1, 2",
            (None if kind is None else kind.value, serious_only),
        )
        return [HourCount(*row) for row in rows]

    def neighbours(self, event_id: int) -> tuple[int | None, int | None]:
        """The events before and after one, in the order in which they were found."""
        rows = self._read(
            "SELECT (SELECT max(id) FROM event WHERE id < ?1), "
            "(SELECT min(id) FROM event WHERE id > ?1)",
            (event_id,),
        )
        before, after = tuple(rows[0])
        return before, after


def open_tally(path: Path) -> Tally:
    """The database at `path`, to be read and counted; raises as `open_archive`."""
    open_archive(path)
    return Tally(Path(os.path.realpath(path)))


def file_stamp(path: Path) -> str:
    """Changes whenever the database does: when was its file, or its log, last written."""
    parts = []
    for name in (path.name, f"{path.name}-wal"):
        try:
            found = path.with_name(name).stat()
        except OSError:
            parts.append("-")
        else:
            parts.append(f"{found.st_mtime_ns:x}.{found.st_size:x}")
    return "_".join(parts)
