"""What else is known of an event, as lines of a name and a text for the terminal."""

import re

from daemon.accuracy_words import accuracy_remark
from daemon.archive import EventRow
from daemon.cause import Cause
from daemon.page.event_details import detail_facts
from daemon.page.words import duration_words, value_words
from daemon.records import Kind
from daemon.resolution import resolution

Fact = tuple[str, str]
LEVELS_PCT = (90, 80, 70, 40, 10, 110, 120, 140)
_LEVEL = re.compile(r"(?:below|above) (\d+(?:\.\d+)?) %")
WHY = {
    Cause.REMOTE_FAULT: (
        "the voltage changed all at once and came back all at once, as where a protection clears "
        "a fault"
    ),
    Cause.MULTISTAGE_FAULT: (
        "the voltage changed all at once and held more than one level, as where a fault is "
        "cleared in stages"
    ),
    Cause.MOTOR_START: (
        "the voltage fell all at once and came back slowly, as while a motor runs up"
    ),
    Cause.TRANSFORMER: (
        "the voltage fell all at once, came back slowly, and its wave was lopsided meanwhile, as "
        "while an iron core saturates"
    ),
    Cause.CAPACITOR: "the voltage jumped and rang as it does where a capacitor is switched in",
    Cause.LOAD_STEP: "the voltage took a step no larger than one load makes",
    Cause.LOOSE_NEUTRAL: "one conductor went up as another went down",
}


def further_facts(event: EventRow, sample_rate_hz: float | None) -> list[Fact]:
    """Uncertainty, labels, the waveform's own timing, and the probable cause with its evidence."""
    facts: list[Fact] = [("Accuracy", accuracy_remark(event))]
    facts += [("Category", f"{event.category} (IEEE 1159)" if event.category else "")]
    facts += [("Cell", f"{event.cell} (UNIPEDE grid)" if event.cell else "")]
    for fact in detail_facts(event):
        remark = f" ({fact.remark})" if fact.remark else ""
        facts.append((fact.label, f"{fact.text}{remark}"))
    if event.detail.deviation_v is not None and sample_rate_hz is not None:
        facts.append(("Resolution", resolution(sample_rate_hz).text))
    if event.cause is not None:
        facts.append(("Cause", f"{event.cause}, from voltage alone"))
        facts.append(("Why", why_words(event)))
        facts.append(("Evidence", event.evidence or ""))
    return facts


def why_words(event: EventRow) -> str:
    """What the probable cause was read from, in plain words; empty where there is none."""
    return next((words for cause, words in WHY.items() if cause in (event.cause or "")), "")


def level_words(event: EventRow) -> str:
    """Longest unbroken time beyond well-known levels, and beyond those of the limit it passed."""
    levels = {*LEVELS_PCT, *map(float, _LEVEL.findall(event.limit or ""))}
    return ", ".join(
        f"{'below' if time.level_pct < 100 else 'above'} {time.level_pct:g} % "
        f"for {duration_words(time.longest_s)}"
        for time in sorted(event.level_times, key=lambda time: abs(time.level_pct - 100))
        if time.longest_s > 0 and time.level_pct in levels
    )


def lost_words(event: EventRow) -> str:
    """How long the supply was gone, and that an interruption lies within a longer dip."""
    lost_s = event.below_interruption_s
    if not lost_s:
        return ""
    if event.kind is not Kind.INTERRUPTION:
        return f"for {duration_words(lost_s)}"
    return (
        f"for {duration_words(lost_s)}: this is the interruption, below "
        f"{value_words(event.threshold, event.unit)}; its duration counts the dip around it too"
    )


def share_words(value_pct: float, least: str = "less than 0.1 %") -> str:
    """What is left of a voltage that is gone is not 0.0 % where its volts are not 0.

    :param least: for what would read as 0.0 %.
    """
    return f"{value_pct:.1f} %" if value_pct >= 0.05 or value_pct == 0 else least
