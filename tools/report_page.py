"""A report as one HTML page: everything gathered, then put into the template."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from importlib.resources import files
from pathlib import Path

import numpy as np
from jinja2 import Environment, StrictUndefined

from daemon.archive import Archive, EventRow
from daemon.errors import InputError
from daemon.judge import is_serious
from daemon.merging import BEFORE_MERGING
from daemon.page.words import (
    duration_words,
    glued,
    sentence_case,
    what_words,
)
from daemon.profiles import Profile, find_profile, user_profile_dir
from daemon.records import Judgement, Kind, Verdict
from daemon.schema import utc_seconds
from daemon.tolerance import Limits
from tools.check_db import cautions
from tools.correlate import (
    answer_lines,
    aside_words,
    lonely_title,
    lonely_words,
    pair_cells,
)
from tools.correlation import Correlation, Occurrence, occurrences_among
from tools.coverage import Coverage, site_coverage
from tools.drawing import Mark, svg_text
from tools.edits import find_edits
from tools.findings import OF_CURVES, Advice, Finding, Found, find_findings, load_advice
from tools.monitors import Monitors
from tools.probability import probability_words
from tools.report_answer import Gathered, answer, headline, long_words, place_words, share_words
from tools.report_events import MOST_PICTURED, EventBlock, Known, event_block, list_rows
from tools.report_extent import (
    MOST_LISTED,
    counts,
    events_to_report,
    extent_words,
    listed_words,
    summary_table,
)
from tools.report_facts import (
    METHODS,
    SAFETY,
    Compared,
    isolation_cautions,
    limits_of_sight,
    profile_facts,
    runs_words,
    site_facts,
)
from tools.report_howto import howto
from tools.saved_pictures import CURVE_KINDS, curve_words, judged_figure
from tools.site import find_site
from tools.supply_section import supply_section
from tools.text import moment_words, plural
from tools.verdicts import StoredJudgements, judge_row, known_supplies
from tools.watch_pictures import (
    DayHours,
    Stretch,
    coverage_figure,
    day_hour_figure,
    timeline_figure,
)

MOST_DAYS = 35
MOST_GAPS = 40
NOT_SEEN = " samples were not seen: "  # in the log; the row says for how long
MOST_NAMED = 5  # events of one advice
NOT_JUDGED = (
    "Not judged: the profile has no limit for events of this kind. That does not say that they "
    "were harmless."
)
DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a report is to say besides the database."""

    title: str | None
    date: str | None
    profile_name: str | None
    failures: Correlation | None


def report_html(db: Path, archive: Archive, wanted: Wanted) -> str:
    """The page. The same database and options give the same text."""
    found = _gather(db, archive, wanted)
    name, advised = place_words(found), _advised(found)
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["glued"] = glued
    page = (files("tools") / "report.html").read_text(encoding="utf-8")
    template = environment.from_string(page)
    return template.render(
        title=wanted.title or _title(name, found.monitors),
        place=name,
        date=wanted.date,
        headline=headline(found),
        answer=answer(found, [one.advice for one in advised]),
        facts=site_facts(archive),
        cautions=_cautions(found),
        head=found.head,
        coverage=_coverage_words(found.coverage),
        coverage_picture=svg_text(coverage_figure(_stretch(found)), "coverage"),
        gaps=_gap_rows(found.coverage, found.site.zone),
        summary=summary_table(found.counts),
        extent=extent_words(len(found.events), found.n_left_out),
        profile_lines=profile_facts(archive, found.compared),
        duration_picture=_duration_picture(found),
        timeline_picture=_timeline_picture(found),
        hours_picture=_hours_picture(found),
        failures=_failure_section(found),
        blocks=_blocks(found),
        n_unpictured=max(len(found.serious) - MOST_PICTURED, 0),
        advised=advised,
        sources=list(dict.fromkeys(one.source_words() for one in advised)),
        unjudged=NOT_JUDGED if any(verdict is None for _, verdict in found.counts) else "",
        listing=list_rows(found.events[-MOST_LISTED:], found.judgements, found.monitors),
        is_named=found.monitors.are_several,
        listed=listed_words(len(found.events), found.n_left_out),
        statistics=supply_section(archive, found.compared.profiles, _declared_v(archive)),
        unseen=limits_of_sight(archive, found.compared),
        methods=[*METHODS, f"This database: {runs_words(archive)}."],
        safety=SAFETY,
        howto=howto(found),
    )


def _title(name: str, monitors: Monitors) -> str:
    if monitors.are_several:
        return f"Supply voltage, seen by {name}"
    return f"Supply voltage: {name or 'unnamed site'}"


def _declared_v(archive: Archive) -> dict[int, float]:
    """The declared voltage of each run that tells it, by its id."""
    return {run_id: supply.nominal_v for run_id, supply in known_supplies(archive).items()}


