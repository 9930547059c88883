"""Failures of the equipment held against the events of a database."""

import math
import re
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
from daemon.spool import SHUTDOWN
from tools.coverage import Coverage
from tools.failure_log import Failure, FailureLog, once_each
from tools.lag_words import window_words
from tools.matching import Chance, ClockOffset, Pair, chance, find_offset, match
from tools.monitors import Monitors
from tools.unjudged import count_unjudged, find_limits, unjudged_words
from tools.verdicts import NO_PROFILE, compared_with, find_supplies, judge_row, known_supplies

SEARCH_S = 2 * 3600.0  # clocks left in another zone are off by an hour, or by two
WINDOW_S = 5.0  # a machine that fails writes it down within seconds
MINUTE_S = 60.0  # a time without its seconds may be that far off
# Whoever sees a machine stand still has to go to the button first, and never knows beforehand; the
# second is for the clocks. Common practice, no source.
MARK_WINDOW_S, MARK_AHEAD_S = 120.0, 1.0
LOST = "samples lost"
_LOST_SAMPLES = re.compile(r"(?P<count>\d+) samples were not seen: (?P<cause>[^;]*)")
AFTER_WRITTEN = "after what the monitor has written so far; if it still watches, ask again in 5 min"


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
    ahead_s: float | None = None  # how long before an event a failure may be; None: as after it
    is_too_coarse: bool = False  # whole minutes, held against a window shorter than one
    watched_s: float = math.inf

    @property
    def n_all(self) -> int:
        """All failures, whether or not anything can be said of them."""
        return len(self.failures) + len(self.unwatched)

    @property
    def near_words(self) -> str:
        """How near is near, before what it is near to: `within 5 s of`."""
        link = "of" if self.ahead_s is None else "after"
        return f"within {window_words(self.window_s)} {link}"

    @property
    def unmatched_failures(self) -> list[Failure]:
        """Failures in watched time without an event near them."""
        matched = {pair.moment for pair in self.pairs}
        return [one for number, one in enumerate(self.failures) if number not in matched]

    @property
    def unmatched_occurrences(self) -> list[Occurrence]:
        """Events without a failure near them; one failure may have several events near it."""
        moments = sorted(failure.utc_s for failure in (*self.failures, *self.unwatched))
        return [one for one in self.occurrences if not self.is_near(one.span, moments)]

    def is_near(self, span: Span, moments: list[float]) -> bool:
        """Whether any of these moments, in their order, is near a span."""
        before_s = self.window_s if self.ahead_s is None else self.ahead_s
        first = bisect_left(moments, span[0] - before_s)
        return first < len(moments) and moments[first] <= span[1] + self.window_s


def read_marks(db: Path, archive: Archive) -> FailureLog:
    """The marks in the log of a database, as failures.

    :raises InputError: there is none.
    """
    every = archive.log(LogKind.MARK, newest_first=False)
    marks = [mark for mark in every if mark.text != SHUTDOWN]
    if not marks:
        raise InputError(f"{db} holds no marks; name a file with the times of the failures")
    found, repeated = once_each(
        Failure(utc_seconds(mark.start_utc), mark.text, mark.id) for mark in marks
    )
    said = "the failures are the marks that were set on the monitor"
    return FailureLog(found, (said, *repeated), is_marked=True)


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
    stored_by, kept = set(), []
    for event in archive.each(every):
        stored_by.add((event.run_id, event.profile))
        if not serious_only or _group(event) in serious:
            kept.append((event, judge(event)))
    return _grouped(kept), _compared_with(archive, stored_by, profile_name)


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
    stored_by = {(event.run_id, event.profile) for event in events}
    return wanted, _compared_with(archive, stored_by, profile_name)


def _judging(
    db: Path, archive: Archive, profile_name: str | None
) -> Callable[[EventRow], Judgement]:
    """What is said of an event: what is stored, or by another profile."""
    if profile_name is None:
        return lambda event: Judgement(event.profile, event.verdict, event.limit)
    profile, supplies = find_limits(profile_name), find_supplies(db, archive)
    return lambda event: judge_row(event, profile, supplies[event.run_id])


