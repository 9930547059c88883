"""The same events held against several limits at once: which of them would have been kept?"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from daemon.archive import EventRow
from daemon.judge import is_serious, severity_order
from daemon.margin_words import as_seen_words, is_within_as_seen, margin_words
from daemon.page.words import verdict_words
from daemon.records import Judgement, Verdict
from tools.event_table import Line, Seen, event_table
from tools.text import plural, table, wrapped

_CELLS = {
    None: "-",
    Verdict.WITHIN: "within",
    Verdict.MAY_STOP: "stop",
    Verdict.MAY_DAMAGE: "damage",
    Verdict.BEYOND_LIMIT: "beyond",
}
_COLUMNS = {
    Verdict.WITHIN: "Within",
    Verdict.MAY_STOP: "May stop",
    Verdict.MAY_DAMAGE: "May be damaged",
    Verdict.BEYOND_LIMIT: "Beyond",
    None: "Not judged",
}


@dataclass(frozen=True, slots=True)
class Candidate:
    """Limits by name, what they say of each event, and what has to be known of them."""

    name: str
    judgements: tuple[Judgement, ...]  # one for each event
    warnings: tuple[str, ...]


def side_by_side(
    events: Sequence[EventRow],
    candidates: Sequence[Candidate],
    noun: str,
    seen: Seen,
    width: int,
    show_all: bool,
) -> list[str]:
    """The answer, a line for each of the limits, the events that matter, and the warnings.

    :param noun: what the candidates are, such as "profile".
    """
    lines = wrapped(_answer(events, candidates, noun), width)
    if events:
        lines += ["", *_totals(candidates), *_worst(events, candidates, width)]
        lines += _events(events, candidates, seen, width, show_all)
    warnings = [
        line
        for number, candidate in enumerate(candidates, start=1)
        for text in candidate.warnings
        for line in wrapped(f"{number} {candidate.name}: {text}", width)
    ]
    warnings += wrapped(_as_seen(events, candidates), width)
    return [*lines, "", *warnings] if warnings else lines


def _as_seen(events: Sequence[EventRow], candidates: Sequence[Candidate]) -> str:
    found = {
        event.id
        for candidate in candidates
        for event, judgement in zip(events, candidate.judgements, strict=True)
        if is_within_as_seen(judgement, event)
    }
    return as_seen_words(len(found))


def _answer(events: Sequence[EventRow], candidates: Sequence[Candidate], noun: str) -> str:
    compared = f"{plural(len(events), 'event').capitalize()}, {plural(len(candidates), noun)}."
    if not events:
        return compared
    kept, silent = [], []
    for candidate in candidates:
        verdicts = [judgement.verdict for judgement in candidate.judgements]
        n_silent = verdicts.count(None)
        if n_silent == len(verdicts):
            silent.append(candidate.name)
        elif not any(map(is_serious, verdicts)):
            kept.append(f"{candidate.name} ({n_silent} not judged)" if n_silent else candidate.name)
    said = f"All events judged are within: {'; '.join(kept)}." if kept else ""
    if not kept and len(silent) < len(candidates):
        said = f"Each of {'the others' if silent else 'them'} has an event that passes its limit."
    unsaid = f"No event is judged by: {'; '.join(silent)}." if silent else ""
    return " ".join(part for part in (compared, said, unsaid) if part)


def _totals(candidates: Sequence[Candidate]) -> list[str]:
    counts = [Counter(one.verdict for one in candidate.judgements) for candidate in candidates]
    used = [verdict for verdict in _COLUMNS if any(count[verdict] for count in counts)]
    headings = [_COLUMNS[verdict] for verdict in used]
    rows = [
        [str(number), candidate.name, *(str(count[verdict] or "") for verdict in used)]
        for number, (candidate, count) in enumerate(zip(candidates, counts, strict=True), start=1)
    ]
    return table(("", "Compared with", *headings), rows, right=headings)


def _worst(events: Sequence[EventRow], candidates: Sequence[Candidate], width: int) -> list[str]:
    """What went farthest beyond each of the limits."""
    lines: list[str] = []
    for number, candidate in enumerate(candidates, start=1):
        pairs = zip(events, candidate.judgements, strict=True)
        event, worst = max(pairs, key=lambda pair: _badness(pair[1]))
        if is_serious(worst.verdict):
            details = ", ".join(part for part in (worst.limit, margin_words(worst, event)) if part)
            said = f"{number} worst: event {event.id}, {verdict_words(worst.verdict)}: {details}"
            lines += wrapped(said, width)
    return ["", *lines] if lines else []


def _badness(judgement: Judgement) -> tuple[int, float]:
    return severity_order(judgement.verdict), -(judgement.margin_pct or 0.0)


def _events(
    events: Sequence[EventRow],
    candidates: Sequence[Candidate],
    seen: Seen,
    width: int,
    show_all: bool,
) -> list[str]:
    rows = []
    for position, event in enumerate(events):
        judgements = [candidate.judgements[position] for candidate in candidates]
        if not (show_all or any(is_serious(one.verdict) for one in judgements)):
            continue
        cells = tuple(one.label or _CELLS[one.verdict] for one in judgements)
        sentence = ", ".join(f"{number} {cell}" for number, cell in enumerate(cells, start=1))
        rows.append(Line(event, cells, sentence))
    lines: list[str] = []
    if rows:
        headings = [str(number) for number in range(1, len(candidates) + 1)]
        lines = ["", *event_table(rows, headings, seen, width)]
    n_hidden = len(events) - len(rows)
    if n_hidden:
        hidden = f"Not shown: {plural(n_hidden, 'event')} serious to none of them; --all does."
        lines += ["", *wrapped(hidden, width)]
    return lines
