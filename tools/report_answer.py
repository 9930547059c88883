"""The paragraph that stands first in a report."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from daemon.archive import Archive, EventRow
from daemon.judge import is_serious
from daemon.page.words import duration_words, verdict_words, what_words
from daemon.records import Judgement, Verdict
from daemon.recurrence import ADVICE, find_repetition
from tools.correlate import match_words
from tools.correlation import Correlation, Occurrence
from tools.coverage import Coverage
from tools.findings import Advice
from tools.monitors import Monitors
from tools.report_extent import Counts
from tools.report_facts import Compared
from tools.site import Site
from tools.text import event_time, local_words, plural


@dataclass(frozen=True, slots=True)
class Gathered:
    """What the sections of a report share."""

    archive: Archive
    site: Site
    coverage: Coverage
    events: list[EventRow]
    judgements: dict[int, Judgement]
    serious: list[Occurrence]
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
        names = [one.name or "" for one in found.monitors.all]
        return f"{len(names)} monitors, {', '.join(names[:-1])} and {names[-1]}"
    return " · ".join(part for part in (found.site.name, found.site.circuit) if part)


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
        parts.append(
            f"{one.words()}: {plural(n_events, 'event')}, {n_passed or 'none'} passed the limit"
        )
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


def answer(found: Gathered, advice: Sequence[Advice]) -> list[str]:
    """The paragraph that stands first."""
    coverage, zone = found.coverage, found.site.zone
    basis = f"; {coverage.basis}" if coverage.basis else ""
    lines = [
        *monitors_words(found),
        f"The supply was watched for {long_words(coverage.watched_s)} between "
        f"{local_words(coverage.since_utc_s, zone)} and "
        f"{local_words(coverage.until_utc_s, zone)} ({share_words(coverage)} covered{basis}).",
        _passed_words(found),
    ]
    if found.failures is not None:
        lines.append(match_words(found.failures))
    if found.serious:
        worst = max(found.serious, key=_severity).worst
        what = what_words(worst, None)
        article = "an" if what[0] in "aeiou" else "a"
        when = event_time(worst.start_local)
        by_whom = f", seen by {found.monitors.name(worst)}" if found.monitors.are_several else ""
        lines.append(f"The worst was {article} {what}, on {when} (event {worst.id}{by_whom}).")
    serious = [event for one in found.serious for event in one.events]
    if repeated := find_repetition(serious or found.events, zone):
        lines.append(f"{repeated.text}: {repeated.chance_words}. {ADVICE}.")
    measures = [one.measure[0].lower() + one.measure[1:] for one in advice[:3]]
    lines.append(f"What follows: {'; '.join(measures)}.")
    return lines


def share_words(coverage: Coverage) -> str:
    """Covered time in %, never rounded up to all of it."""
    share = coverage.share_pct
    if coverage.unseen and share > 99.99:
        return "more than 99.99 %"
    return f"{share:.2f} %" if share < 100 else "100 %"


def _severity(one: Occurrence) -> tuple[int, float]:
    order = list(Verdict)
    rank = order.index(one.verdict) if one.verdict else -1
    return rank, abs(one.worst.value_pct - 100) * (one.worst.duration_s or 1.0) ** 0.25


def _passed_words(found: Gathered) -> str:
    n_events = len(found.events) + found.n_left_out
    names = ", ".join(profile.title for profile in found.compared.profiles) or found.compared.names
    if not n_events:
        return "No event was kept."
    if not found.serious:
        n_judged = plural(found.counts.total(), "event")
        return f"None of {n_judged} passed the limit, compared with {names}."
    verdicts, noun = Counter(verdict_words(one.verdict) for one in found.serious), "disturbance"
    if found.n_left_out:  # events on several channels at once are not put together: too many
        noun, verdicts = "event", Counter()
        for (_, verdict), n_here in found.counts.items():
            if is_serious(verdict):
                verdicts[verdict_words(verdict)] += n_here
    parts = ", ".join(f"{words}: {count}" for words, count in verdicts.most_common())
    return (
        f"{plural(verdicts.total(), noun)} passed the limit ({parts}), compared with {names}; "
        f"{plural(n_events, 'event')} were kept in all."
    )
