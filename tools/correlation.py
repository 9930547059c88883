"""Failures of the equipment held against the events of a database."""

from bisect import bisect_left
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path

from daemon.archive import Archive, EventFilter, EventRow
from daemon.errors import InputError
from daemon.judge import is_serious, severity_order
from daemon.profiles import find_profile, user_profile_dir
from daemon.records import Judgement, LogKind, Verdict
from daemon.schema import utc_seconds
from daemon.spans import Span
from tools.coverage import Coverage
from tools.failure_log import Failure, FailureLog
from tools.matching import Chance, ClockOffset, Pair, chance, find_offset, match
from tools.monitors import Monitors
from tools.unjudged import count_unjudged, find_limits, unjudged_words
from tools.verdicts import find_supplies, judge_row, known_supplies

SEARCH_S = 2 * 3600.0  # clocks left in another zone are off by an hour, or by two


@dataclass(frozen=True, slots=True)
class Occurrence:
    """One disturbance: the events of one group, on all channels."""

    events: tuple[EventRow, ...]  # the worst first
    verdict: Verdict | None
    limit: str | None
    span: Span  # UTC seconds

    @property
    def worst(self) -> EventRow:
        """The event to name it by."""
        return self.events[0]


@dataclass(frozen=True, slots=True)
class Correlation:
    """Failures against occurrences; `pairs` number both."""

    failures: tuple[Failure, ...]  # in watched time
    unwatched: tuple[Failure, ...]  # about which nothing can be said
    unwatched_why: tuple[str, ...]  # of each of them
    occurrences: tuple[Occurrence, ...]
    pairs: tuple[Pair, ...]
    window_s: float
    profile: str
    serious_only: bool
    chance: Chance
    offset: ClockOffset | None  # besides what was taken out already
    taken_s: float  # how far the failures' clock was ahead, as taken out
    assumptions: tuple[str, ...]
    monitors: Monitors
    unjudged: str = ""  # which events have no verdict, in words

    @property
    def unmatched_failures(self) -> list[Failure]:
        """Failures in watched time without an event near them."""
        matched = {pair.moment for pair in self.pairs}
        return [one for number, one in enumerate(self.failures) if number not in matched]

    @property
    def unmatched_occurrences(self) -> list[Occurrence]:
        """Events without a failure near them; one failure may have several events near it."""
        moments = sorted(failure.utc_s for failure in (*self.failures, *self.unwatched))
        return [one for one in self.occurrences if not self._is_near(one.span, moments)]

    def _is_near(self, span: Span, moments: list[float]) -> bool:
        first = bisect_left(moments, span[0] - self.window_s)
        return first < len(moments) and moments[first] <= span[1] + self.window_s


def read_marks(db: Path, archive: Archive) -> FailureLog:
    """The marks in the log of a database, as failures.

    :raises InputError: there is none.
    """
    marks = archive.log(LogKind.MARK, newest_first=False)
    if not marks:
        raise InputError(f"{db} holds no marks; name a file with the times of the failures")
    found = tuple(Failure(utc_seconds(mark.start_utc), mark.text, mark.id) for mark in marks)
    return FailureLog(found, ("the failures are the marks that were set on the monitor",))


def find_occurrences(
    db: Path, archive: Archive, profile_name: str | None, *, serious_only: bool
) -> tuple[list[Occurrence], str]:
    """The disturbances in the order of time, and what they were compared with.

    :param profile_name: another profile than the stored one.
    """
    judge = _judging(db, archive, profile_name)
    every = EventFilter(newest_first=False)
    serious: set[tuple[int, int]] = set()
    if serious_only:  # first which they are, then they alone: very many may be within
        stored = replace(every, serious_only=profile_name is None)
        serious = {_group(e) for e in archive.each(stored) if is_serious(judge(e).verdict)}
    names, kept = set(), []
    for event in archive.each(every):
        names.add(event.profile)
        if not serious_only or _group(event) in serious:
            kept.append((event, judge(event)))
    return _grouped(kept), _compared_with(names, profile_name)


def occurrences_among(
    events: list[EventRow],
    db: Path,
    archive: Archive,
    profile_name: str | None,
    *,
    serious_only: bool,
) -> tuple[list[Occurrence], str]:
    """The same, of these events only."""
    judge = _judging(db, archive, profile_name)
    found = _grouped([(event, judge(event)) for event in events])
    wanted = [one for one in found if is_serious(one.verdict) or not serious_only]
    return wanted, _compared_with({event.profile for event in events}, profile_name)


