"""How far an event was from its limit, in words."""

from daemon.judge import Measured, is_serious
from daemon.page.words import duration_words
from daemon.records import Judgement, Kind, Verdict

SMALLEST_PCT = 0.05  # what is less reads as 0.0
AS_SEEN = "as far as it was seen; it may have been larger"


def margin_words(judgement: Judgement, event: Measured) -> str:
    """`passed by 9.0 % and 60 ms`, `5.0 % and 0.10 s to spare`; empty where nothing is known.

    The per cents are of the declared voltage (of its peak for a transient), or for distortion,
    unbalance and frequency those of the limit. Where no time at all was allowed, the time is all
    that was spent beyond. Of a transient that is too fast to be measured nothing is to spare.
    """
    if is_within_as_seen(judgement, event):
        return f"{AS_SEEN}{_width_words(event)}"
    if judgement.margin_pct is None:
        return ""
    parts = [_percent(abs(judgement.margin_pct))]
    if judgement.margin_s is not None:
        parts.append(duration_words(abs(judgement.margin_s)))
    found, width = " and ".join(parts), _width_words(event)
    if not is_serious(judgement.verdict):
        return f"{found} to spare{width}"
    at_least = "at least " if _is_larger(event) else ""
    return f"passed by {at_least}{found}{width}"


def is_within_as_seen(judgement: Judgement, event: Measured) -> bool:
    """Whether it passed no limit, but may have been larger than this sampling rate shows."""
    return judgement.verdict is Verdict.WITHIN and _is_larger(event)


def _is_larger(event: Measured) -> bool:
    return event.kind is Kind.TRANSIENT and event.detail.is_resolved is False


def _width_words(event: Measured) -> str:
    """Which time of a transient was compared, as it is shown with another one."""
    width_s = event.detail.width_s
    if event.kind is not Kind.TRANSIENT or width_s is None:
        return ""
    width, lasted_s = duration_words(width_s), event.duration_s
    lasted = "" if lasted_s is None else f", not by the {duration_words(lasted_s)} it lasted"
    return f" (judged by its width of {width}{lasted})"


def as_seen_words(n_events: int) -> str:
    """What the count of those within leaves open; empty where it leaves nothing."""
    if not n_events:
        return ""
    if n_events == 1:
        return "1 transient is within only as far as it was seen: it may have been larger."
    seen = "only as far as they were seen: they may have been larger"
    return f"{n_events} transients are within {seen}."


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
