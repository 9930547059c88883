"""Rows of the event table: what several lines went through together stands together."""

from collections.abc import Sequence

from daemon.archive import Archive, EventRow
from daemon.margin_words import margin_words
from daemon.page.words import verdict_words
from daemon.records import Judgement
from daemon.together import Disturbances, Together, beside_each_other
from tools.event_table import Line
from tools.verdicts import StoredJudgements


def event_lines(
    archive: Archive, events: Sequence[EventRow], judgements: StoredJudgements, *, by_supply: bool
) -> list[Line]:
    """A line for every event, those of one disturbance under a sentence about all of it.

    :param by_supply: one line for a disturbance of several lines, in place of theirs.
    """
    disturbances = Disturbances(archive)
    found: list[Line] = []
    told: set[tuple[int, object]] = set()
    for event in beside_each_other(events):
        parts = disturbances.together(event)
        new = [part for part in parts if (event.run_id, part.group) not in told]
        told |= {(event.run_id, part.group) for part in new}
        if by_supply and parts:
            found += [_one(part, judgements) for part in new]
        else:
            above = " and ".join(part.group.words() for part in new)
            found.append(_line(event, judgements.of(event), above and f"Together: {above}"))
    return found


def _one(part: Together, judgements: StoredJudgements) -> Line:
    line, shape = _line(part.worst, judgements.of(part.worst)), part.group.shape_words()
    text = f"worst {part.group.worst_channel}: {line.sentence}{f'; {shape}' if shape else ''}"
    return Line(part.as_row(), line.columns, text)


def _line(event: EventRow, judgement: Judgement, above: str = "") -> Line:
    meaning = verdict_words(event.verdict)
    limit, margin = event.limit or "", margin_words(judgement, event)
    details = ", ".join(text for text in (limit, margin) if text)
    sentence = f"{meaning}: {details}" if details else meaning
    return Line(event, (meaning, limit, margin), sentence, above)
