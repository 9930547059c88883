"""How far an event was from its limit, in words."""

from daemon.judge import is_serious
from daemon.page.words import duration_words
from daemon.records import Judgement

SMALLEST_PCT = 0.05  # what is less reads as 0.0


def margin_words(judgement: Judgement) -> str:
    """`passed by 9.0 % and 60 ms`, `5.0 % and 0.10 s to spare`; empty where nothing is known.

    The per cents are of the declared voltage (of its peak for a transient), or for distortion,
    unbalance and frequency those of the limit. Where no time at all was allowed, the time is all
    that was spent beyond.
    """
    if judgement.margin_pct is None:
        return ""
    is_beyond = is_serious(judgement.verdict)
    parts = [_percent(abs(judgement.margin_pct))]
    if judgement.margin_s is not None:
        parts.append(duration_words(abs(judgement.margin_s)))
    found = " and ".join(parts)
    return f"passed by {found}" if is_beyond else f"{found} to spare"


def severity_words(judgement: Judgement) -> str:
    """Se of IEEE 1564 with what it means; empty where there is none."""
    if judgement.severity is None:
        return ""
    where = "outside" if judgement.severity > 1 else "on" if judgement.severity == 1 else "inside"
    return f"{judgement.severity:.2f}: {where} the curve (1: on it), by extreme and whole duration"


def energy_words(lost_s: float | None) -> str:
    """Evs of IEEE 1564 with what it means; empty where there is none."""
    if lost_s is None:
        return ""
    return f"{lost_s:.3g} s without any voltage would lose as much (IEEE 1564)"


def _percent(value_pct: float) -> str:
    return (
        f"{value_pct:.1f} %" if value_pct >= SMALLEST_PCT or value_pct == 0 else "less than 0.1 %"
    )
