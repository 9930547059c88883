"""How much of a very large database one report holds: the rest is counted, and said to be left out.

Nobody reads more than some thousand events, and a computer as small as a Pi cannot lay them out.
"""

from collections import Counter

from daemon.archive import Archive, EventFilter, EventRow
from daemon.page.words import kind_words, sentence_case, verdict_words
from daemon.records import Judgement, Kind, Verdict

MOST_EVENTS = 5000  # that are drawn, judged again, and looked through for advice
MOST_LISTED = 2000  # rows of the appendix
Counts = Counter[tuple[Kind, Verdict | None]]


def events_to_report(archive: Archive, *, is_judged_anew: bool) -> list[EventRow]:
    """All events, the oldest first; of too many the newest serious ones, then the newest others.

    :param is_judged_anew: another profile than the stored one says what is serious: the newest.
    """
    if archive.count(EventFilter()) <= MOST_EVENTS:
        return archive.events(EventFilter(newest_first=False))
    serious = EventFilter(serious_only=True, limit=MOST_EVENTS)
    chosen = {} if is_judged_anew else {event.id: event for event in archive.events(serious)}
    for event in archive.events(EventFilter(limit=MOST_EVENTS)):
        if len(chosen) == MOST_EVENTS:
            break
        chosen.setdefault(event.id, event)
    return sorted(chosen.values(), key=lambda event: (event.start_utc, event.id))


def counts(
    archive: Archive, events: list[EventRow], judgements: dict[int, Judgement]
) -> tuple[Counts, int]:
    """Events by kind and verdict, and how many of the database are not among these."""
    n_left_out = archive.count(EventFilter()) - len(events)
    if not n_left_out or any(judgements[e.id].verdict != e.verdict for e in events):
        return Counter((event.kind, judgements[event.id].verdict) for event in events), n_left_out
    by_kind = {kind: archive.verdict_counts(EventFilter(kind=kind)) for kind in Kind}
    return Counter(
        {(kind, verdict): n for kind, found in by_kind.items() for verdict, n in found.items()}
    ), n_left_out


def extent_words(n_events: int, n_left_out: int) -> str:
    """What a reader has to know where not all of them are in the report; else empty."""
    if not n_left_out:
        return ""
    return (
        f"This database holds {n_events + n_left_out} events, too many for one page: pictures, "
        f"details and advice are of {n_events} of them, the newest serious ones first."
    )


def listed_words(n_events: int, n_left_out: int) -> str:
    """Says so where the appendix is cut; else empty."""
    if n_events + n_left_out <= MOST_LISTED:
        return ""
    return (
        f"The newest {min(n_events, MOST_LISTED)} of those in this report, of "
        f"{n_events + n_left_out} kept."
    )


def summary_table(counts: Counts) -> tuple[list[str], list[list[str]]]:
    """Counts of events by kind and verdict."""
    verdicts = [one for one in [*reversed(Verdict), None] if any(v is one for _, v in counts)]
    headings = ["Kind", *(sentence_case(verdict_words(one)) for one in verdicts), "All"]
    rows = []
    for kind in Kind:
        numbers = [counts[kind, verdict] for verdict in verdicts]
        if sum(numbers):
            words = sentence_case(kind_words(kind))
            rows.append([words, *(str(n or "–") for n in numbers), str(sum(numbers))])
    return headings, rows
