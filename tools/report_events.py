"""The serious events of a report: figures, pictures and hints for each."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from daemon.accuracy_words import accuracy_remark, sure_duration, sure_value
from daemon.archive import Archive, EventRow
from daemon.margin_words import (
    AS_SEEN,
    energy_words,
    is_within_as_seen,
    margin_words,
    severity_words,
)
from daemon.page.words import (
    clock_words,
    duration_words,
    first_stamp_words,
    kind_words,
    sentence_case,
    value_words,
    verdict_words,
    what_words,
)
from daemon.records import Judgement, Kind
from daemon.resolution import resolution
from daemon.sag_figures import lost_energy_s
from daemon.together import Disturbances
from tools.correlation import Correlation, Occurrence
from tools.drawing import svg_text
from tools.event_facts import level_words, lost_words, share_words, why_words
from tools.hints import UNKNOWN, hint
from tools.lag_words import lag_words
from tools.monitors import Monitors
from tools.pictures import EventPicture, event_figure
from tools.text import event_time
from tools.verdicts import Supply

OF_VOLTAGE = (Kind.DIP, Kind.SWELL, Kind.INTERRUPTION, Kind.RAPID_VOLTAGE_CHANGE)
OF_HYSTERESIS = (Kind.DIP, Kind.SWELL, Kind.INTERRUPTION)
MOST_PICTURED = 40


@dataclass(frozen=True, slots=True)
class EventBlock:
    """One serious event as the page shows it."""

    id: int
    heading: str
    when: str
    verdict: str
    verdict_key: str
    facts: tuple[tuple[str, str], ...]
    rows: tuple[tuple[str, str, str], ...]  # what, trigger, measured
    picture: str
    hint: str
    company: str


@dataclass(frozen=True, slots=True)
class Known:
    """What is needed to say something of an event besides itself."""

    archive: Archive
    supplies: dict[int, Supply]
    judgements: dict[int, Judgement]
    rates_hz: dict[int, float]
    failures: Correlation | None
    monitors: Monitors


def event_block(one: Occurrence, known: Known) -> EventBlock:
    """Everything about the worst event of an occurrence."""
    event, supply = one.worst, known.supplies.get(one.worst.run_id)
    judgement = known.judgements[event.id]
    return EventBlock(
        id=event.id,
        heading=sentence_case(what_words(event, None)),
        when=event.start_local,
        verdict=sentence_case(verdict_words(judgement.verdict)),
        verdict_key=judgement.verdict.value if judgement.verdict else "none",
        facts=tuple(_facts(event, judgement, known)),
        rows=tuple(_rows(event, supply)),
        picture=svg_text(event_figure(picture_of(known.archive, event, supply)), f"e{event.id}"),
        hint=hint(known.archive, event),
        company=_company(one),
    )


def picture_of(archive: Archive, event: EventRow, supply: Supply | None) -> EventPicture:
    """What is drawn of an event."""
    is_rms = event.kind in OF_VOLTAGE and event.kind is not Kind.RAPID_VOLTAGE_CHANGE
    return EventPicture(
        start_s=event.start_s,
        duration_s=event.duration_s,
        threshold_v=event.threshold if is_rms else None,
        extreme_v=event.value if is_rms else None,
        extreme_s=event.extreme_s,
        declared_v=None if supply is None else supply.nominal_v,
        waveforms=tuple(archive.waveforms(event.id)),
        trace=archive.trace(event.id),
    )


def _facts(event: EventRow, judgement: Judgement, known: Known) -> list[tuple[str, str]]:
    seen_by = known.monitors.words(event) if known.monitors.are_several else ""
    facts = [
        ("Seen by", seen_by),
        (
            "Limit passed",
            ", ".join(w for w in (judgement.limit, margin_words(judgement, event)) if w),
        ),
        ("Supply lost", lost_words(event)),
        ("Severity", severity_words(judgement)),
        ("Sag energy", _energy(event, known)),
        *_why(event),
        ("Uncertainty", uncertainty_words(event, known)),
        ("Clock", clock_words(event.clock)),
        ("First given", first_stamp_words(event)),
        *(("All lines", one.group.words()) for one in Disturbances(known.archive).together(event)),
        ("Failure", _failure_words(event, known.failures)),
        ("Notes", ", ".join(flag.replace("_", " ") for flag in event.flags)),
    ]
    return [(name, text) for name, text in facts if text]


def _why(event: EventRow) -> list[tuple[str, str]]:
    """What the hint rests on: in plain words, and the figures behind them."""
    if event.cause == UNKNOWN:
        return []
    plain = why_words(event)
    name = "In figures" if plain else "Evidence"
    return [("Why this hint", plain), (name, event.evidence or "")]


def _energy(event: EventRow, known: Known) -> str:
    supply = known.supplies.get(event.run_id)
    if supply is None:
        return ""
    trace = known.archive.trace(event.id)
    return energy_words(lost_energy_s(event, trace, supply.nominal_v))


def _rows(event: EventRow, supply: Supply | None) -> list[tuple[str, str, str]]:
    rows = [("Value", value_words(event.threshold, event.unit), sure_value(event))]
    whole = _whole(event, supply)
    if whole is not None:
        trigger = f"{100 * event.threshold / whole:.1f} %"
        rows.append(("Of declared", trigger, share_words(event.value_pct)))
    lasted = sure_duration(event, None)
    reached_s = event.extreme_s - event.start_s
    rows.append(("Value reached", "", f"{duration_words(reached_s)} after the start"))
    lasted = lasted if event.complete else f"{lasted}; not both ends seen"
    rows.append(("Duration", "", f"{lasted}{_counts_until(event, supply)}"))
    longest = level_words(event)
    if longest:
        rows.append(("Of it, at a stretch", "", longest))
    return rows


def _counts_until(event: EventRow, supply: Supply | None) -> str:
    """Why it is longer than the time beyond the threshold that is named below it."""
    if event.kind not in OF_HYSTERESIS or supply is None or not supply.hysteresis_pct:
        return ""
    return f", until the voltage was back inside by {supply.hysteresis_pct:g} %"


def _whole(event: EventRow, supply: Supply | None) -> float | None:
    if supply is None:
        return None
    if event.kind is Kind.TRANSIENT:
        return supply.nominal_v * math.sqrt(2)
    if event.kind is Kind.FREQUENCY:
        return supply.frequency_hz
    return supply.nominal_v if event.kind in OF_VOLTAGE else None


def uncertainty_words(event: EventRow, known: Known) -> str:
    """Of sampling and method, as the project holds itself to; the sensor comes on top."""
    if event.uncertainty is not None or event.detail.uncertainty_without:
        return accuracy_remark(event)
    supply = known.supplies.get(event.run_id)
    beside = "; what sensor and scaling add is not known here"
    if event.kind in OF_VOLTAGE and supply is not None:
        cycle_ms = 1000 / supply.frequency_hz
        return f"±{0.002 * supply.nominal_v:.2f} V (0.2 % of declared), ±{cycle_ms:.0f} ms{beside}"
    if event.kind is Kind.FREQUENCY:
        return "±10 mHz, if the clock of the converter is right"
    if event.kind is Kind.DISTORTION:
        return f"±5 % of each harmonic (class I of IEC 61000-4-7){beside}"
    if event.kind is Kind.TRANSIENT and event.duration_s is not None:
        loss_pct = resolution(known.rates_hz[event.run_id]).peak_loss_pct(event.duration_s, None)
        return f"the peak may be higher by {loss_pct:.0f} % and more: sampling can miss it"
    return ""


def _failure_words(event: EventRow, failures: Correlation | None) -> str:
    if failures is None:
        return ""
    found = [
        f"{lag_words(pair.lag_s)} its start ({failures.failures[pair.moment].note})".replace(
            " ()", ""
        )
        for pair in failures.pairs
        if any(event.id == other.id for other in failures.occurrences[pair.span].events)
    ]
    return "; ".join(found)


def _company(one: Occurrence) -> str:
    others = [
        f"event {event.id}, {kind_words(event.kind)} on {event.channel}" for event in one.events[1:]
    ]
    return "; ".join(others)


def _verdict_cell(judgement: Judgement, event: EventRow) -> str:
    words = verdict_words(judgement.verdict)
    return f"{words}, {AS_SEEN}" if is_within_as_seen(judgement, event) else words


def list_rows(
    events: Sequence[EventRow], judgements: dict[int, Judgement], monitors: Monitors
) -> list[list[str]]:
    """The full list, the oldest first; last the monitor, where there are several."""
    rows = []
    for event in events:
        judgement = judgements[event.id]
        lasted = "not seen" if event.duration_s is None else duration_words(event.duration_s)
        percent = share_words(event.value_pct) if event.kind in OF_VOLTAGE else ""
        rows.append(
            [
                str(event.id),
                event_time(event.start_local),
                kind_words(event.kind),
                event.channel,
                value_words(event.value, event.unit),
                percent,
                lasted,
                _verdict_cell(judgement, event),
                judgement.limit or "",
                *([monitors.name(event)] if monitors.are_several else []),
            ]
        )
    return rows
