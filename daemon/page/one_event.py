"""One event whole: trigger and measured side by side, what it means, and its curves."""

from dataclasses import dataclass
from datetime import datetime, tzinfo

import numpy as np

from daemon.accuracy_words import accuracy_remark, sure_duration, sure_value
from daemon.archive import EventRow
from daemon.labels import disdip_cell, ieee_1159_category
from daemon.margin_words import energy_words, margin_words, severity_words
from daemon.page.axis import ACROSS, Linear, Tick, curve, round_values, thinned
from daemon.page.event_details import detail_facts
from daemon.page.health import CLOCKS_TO_TRUST, Fact
from daemon.page.levels import Level
from daemon.page.tally import Tally
from daemon.page.verdict_shapes import level_of
from daemon.page.words import (
    clock_words,
    duration_words,
    local_time,
    sentence_case,
    value_words,
    verdict_words,
    what_words,
    when_words,
)
from daemon.records import Judgement, Kind, Trace, Waveform
from daemon.sag_figures import lost_energy_s
from daemon.together import Disturbances

PLOT_HEIGHT = 200
_VOLTAGE = (Kind.DIP, Kind.SWELL, Kind.INTERRUPTION, Kind.RAPID_VOLTAGE_CHANGE)
_VALUES = {
    Kind.DISTORTION: "Distortion, of the fundamental",
    Kind.UNBALANCE: "Unbalance u2, negative over positive sequence",
    Kind.FLICKER: "Flicker over 10 minutes",
    Kind.FREQUENCY: "Frequency over 10 s",
}
_IN_VOLTS = (*_VOLTAGE, Kind.TRANSIENT)
_MOST_TICKS = 8


@dataclass(frozen=True, slots=True)
class Compared:
    """One line of the table: what opened the event, and what was measured."""

    label: str
    trigger: str
    measured: str


@dataclass(frozen=True, slots=True)
class Line:
    """A level across a plot, with its name."""

    at: float
    text: str
    kind: str  # threshold or declared: the CSS class


@dataclass(frozen=True, slots=True)
class Plot:
    """A curve with lines and cursors. `part` is -1 for the rms trace, else the waveform's place."""

    title: str
    part: int
    path: str
    lines: tuple[Line, ...]
    times: tuple[Tick, ...]
    levels: tuple[Tick, ...]
    event_start: float  # in %
    event_width: float
    low_s: float  # from the start of the event
    high_s: float
    low_v: float
    high_v: float
    words: str


@dataclass(frozen=True, slots=True)
class EventPage:
    """Everything the template of one event needs."""

    number: int
    title: str
    when: str
    utc: str
    is_time_sure: bool
    level: Level
    meaning: str
    reason: str
    compared: tuple[Compared, ...]
    accuracy: str  # how its ± is meant
    facts: tuple[Fact, ...]
    cause: str
    evidence: str
    plots: tuple[Plot, ...]
    before: int | None
    after: int | None
    is_open: bool


@dataclass(frozen=True, slots=True)
class Place:
    """Where the monitor is and what the supply is declared to be."""

    zone: tzinfo
    now: datetime
    nominal_v: float
    frequency_hz: float
    open_run_id: int | None


def build_event_page(archive: Tally, number_: int, place: Place) -> EventPage:
    """One event in words and pictures.

    :raises InputError: there is no such event.
    """
    row = archive.event(number_)
    judged = Judgement(
        row.profile, row.verdict, row.limit, row.margin_pct, row.margin_s, row.severity
    )
    before, after = archive.neighbours(row.id)
    when = local_time(row.start_utc, place.zone)
    return EventPage(
        number=row.id,
        title=sentence_case(what_words(row, place.open_run_id)),
        when=when_words(when, place.now, with_seconds=True),
        utc=row.start_utc,
        is_time_sure=row.clock in CLOCKS_TO_TRUST,
        level=level_of(row),
        meaning=sentence_case(verdict_words(row.verdict)),
        reason=_reason(judged, row),
        compared=_compared(row, place),
        accuracy=accuracy_remark(row),
        facts=(*_facts(archive, row, place), *detail_facts(row)),
        cause=row.cause or "",
        evidence=row.evidence or "",
        plots=_plots(row, archive.trace(row.id), archive.waveforms(row.id), place),
        before=before,
        after=after,
        is_open=row.duration_s is None and row.run_id == place.open_run_id,
    )


