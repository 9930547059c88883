"""When something was watched and when not: from the runs and the log."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from daemon.archive import LogRow, RunRow
from daemon.records import LogKind
from daemon.schema import utc_seconds
from daemon.spans import Span, joined, without

TOUCH_S = 300.0  # a run says every four minutes how far it has got


@dataclass(frozen=True, slots=True)
class WatchTime:
    """Disjoint stretches in order, UTC seconds."""

    watched: tuple[Span, ...] = ()
    unseen: tuple[Span, ...] = ()

    @property
    def since_s(self) -> float | None:
        """The first moment of the watch; None when it never began."""
        return min((span[0] for span in (*self.watched, *self.unseen)), default=None)

    @property
    def until_s(self) -> float:
        """The last moment, watched or not."""
        return max((span[1] for span in (*self.watched, *self.unseen)), default=0.0)

    @property
    def coverage_pct(self) -> float | None:
        """Watched time in % of the whole; None when there is none yet."""
        watched_s = sum(end - start for start, end in self.watched)
        unseen_s = sum(end - start for start, end in self.unseen)
        whole_s = watched_s + unseen_s
        return 100 * watched_s / whole_s if whole_s > 0 else None


NEVER = WatchTime()


def watch_time(
    runs: Sequence[RunRow], log: Sequence[LogRow], now_s: float, is_watching: bool
) -> WatchTime:
    """The watch from its first run until now, or until it was stopped.

    :param is_watching: the monitor is seen to measure now, so the latest run reaches until now.
    """
    ran = [(utc_seconds(run.started_utc), utc_seconds(run.until_utc)) for run in runs]
    if ran and is_watching:
        ran[-1] = (ran[-1][0], max(now_s, ran[-1][1]))
    gaps = joined(
        (start, start + row.duration_s)
        for row in log
        if row.kind is LogKind.UNOBSERVED and row.duration_s
        for start in [utc_seconds(row.start_utc)]
    )
    covered = joined([*ran, *gaps])
    watched = without(covered, gaps)
    if not covered:
        return NEVER
    end = covered[-1][1]
    is_cut = not is_watching and not runs[-1].stopped and now_s > end + TOUCH_S
    whole = (covered[0][0], now_s if is_cut else end)
    return WatchTime(tuple(watched), tuple(without([whole], watched)))


def clipped(spans: Iterable[Span], start_s: float, end_s: float) -> list[Span]:
    """The parts inside a window."""
    return [
        (max(start, start_s), min(end, end_s))
        for start, end in spans
        if start < end_s and end > start_s
    ]