def _gather(db: Path, archive: Archive, wanted: Wanted) -> Gathered:
    coverage = site_coverage(archive)
    if coverage is None:
        raise InputError(f"{db}: nothing was watched: there is nothing to report")
    events = events_to_report(archive, is_judged_anew=wanted.profile_name is not None)
    occurrences, names = occurrences_among(
        events, db, archive, wanted.profile_name, serious_only=False
    )
    serious = [one for one in occurrences if is_serious(one.verdict)]
    others = [one for one in occurrences if not is_serious(one.verdict)]
    profiles = _profiles(names, wanted.profile_name, archive)
    judgements = _judgements(archive, events, wanted.profile_name)
    return Gathered(
        archive,
        find_site(archive),
        coverage,
        events,
        judgements,
        serious,
        others,
        Compared(profiles, names),
        wanted.failures,
        *counts(archive, events, judgements),
        *_chain(archive),
        Monitors(archive),
    )


def _chain(archive: Archive) -> tuple[str, tuple[str, ...]]:
    """Its head, and all edits; the hashes of a million links are let go before pictures."""
    chain = archive.chain()
    return "" if chain is None else chain.head, tuple(find_edits(archive, chain))


def _profiles(names: str, name: str | None, archive: Archive) -> tuple[Profile, ...]:
    """What the events were compared with, as far as it is on this machine."""
    if name is not None:
        return (find_profile(name, user_profile_dir()),)
    stored = StoredJudgements(archive)
    found = [stored.profile(one) for one in names.split(", ")]
    return tuple({one.id: one for one in found if one is not None}.values())


def _judgements(
    archive: Archive, events: Sequence[EventRow], name: str | None
) -> dict[int, Judgement]:
    if name is None:
        stored = StoredJudgements(archive)
        return {event.id: stored.of(event) for event in events}
    profile, supplies = find_profile(name, user_profile_dir()), known_supplies(archive)
    return {event.id: judge_row(event, profile, supplies[event.run_id]) for event in events}


def _cautions(found: Gathered) -> list[str]:
    first = isolation_cautions(found.archive)
    first += [
        f"merged database: {text}" if BEFORE_MERGING in text else f"edited after the watch: {text}"
        for text in found.edits
    ]
    return [sentence_case(text) for text in [*first, *cautions(found.archive, None)]]


def _stretch(found: Gathered) -> Stretch:
    coverage = found.coverage
    unseen = tuple((gap.start_utc_s, gap.end_utc_s) for gap in coverage.unseen)
    return Stretch(coverage.since_utc_s, coverage.until_utc_s, unseen, found.site.zone)


def _coverage_words(coverage: Coverage) -> str:
    whole = long_words(coverage.until_utc_s - coverage.since_utc_s)
    gaps = plural(len(coverage.unseen), "gap")
    n_partly = len(coverage.partly)
    partly = f"{n_partly} stretch{'' if n_partly == 1 else 'es'}"
    more = (
        f"; {partly} besides that one monitor missed and another watched" if coverage.partly else ""
    )
    return f"{share_words(coverage)} of {whole} was watched, with {gaps}{more}."


def _gap_rows(coverage: Coverage, zone: tzinfo) -> list[tuple[str, str, str]]:
    rows = [
        (moment_words(gap.start_utc_s, zone), duration_words(gap.end_utc_s - gap.start_utc_s),
         gap.cause.partition(NOT_SEEN)[2] or gap.cause)
        for gap in (*coverage.unseen, *coverage.partly)
    ]  # fmt: skip
    if len(rows) <= MOST_GAPS:
        return rows
    rest = [*coverage.unseen, *coverage.partly][MOST_GAPS:]
    rest_s = sum(gap.end_utc_s - gap.start_utc_s for gap in rest)
    return [*rows[:MOST_GAPS], (f"{len(rows) - MOST_GAPS} more", duration_words(rest_s), "")]


def _mark(event: EventRow, verdict: Verdict | None, label: str = "") -> Mark:
    start = utc_seconds(event.start_utc)
    return Mark(start, event.duration_s, event.value_pct, verdict, label)


def _duration_picture(found: Gathered) -> tuple[str, str]:
    """The picture and what it shows."""
    judged = [(event, found.judgements[event.id]) for event in found.events]
    profile = next((one for one in found.compared.profiles if isinstance(one, Limits)), None)
    supply = next(iter(known_supplies(found.archive).values()), None)
    figure = judged_figure(judged, profile, supply)
    return svg_text(figure, "duration"), curve_words(judged, profile, supply)


