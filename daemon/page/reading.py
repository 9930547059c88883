"""What the page knows at one moment: the snapshot with its age, and events from the database."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daemon.archive import Archive, EventFilter, open_archive
from daemon.errors import HalfcycleError
from daemon.page.words import duration_words
from daemon.records import Kind
from daemon.status import Snapshot, State, read_snapshot
from drivers.clock import Clock

STALE_AFTER_S = 5.0
"""The monitor writes once a second; five missed in a row are no accident."""

MOST_ROWS = 500
"""What one answer of the page may hold."""


@dataclass(frozen=True, slots=True)
class Reading:
    """The snapshot, and whether it can still be believed."""

    snapshot: Snapshot | None
    age_s: float | None  # negative: stamped in the future
    now_utc_s: float

    @property
    def is_fresh(self) -> bool:
        """A stamp from the future is as suspect as an old one: the clock was set back."""
        return self.age_s is not None and abs(self.age_s) <= STALE_AFTER_S

    @property
    def trouble(self) -> str | None:
        """Why there are no live values, or None while there are."""
        if self.snapshot is None or self.age_s is None:
            return "no status: the monitor has not written any, or it cannot be read"
        if self.snapshot.state is State.STOPPED:
            return "the monitor was stopped"
        if self.age_s < -STALE_AFTER_S:
            ahead = duration_words(-self.age_s)
            return f"no trustworthy data: the last status is stamped {ahead} in the future"
        if not self.is_fresh:
            since = duration_words(round(self.age_s))
            return f"no data for {since}: the monitor hangs or was ended without a word"
        return None


def take_reading(path: Path, clock: Clock) -> Reading:
    """The snapshot at `path` as it is now."""
    now_utc_s = clock.utc_ns() / 1e9
    snapshot = read_snapshot(path)
    written_utc_s = None if snapshot is None else _seconds(snapshot.written_utc)
    if written_utc_s is None:
        return Reading(None, None, now_utc_s)
    return Reading(snapshot, now_utc_s - written_utc_s, now_utc_s)


def count_by_kind(path: Path) -> dict[str, int] | None:
    """How many events of each kind the database holds, or None when it cannot be read."""
    try:
        archive = open_archive(path)
        return {kind.value: archive.count(EventFilter(kind=kind)) for kind in Kind}
    except (HalfcycleError, OSError):
        return None


def event_as_json(archive: Archive, number: int) -> dict[str, object]:
    """One event with the curves kept around it: rms per half cycle, and the waveform.

    :raises InputError: there is no such event.
    :raises StoreError: the database failed meanwhile.
    """
    found = archive.event(number).as_json()
    trace = archive.trace(number)
    if trace is not None:
        urms_v = _rounded(trace.urms_v)
        found["trace"] = {"start_s": _rounded(trace.start_s, 6), "urms_v": urms_v}
    found["waveforms"] = [
        {
            "first_index": part.first_index,
            "sample_rate_hz": part.sample_rate_hz,
            "volts": _rounded(part.volts),
        }
        for part in archive.waveforms(number)
    ]
    return found


def _rounded(values: NDArray[np.floating], digits: int = 2) -> list[float]:
    rounded: list[float] = np.round(values.astype(np.float64), digits).tolist()
    return rounded


def _seconds(iso_utc: str) -> float | None:
    try:
        return datetime.fromisoformat(iso_utc).timestamp()
    except ValueError:
        return None
