"""The shape, level and words of a verdict: the same in every drawing and list."""

from collections.abc import Mapping

from daemon.archive import EventRow
from daemon.page.levels import Level
from daemon.page.words import kind_words, lasted_words, value_words, verdict_words

LEVELS: Mapping[str, Level] = {
    "may_damage": Level.BAD,
    "may_stop": Level.BAD,
    "beyond_limit": Level.ATTENTION,
    "within": Level.GOOD,
}
SHAPES = ("may_damage", "may_stop", "beyond_limit", "within", "none")
"""Names of the shapes in the template, the worst first."""


def level_of(row: EventRow) -> Level:
    """How bad."""
    return LEVELS.get(row.verdict or "", Level.UNKNOWN)


def shape_of(row: EventRow) -> str:
    """Which shape stands for it in drawings."""
    verdict = row.verdict or "none"
    return verdict if verdict in SHAPES else "none"


def rank_of(row: EventRow) -> int:
    """Larger is drawn later and kept rather than the other."""
    return -SHAPES.index(shape_of(row))


def mark_words(row: EventRow, when: str) -> str:
    """What is read out, or shown when pointed at: everything that a mark stands for."""
    share = f" ({row.value_pct:.0f} %)" if row.unit == "V" else ""
    value = value_words(row.value, row.unit) + share
    lasted = lasted_words(row, None)
    verdict = verdict_words(row.verdict)
    return f"{kind_words(row.kind)} {value}, {lasted}, {row.channel}, {when}: {verdict}"