def _judging(
    db: Path, archive: Archive, profile_name: str | None
) -> Callable[[EventRow], Judgement]:
    """What is said of an event: what is stored, or by another profile."""
    if profile_name is None:
        return lambda event: Judgement(event.profile, event.verdict, event.limit)
    profile, supplies = find_limits(profile_name), find_supplies(db, archive)
    return lambda event: judge_row(event, profile, supplies[event.run_id])


def _compared_with(stored: Collection[str], profile_name: str | None) -> str:
    if profile_name is not None:
        return find_profile(profile_name, user_profile_dir()).id
    return ", ".join(sorted(stored)) or "no profile"


def _group(event: EventRow) -> tuple[int, int]:
    return event.run_id, event.group


def _grouped(judged: list[tuple[EventRow, Judgement]]) -> list[Occurrence]:
    judged.sort(key=lambda one: _group(one[0]))
    groups = groupby(judged, key=lambda one: _group(one[0]))
    return sorted((_occurrence(list(group)) for _, group in groups), key=lambda one: one.span)


def _occurrence(judged: list[tuple[EventRow, Judgement]]) -> Occurrence:
    judged.sort(key=lambda one: (-severity_order(one[1].verdict), one[0].start_utc, one[0].id))
    events, worst = tuple(event for event, _ in judged), judged[0][1]
    starts = [utc_seconds(event.start_utc) for event in events]
    ends = [start + (event.duration_s or 0.0) for start, event in zip(starts, events, strict=True)]
    return Occurrence(events, worst.verdict, worst.limit, (min(starts), max(ends)))


@dataclass(frozen=True, slots=True)
class Question:
    """How near is near, and what counts."""

    window_s: float
    profile_name: str | None = None
    serious_only: bool = True


def correlate(
    db: Path, archive: Archive, log: FailureLog, coverage: Coverage, question: Question
) -> Correlation:
    """Hold the failures against the events of a database."""
    occurrences, profile = find_occurrences(
        db, archive, question.profile_name, serious_only=question.serious_only
    )
    failures = log.failures
    inside = tuple(one for one in failures if coverage.holds(one.utc_s))
    outside = tuple(one for one in failures if not coverage.holds(one.utc_s))
    moments = [failure.utc_s for failure in inside]
    spans = [occurrence.span for occurrence in occurrences]
    return Correlation(
        failures=inside,
        unwatched=outside,
        unwatched_why=tuple(_why_unwatched(one.utc_s, coverage) for one in outside),
        occurrences=tuple(occurrences),
        pairs=tuple(match(moments, spans, question.window_s)),
        window_s=question.window_s,
        profile=profile,
        serious_only=question.serious_only,
        chance=chance(moments, spans, question.window_s, coverage.watched),
        offset=find_offset([one.utc_s for one in failures], spans, question.window_s, SEARCH_S),
        taken_s=log.offset_s,
        assumptions=(
            *log.assumptions,
            *_minute_notes(log, question.window_s),
            *([coverage.basis] if coverage.basis else []),
            *_corrected_notes(archive),
        ),
        monitors=Monitors(archive),
        unjudged=(
            unjudged_words(
                profile,
                count_unjudged(archive, question.profile_name),
                known_supplies(archive).values(),
            )
            if question.serious_only
            else ""
        ),
    )


def _why_unwatched(utc_s: float, coverage: Coverage) -> str:
    if utc_s < coverage.since_utc_s:
        return "before the watch"
    if utc_s > coverage.until_utc_s:
        return "after the watch"
    causes = [gap.cause for gap in coverage.unseen if gap.start_utc_s <= utc_s <= gap.end_utc_s]
    return ", ".join(["not watched", *causes[:1]])


def _minute_notes(log: FailureLog, window_s: float) -> list[str]:
    if not log.is_in_minutes or window_s >= 60.0:
        return []
    return [
        "the failures' times are whole minutes: if their seconds were not written down, ask "
        "again with `correlate --window 1min`"
    ]


def _corrected_notes(archive: Archive) -> list[str]:
    ids = ", ".join(str(run.id) for run in archive.runs() if run.first_started_utc)
    if not ids:
        return []
    return [f"times of run {ids} were corrected after the clock was set; those are compared"]