def _reason(judged: Judgement, row: EventRow) -> str:
    if judged.verdict is None:
        return f"The profile {judged.profile} has no limit for this."
    limit = f"limit passed: {judged.limit}" if judged.limit else "no limit passed"
    margin = margin_words(judged, row)
    return f"Compared with {judged.profile}: {limit}{f'; {margin}' if margin else ''}."


def _compared(row: EventRow, place: Place) -> tuple[Compared, ...]:
    found = [Compared(_VALUES.get(row.kind, "Value"), value_words(row.threshold, row.unit),
                      sure_value(row))]  # fmt: skip
    whole = _whole(row.kind, place)
    if whole is not None:
        trigger_pct = 100 * row.threshold / whole[0]
        found.append(Compared(whole[1], f"{trigger_pct:.1f} %", f"{row.value_pct:.1f} %"))
    extreme_s = row.extreme_s - row.start_s
    found.append(Compared("When", "start", f"{_ahead(extreme_s)} after the start"))
    found.append(Compared("Lasted", "", sure_duration(row, place.open_run_id)))
    return tuple(found)


def _ahead(time_s: float) -> str:
    return duration_words(max(time_s, 0.0)) if time_s >= 0.0005 else "0 ms"


def _whole(kind: Kind, place: Place) -> tuple[float, str] | None:
    """What 100 % is, and its name."""
    if kind in _VOLTAGE:
        return place.nominal_v, "Of declared voltage"
    if kind is Kind.TRANSIENT:
        return place.nominal_v * 2**0.5, "Of declared peak"
    return (place.frequency_hz, "Of nominal frequency") if kind is Kind.FREQUENCY else None


def _facts(archive: Tally, row: EventRow, place: Place) -> list[Fact]:
    ended = "not seen" if row.end_utc is None else _clock_words(row.end_utc, place)
    clock = Level.GOOD if row.clock in CLOCKS_TO_TRUST else Level.ATTENTION
    duration_s = row.duration_s or 0.0
    category, cell = row.category, row.cell
    if category is None:
        category = ieee_1159_category(row.kind, row.value_pct, duration_s, place.frequency_hz)
    if cell is None:
        found_cell = disdip_cell(row.kind, row.value_pct, duration_s)
        cell = None if found_cell is None else str(found_cell)
    judged = Judgement(row.profile, row.verdict, row.limit, severity=row.severity)
    lost_s = row.below_interruption_s
    company = [other for other in archive.group(row.run_id, row.group) if other.id != row.id]
    facts = [
        Fact("Channel", row.channel),
        Fact("Started", _clock_words(row.start_utc, place), f"{row.start_utc} (UTC)"),
        Fact("Ended", ended, "" if row.end_utc is None else f"{row.end_utc} (UTC)"),
        Fact("Clock then", clock_words(row.clock), "", clock),
        Fact("Supply lost", "" if not lost_s else f"for {duration_words(lost_s)}"),
        Fact("Category", category or "", "by IEEE 1159"),
        Fact("Table cell", cell or "", "UNIPEDE grid, depth and duration"),
        Fact("Severity", severity_words(judged), "by IEEE 1564"),
        Fact("Sag energy", energy_words(_lost_s(archive, row, place))),
        *(Fact("All lines", one.group.words()) for one in Disturbances(archive).together(row)),
        Fact("Same time", ", ".join(f"no. {other.id} on {other.channel}" for other in company)),
        Fact("Notes", "; ".join(flag.replace("_", " ") for flag in row.flags)),
    ]
    if not row.complete and row.duration_s is not None:
        facts.append(Fact("Seen", "one end was not seen", "", Level.ATTENTION))
    return [fact for fact in facts if fact.text]


def _lost_s(archive: Tally, row: EventRow, place: Place) -> float | None:
    return lost_energy_s(row, archive.trace(row.id), place.nominal_v)


def _clock_words(iso_utc: str, place: Place) -> str:
    local = local_time(iso_utc, place.zone)
    return f"{local:%Y-%m-%d %H:%M:%S}.{local.microsecond // 1000:03d}"


