"""The paragraph that stands first in a report."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from daemon.archive import Archive, EventRow
from daemon.judge import is_serious, severity_order
from daemon.margin_words import as_seen_words, is_within_as_seen
from daemon.page.words import duration_words, verdict_words, what_words
from daemon.records import Judgement, Kind
from daemon.recurrence import ADVICE, find_repetition
from daemon.tolerance import SupplyProfile
from tools.correlation import Correlation, Occurrence
from tools.coverage import Coverage
from tools.edits import edit_words
from tools.findings import OF_CURVES, Advice, weight
from tools.monitors import Monitor, Monitors
from tools.quiet_watch import quiet_words
from tools.report_extent import Counts
from tools.report_facts import Compared
from tools.site import Site
from tools.supply_or_machine import answer_sentences, sensitive_words
from tools.text import event_time, local_words, plural
from tools.unjudged import unjudged_words
from tools.verdicts import known_supplies

STATISTICS_DECIDE = (
    "Single events are indicative only under limits of the supply: the statistics over days decide."
)


@dataclass(frozen=True, slots=True)
class Gathered:
    """What the sections of a report share."""

    archive: Archive
    site: Site
    coverage: Coverage
    events: list[EventRow]
    judgements: dict[int, Judgement]
    serious: list[Occurrence]
    others: list[Occurrence]  # within the limit, or not judged
    compared: Compared
    failures: Correlation | None
    counts: Counts  # by kind and verdict
    n_left_out: int  # events that are only counted
    head: str  # of the chain of hashes; empty: there is no chain
    edits: tuple[str, ...]  # what the chain says was changed
    monitors: Monitors


def place_words(found: Gathered) -> str:
    """What the report is about, for its title."""
    if found.monitors.are_several:
        names = [_label(one, found.monitors) for one in found.monitors.all]
        return f"{len(names)} monitors: {'; '.join(names)}"
    return " · ".join(part for part in (found.site.name, found.site.circuit) if part)


def _label(one: Monitor, monitors: Monitors) -> str:
    """The place that a monitor watched, where that tells it from the others."""
    is_alone = sum(other.place == one.place for other in monitors.all) == 1
    return one.place if one.place and is_alone else one.words()


def monitors_words(found: Gathered) -> list[str]:
    """That it is about several monitors, and how much each of them saw; else nothing."""
    monitors = found.monitors
    if not monitors.are_several:
        return []
    passed = [event for event in found.events if is_serious(found.judgements[event.id].verdict)]
    parts = []
    for one in monitors.all:
        n_events, n_passed = (
            sum(monitors.name(event) == one.name for event in events)
            for events in (found.events, passed)
        )
        label, n_words = _label(one, monitors), plural(n_events, "event")
        parts.append(f"{label}: {n_words}, {n_passed or 'none'} passed the limit")
    text = f"{len(monitors.all)} monitors are in this report: {'; '.join(parts)}."
    return [text, *([shared] if (shared := monitors.shared_words(found.events)) else [])]


def long_words(seconds: float) -> str:
    """A length of time to the minute: `6 days 23 h 41 min`."""
    minutes = round(seconds / 60)
    if minutes < 60:
        return duration_words(round(seconds))
    hours, minutes = divmod(minutes, 60)
    days, hours = divmod(hours, 24)
    parts = [f"{days} day{'s' if days > 1 else ''}"] if days else []
    return " ".join([*parts, f"{hours} h", f"{minutes:02d} min"])


def headline(found: Gathered) -> str:
    """The answer itself: supply or machine where there is a log of failures, else what passed."""
    failures = found.failures
    text = _passed_words(found) if failures is None else answer_sentences(failures)[0]
    if any(run.driver == "simulated" for run in found.archive.runs()):
        return f"In this simulation, {text[0].lower()}{text[1:]}"
    return text


def answer(found: Gathered, advice: Sequence[Advice]) -> list[str]:
    """What stands first, below the headline."""
    coverage, zone = found.coverage, found.site.zone
    basis = f"; {coverage.basis}" if coverage.basis else ""
    supplies = known_supplies(found.archive).values()
    unjudged = unjudged_words(found.compared.names, _unjudged(found.counts), supplies)
    unjudged = " ".join(part for part in (unjudged, _largest_words(found)) if part)
    lines = []
    if found.failures is not None:
        lines += [*answer_sentences(found.failures)[1:], _passed_words(found)]
        lines.append(sensitive_words(found.failures, found.others))
    elif _is_quiet(found):
        lines.append(quiet_words(coverage.watched_s))
    if any(isinstance(one, SupplyProfile) for one in found.compared.profiles):
        lines.append(STATISTICS_DECIDE)
    if found.serious:
        lines.append(_worst_words(found))
    lines.insert(len(lines) if found.serious else 0, unjudged)
    judged = [(found.judgements[event.id], event) for event in found.events]
    lines.append(as_seen_words(sum(is_within_as_seen(*one) for one in judged)))
    lines.append(_repeated_words(found))
    measures = [one.measure[0].lower() + one.measure[1:] for one in advice[:3]]
    lines.append(f"What follows: {'; '.join(measures)}.")
    lines += [
        *monitors_words(found),
        f"The supply was watched for {long_words(coverage.watched_s)} between "
        f"{local_words(coverage.since_utc_s, zone)} and "
        f"{local_words(coverage.until_utc_s, zone)} ({share_words(coverage)} covered{basis}).",
    ]
    return [*edit_words(found.edits), *(line for line in lines if line)]


def _is_quiet(found: Gathered) -> bool:
    """Whether no limit was passed, and that says something: some were judged, or none was kept."""
    n_kept, n_unjudged = found.counts.total(), _unjudged(found.counts).total()
    return not found.serious and (not n_kept or n_unjudged < n_kept)


def _worst_words(found: Gathered) -> str:
    worst = max(found.serious, key=weight).worst
    what = what_words(worst, None)
    article = "an" if what[0] in "aeiou" else "a"
    when = event_time(worst.start_local)
    seen_by = [one for one in found.monitors.all if one.name == found.monitors.name(worst)]
    by_whom = f", seen at {_label(seen_by[0], found.monitors)}" if len(seen_by) == 1 else ""
    by_whom = by_whom if found.monitors.are_several else ""
    return f"The worst was {article} {what}, on {when} (event {worst.id}{by_whom})."


def _largest_words(found: Gathered) -> str:
    """Of the voltages that were not judged the largest of each kind; else empty."""
    largest: dict[Kind, EventRow] = {}
    for event in found.events:
        if event.kind in OF_CURVES and found.judgements[event.id].verdict is None:
            known = largest.setdefault(event.kind, event)
            if abs(event.value_pct - 100) > abs(known.value_pct - 100):
                largest[event.kind] = event
    named = [f"{what_words(one, None)} (event {one.id})" for one in largest.values()]
    return f"The largest of them: {', '.join(named)}." if named else ""


def _repeated_words(found: Gathered) -> str:
    serious = [event for one in found.serious for event in one.events]
    repeated = find_repetition(serious or found.events, found.site.zone)
    return f"{repeated.text}: {repeated.chance_words}. {ADVICE}." if repeated else ""


def _unjudged(counts: Counts) -> Counter[Kind]:
    return Counter({kind: n for (kind, verdict), n in counts.items() if verdict is None})


def share_words(coverage: Coverage) -> str:
    """Covered time in %, never rounded up to all of it."""
    share = coverage.share_pct
    if coverage.unseen and share > 99.99:
        return "more than 99.99 %"
    return f"{share:.2f} %" if share < 100 else "100 %"


def _passed_words(found: Gathered) -> str:
    n_events = len(found.events) + found.n_left_out
    names = ", ".join(profile.title for profile in found.compared.profiles) or found.compared.names
    if not n_events:
        return "No event was kept."
    if not found.serious:
        n_judged = found.counts.total() - _unjudged(found.counts).total()
        if not n_judged:
            return (
                f"No event was judged: {names} has no limit for any of {n_events} that were kept."
            )
        verb = "was" if n_judged == 1 else "were"
        which = "" if n_judged == found.counts.total() else f" that {verb} judged"
        who = f"None of {n_judged} events{which}" if n_judged > 1 else f"No event{which}"
        return f"{who} passed the limit, compared with {names}."
    verdicts, noun = Counter(one.verdict for one in found.serious), "disturbance"
    if found.n_left_out:  # events on several channels at once are not put together: too many
        noun, verdicts = "event", Counter()
        for (_, verdict), n_here in found.counts.items():
            if is_serious(verdict):
                verdicts[verdict] += n_here
    worst_first = sorted(verdicts, key=severity_order, reverse=True)
    parts = ", ".join(f"{verdict_words(one)}: {verdicts[one]}" for one in worst_first)
    return (
        f"{plural(verdicts.total(), noun)} passed the limit ({parts}), compared with {names}; "
        f"{plural(n_events, 'event')} were kept in all."
    )