def _compared_with(
    archive: Archive, stored_by: Collection[tuple[int, str]], profile_name: str | None
) -> str:
    if profile_name is not None:
        return find_profile(profile_name, user_profile_dir()).id
    return ", ".join(compared_with(archive, stored_by)) or NO_PROFILE


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

    window_s: float | None = None  # None: what suits the log
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
    window_s, ahead_s = _window_s(log, question), MARK_AHEAD_S if log.is_marked else None
    inside = tuple(one for one in failures if coverage.holds(one.utc_s))
    outside = tuple(one for one in failures if not coverage.holds(one.utc_s))
    is_open = not max(archive.runs(), key=lambda run: (run.until_utc, run.id)).stopped
    moments = [failure.utc_s for failure in inside]
    spans = [occurrence.span for occurrence in occurrences]
    return Correlation(
        failures=inside,
        unwatched=outside,
        unwatched_why=tuple(_why_unwatched(one.utc_s, coverage, is_open) for one in outside),
        occurrences=tuple(occurrences),
        pairs=tuple(match(moments, spans, window_s, ahead_s)),
        window_s=window_s,
        profile=profile,
        serious_only=question.serious_only,
        chance=chance(moments, spans, window_s, coverage.watched, ahead_s),
        offset=_offset(log, spans, window_s),
        taken_s=log.offset_s,
        assumptions=(
            *log.assumptions,
            *_window_notes(log, question),
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
        ahead_s=ahead_s,
        is_too_coarse=log.is_in_minutes and window_s < MINUTE_S,
        watched_s=coverage.watched_s,
    )


def _window_s(log: FailureLog, question: Question) -> float:
    if question.window_s is not None:
        return question.window_s
    if log.is_marked:
        return MARK_WINDOW_S
    return MINUTE_S if log.is_in_minutes else WINDOW_S


def _offset(log: FailureLog, spans: list[Span], window_s: float) -> ClockOffset | None:
    if log.is_marked:  # by the clock that the events are stamped by
        return None
    return find_offset([one.utc_s for one in log.failures], spans, window_s, SEARCH_S)


def _why_unwatched(utc_s: float, coverage: Coverage, is_open: bool) -> str:
    if utc_s < coverage.since_utc_s:
        return "before the watch"
    if utc_s > coverage.until_utc_s:
        return AFTER_WRITTEN if is_open else "after the watch"
    causes = [gap.cause for gap in coverage.unseen if gap.start_utc_s <= utc_s <= gap.end_utc_s]
    return ": ".join(["not watched", *map(_cause_words, causes[:1])])


def _cause_words(cause: str) -> str:
    """Why a stretch was not watched; of lost samples, how many, once."""
    return _LOST_SAMPLES.sub(_lost_words, cause)


def _lost_words(found: re.Match[str]) -> str:
    if found["cause"] != LOST:
        return found["cause"]
    n_lost = int(found["count"])
    return "1 sample was lost" if n_lost == 1 else f"{n_lost:,} samples were lost".replace(",", " ")


def _window_notes(log: FailureLog, question: Question) -> list[str]:
    """What the window rests on, where it is not the usual one."""
    notes = []
    if log.is_marked:
        until = f"{window_words(_window_s(log, question))} before a mark"
        notes.append(
            f"whoever marks comes after the failure: events count from {until} to "
            f"{window_words(MARK_AHEAD_S)} after it"
        )
    if log.is_in_minutes and question.window_s is None and not log.is_marked:
        notes.append(
            "the failures' times are whole minutes: so an event within 1 min counts as near, "
            f"instead of {window_words(WINDOW_S)}"
        )
    elif log.is_in_minutes and _window_s(log, question) < MINUTE_S:
        notes.append(
            "the failures' times are whole minutes, too coarse for that window: ask again with "
            "one of 1 min"
        )
    return notes


def _corrected_notes(archive: Archive) -> list[str]:
    ids = ", ".join(str(run.id) for run in archive.runs() if run.first_started_utc)
    if not ids:
        return []
    return [f"times of run {ids} were corrected after the clock was set; those are compared"]