def _plots(
    row: EventRow, trace: Trace | None, waveforms: list[Waveform], place: Place
) -> tuple[Plot, ...]:
    found = []
    if trace is not None and len(trace.urms_v) > 1:
        found.append(_trace_plot(row, trace, place))
    for part, waveform in enumerate(waveforms):
        if len(waveform.volts) > 1:
            found.append(_wave_plot(row, waveform, (part, len(waveforms)), place))
    return tuple(found)


def _trace_plot(row: EventRow, trace: Trace, place: Place) -> Plot:
    volts = trace.urms_v.astype(np.float64)
    times_s = trace.start_s - row.start_s
    low_v = min(float(volts.min()), 0.9 * place.nominal_v)
    levels_v = [(place.nominal_v, "declared", "declared")]
    if row.kind in _VOLTAGE:
        levels_v.append((row.threshold, "threshold", "threshold"))
    high_v = max(float(volts.max()), *(level for level, _, _ in levels_v))
    margin_v = 0.06 * (high_v - low_v or 1.0)
    down = Linear(low_v - margin_v, high_v + margin_v, PLOT_HEIGHT, 0)
    across = Linear(float(times_s[0]), float(times_s[-1]), 0, ACROSS)
    path = curve([across.at(float(t)) for t in times_s], [down.at(float(v)) for v in volts])
    words = f"from {volts.min():.1f} to {volts.max():.1f} V"
    return _plot(row, f"One-cycle rms, {words}", -1, path, (across, down), levels_v)


def _wave_plot(row: EventRow, waveform: Waveform, place_of: tuple[int, int], place: Place) -> Plot:
    part, n_parts = place_of
    volts = waveform.volts.astype(np.float64)
    first_s = waveform.first_index / waveform.sample_rate_hz - row.start_s
    last_s = first_s + (len(volts) - 1) / waveform.sample_rate_hz
    peak_v = place.nominal_v * 2**0.5
    levels_v = [(peak_v, "declared", "declared peak"), (-peak_v, "declared", "")]
    if row.kind in _IN_VOLTS:
        of_peak = row.threshold * (1.0 if row.kind is Kind.TRANSIENT else 2**0.5)
        levels_v += [(of_peak, "threshold", "threshold"), (-of_peak, "threshold", "")]
    top_v = 1.06 * max(peak_v, float(np.abs(volts).max()))
    across, down = Linear(first_s, last_s, 0, ACROSS), Linear(-top_v, top_v, PLOT_HEIGHT, 0)
    places, values = thinned(volts, 900)
    path = curve(places * ACROSS, [down.at(value) for value in values])
    which = f", part {part + 1} of {n_parts}" if n_parts > 1 else ""
    words = f"Waveform{which}, from {volts.min():.0f} to {volts.max():.0f} V"
    return _plot(row, words, part, path, (across, down), levels_v)


def _plot(
    row: EventRow,
    title: str,
    part: int,
    path: str,
    axes: tuple[Linear, Linear],
    levels_v: list[tuple[float, str, str]],
) -> Plot:
    across, down = axes
    end_s = across.high if row.duration_s is None else row.duration_s
    start, end = across.at(0.0) / 10, across.at(end_s) / 10
    steps = round_values(across.low, across.high, _MOST_TICKS)
    volts = round_values(down.low, down.high, _MOST_TICKS)
    return Plot(
        title=title,
        part=part,
        path=path,
        lines=tuple(Line(down.at(level), text, kind) for level, kind, text in levels_v),
        times=tuple(
            Tick(across.at(at) / 10, _time_words(at, across.high - across.low), bool(n % 2))
            for n, at in enumerate(steps)
        ),
        levels=tuple(Tick(down.at(at), f"{at:g} V") for at in volts),
        event_start=start,
        event_width=round(max(end - start, 0.2), 2),
        low_s=across.low,
        high_s=across.high,
        low_v=down.low,
        high_v=down.high,
        words=f"{title}; the shaded part is the event",
    )


def _time_words(time_s: float, whole_s: float) -> str:
    if whole_s > 2:
        return f"{time_s:+g} s" if time_s else "0"
    return f"{1000 * time_s:+g} ms" if time_s else "0"