def _timeline_picture(found: Gathered) -> str:
    marks = [
        _mark(event, found.judgements[event.id].verdict)
        for event in found.events
        if event.kind in CURVE_KINDS
    ]
    failures = [one.utc_s for one in found.failures.failures] if found.failures else []
    return svg_text(timeline_figure(marks, failures, _stretch(found)), "timeline")


def _hours_picture(found: Gathered) -> str:
    starts = [utc_seconds(event.start_utc) for event in found.events]
    hours = day_hours(starts, found.coverage, found.site.zone)
    return svg_text(day_hour_figure(hours, "Events kept"), "hours")


def day_hours(starts: Sequence[float], coverage: Coverage, zone: tzinfo) -> DayHours:
    """Counts by day and local hour; by day of the week where the days are many."""
    first = datetime.fromtimestamp(coverage.since_utc_s, zone).date()
    last = datetime.fromtimestamp(coverage.until_utc_s - 1.0, zone).date()
    n_days = (last - first).days + 1
    by_week = n_days > MOST_DAYS
    n_rows = 7 if by_week else n_days
    counts, watched = np.zeros((n_rows, 24), np.int64), np.zeros((n_rows, 24), np.bool_)

    def cell(utc_s: float) -> tuple[int, int]:
        when = datetime.fromtimestamp(utc_s, zone)
        return (when.weekday() if by_week else (when.date() - first).days), when.hour

    for start in starts:
        row = cell(start)
        if row[0] < n_rows:
            counts[row] += 1
    for begin, end in coverage.watched:
        moment = begin
        while moment < end:
            watched[cell(moment)] = True
            moment = (moment // 900 + 1) * 900  # zones differ from UTC by quarters of an hour
    rows = DAYS if by_week else tuple(
        f"{DAYS[day.weekday()]} {day:%d.%m.}"
        for day in (first + timedelta(days=number) for number in range(n_days))
    )  # fmt: skip
    return DayHours(rows, counts, watched)


def _failure_section(found: Gathered) -> dict[str, object] | None:
    failures, zone = found.failures, found.site.zone
    if failures is None:
        return None
    return {
        "lines": answer_lines(failures, with_options=False),
        "chance": probability_words(failures.chance.probability),
        "pairs": [pair_cells(failures, number, zone) for number in range(len(failures.pairs))],
        "failures": [
            f"{moment_words(one.utc_s, zone)} {one.note}".strip()
            for one in failures.unmatched_failures
        ],
        "aside": aside_words(failures, zone),
        "events_title": lonely_title(failures, "Events that passed the limit,"),
        "events": [
            lonely_words(one.worst, failures.monitors) for one in failures.unmatched_occurrences
        ],
    }


def _blocks(found: Gathered) -> list[EventBlock]:
    archive = found.archive
    known = Known(
        archive,
        known_supplies(archive),
        found.judgements,
        {run.id: run.sample_rate_hz for run in archive.runs()},
        found.failures,
        found.monitors,
    )
    return [event_block(one, known) for one in found.serious[:MOST_PICTURED]]


@dataclass(frozen=True, slots=True)
class Advised:
    """One advice and the events it rests on, in words."""

    advice: Advice
    basis: str

    def source_words(self) -> str:
        """Where it is from, for those who ask."""
        return f"{self.advice.measure}: {self.advice.source}"


def _advised(found: Gathered) -> list[Advised]:
    findings = find_findings(
        found.archive, _all_to_advise(found), found.failures, found.coverage.watched_s
    )
    table = load_advice()
    return [
        Advised(advice, _basis_words(one, found))
        for one in findings
        for advice in table
        if advice.finding is one.finding
    ]


def _basis_words(one: Found, found: Gathered) -> str:
    """The events by their numbers, or the failures by their times."""
    if one.finding is Finding.FAILURES_ELSEWHERE and found.failures is not None:
        zone = found.site.zone
        moments = [moment_words(f.utc_s, zone) for f in found.failures.unmatched_failures]
        return _first_ones("the failure", moments)
    events = [f"{one.worst.id} ({what_words(one.worst, None)})" for one in one.basis]
    return _first_ones("event", events)


def _first_ones(noun: str, texts: list[str]) -> str:
    if not texts:
        return ""
    more = f" and {len(texts) - MOST_NAMED} more" if len(texts) > MOST_NAMED else ""
    return f"Rests on {noun}{'s' if len(texts) > 1 else ''} {', '.join(texts[:MOST_NAMED])}{more}."


def _all_to_advise(found: Gathered) -> list[Occurrence]:
    """The serious disturbances, and those that no profile judges."""
    others = [
        one
        for one in found.others
        if one.worst.kind in (Kind.DISTORTION, Kind.FREQUENCY)
        or (one.verdict is None and one.worst.kind in OF_CURVES)
    ]
    return [*found.serious, *others]
