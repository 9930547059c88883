"""How much of the time was watched, and each stretch that was not, with its cause."""

from collections.abc import Iterable
from dataclasses import dataclass

from daemon.archive import Archive, RunRow
from daemon.page.words import duration_words
from daemon.records import LogKind
from daemon.schema import utc_seconds
from daemon.spans import Span, common, joined, without

NO_RUN = "the monitor did not run"


@dataclass(frozen=True, slots=True)
class Unseen:
    """A stretch in which nothing was seen."""

    start_utc_s: float
    end_utc_s: float
    cause: str


@dataclass(frozen=True, slots=True)
class Coverage:
    """A watch from its first to its last moment. `watched` are disjoint and in order."""

    watched: tuple[Span, ...]
    unseen: tuple[Unseen, ...]
    basis: str = ""  # of several monitors: what counts as watched, in words
    partly: tuple[Unseen, ...] = ()  # of several monitors: what one missed and another watched

    @property
    def since_utc_s(self) -> float:
        """The first moment, watched or not."""
        return min([self.watched[0][0], *(gap.start_utc_s for gap in self.unseen)])

    @property
    def until_utc_s(self) -> float:
        """The last moment, watched or not."""
        return max([self.watched[-1][1], *(gap.end_utc_s for gap in self.unseen)])

    @property
    def watched_s(self) -> float:
        """How long was watched."""
        return sum(end - start for start, end in self.watched)

    @property
    def share_pct(self) -> float:
        """Watched time in % of the whole."""
        whole_s = self.until_utc_s - self.since_utc_s
        return 100.0 if whole_s <= 0 else 100.0 * self.watched_s / whole_s

    def holds(self, utc_s: float) -> bool:
        """Whether this moment was watched."""
        return any(start <= utc_s <= end for start, end in self.watched)


def site_coverage(archive: Archive) -> Coverage | None:
    """The watch of all monitors in a database; None when none of them ever ran.

    Of several monitors that were merged, time counts as watched where any of them watched: what
    was seen then was seen. What only some of them missed stands in `partly`.
    """
    found = _of_each(archive)
    if len(found) < 2:
        return next(iter(found.values()), None)
    whole = _whole(found)
    watched = joined(span for one in found.values() for span in one.watched)
    blind = without([whole], watched)
    missed = {name: _whole_unseen(one, whole) for name, one in found.items()}
    lengths = " and ".join(
        f"{name} for {duration_words(round(one.watched_s))}" for name, one in found.items()
    )
    return Coverage(
        tuple(watched),
        tuple(Unseen(start, end, _causes(missed, (start, end))) for start, end in blind),
        f"time counts as watched where at least one of {len(found)} monitors watched: {lengths}",
        _in_order(_outside(missed, blind)),
    )


def common_coverage(archive: Archive) -> Coverage | None:
    """The watch for rates: of several monitors only the time in which all of them watched.

    Where they took turns there is none; then it is that of `site_coverage`.
    """
    found = _of_each(archive)
    if len(found) < 2:
        return next(iter(found.values()), None)
    whole = _whole(found)
    watched = [whole]
    for one in found.values():
        watched = common(watched, one.watched)
    if not watched:
        return site_coverage(archive)
    unseen = _outside({name: _whole_unseen(one, whole) for name, one in found.items()}, [])
    names = ", ".join(found)
    basis = f"only the time in which all {len(found)} monitors ({names}) watched is counted"
    return Coverage(tuple(watched), _in_order(unseen), basis)


def _of_each(archive: Archive) -> dict[str, Coverage]:
    """The watch of each monitor that ever ran, by its name."""
    origins = list(dict.fromkeys(run.origin for run in archive.runs()))
    return {
        origin or "unnamed": one
        for origin in origins
        if (one := find_coverage(archive, origin)) is not None
    }


def _whole(found: dict[str, Coverage]) -> Span:
    return (
        min(one.since_utc_s for one in found.values()),
        max(one.until_utc_s for one in found.values()),
    )


def _causes(missed: dict[str, list[Unseen]], blind: Span) -> str:
    """Why none of the monitors watched then."""
    causes = dict.fromkeys(
        (name, gap.cause)
        for name, gaps in missed.items()
        for gap in gaps
        if common([(gap.start_utc_s, gap.end_utc_s)], [blind])
    )
    if all(cause == NO_RUN for _, cause in causes):
        return NO_RUN
    return "; ".join(f"{name}: {cause}" for name, cause in causes)


def _outside(missed: dict[str, list[Unseen]], blind: list[Span]) -> list[Unseen]:
    """What each monitor missed, besides what all of them did."""
    return [
        Unseen(start, end, f"{name}: {gap.cause}")
        for name, gaps in missed.items()
        for gap in gaps
        for start, end in without([(gap.start_utc_s, gap.end_utc_s)], blind)
    ]


def _whole_unseen(one: Coverage, whole: Span) -> list[Unseen]:
    """What one monitor missed of the time of all."""
    outside = without([whole], [(one.since_utc_s, one.until_utc_s)])
    return [*one.unseen, *(Unseen(start, end, NO_RUN) for start, end in outside)]


def _in_order(unseen: Iterable[Unseen]) -> tuple[Unseen, ...]:
    return tuple(sorted(unseen, key=lambda gap: (gap.start_utc_s, gap.end_utc_s, gap.cause)))


def find_coverage(archive: Archive, origin: str | None = None) -> Coverage | None:
    """The watch of one monitor; None when it never ran.

    :param origin: which one, in a database of several that were merged.
    """
    runs = [run for run in archive.runs() if run.origin == origin]
    ids = {run.id for run in runs}
    logged = [
        Unseen(start, start + entry.duration_s, entry.text)
        for entry in archive.log(LogKind.UNOBSERVED, newest_first=False)
        if entry.run_id in ids and entry.duration_s
        for start in [utc_seconds(entry.start_utc)]
    ]
    ran = joined([*map(_span, runs), *((gap.start_utc_s, gap.end_utc_s) for gap in logged)])
    ran = [span for span in ran if span[1] > span[0]]
    unseen_spans = joined((gap.start_utc_s, gap.end_utc_s) for gap in logged)
    watched = without(ran, unseen_spans)
    if not watched:
        return None
    pauses = without([(ran[0][0], ran[-1][1])], ran)
    unseen = [*logged, *(Unseen(start, end, NO_RUN) for start, end in pauses)]
    return Coverage(tuple(watched), _in_order(unseen))


def _span(run: RunRow) -> Span:
    start = utc_seconds(run.started_utc)
    return start, max(start, utc_seconds(run.until_utc))
