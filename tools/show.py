"""`halfcycle show`: one event whole."""

import math
from pathlib import Path

import click
import numpy as np

from daemon.accuracy_words import sure_duration, sure_value
from daemon.archive import Archive, EventFilter, EventRow, open_archive
from daemon.errors import InputError
from daemon.margin_words import energy_words, margin_words, severity_words
from daemon.page.words import (
    clock_words,
    duration_words,
    first_stamp_words,
    value_words,
    verdict_words,
    what_words,
    zone_of,
)
from daemon.profiles import scope_warning
from daemon.records import Judgement, Kind, Waveform
from daemon.recurrence import repeats_words
from daemon.sag_figures import lost_energy_s
from daemon.stored_settings import settings_of, table_of
from daemon.together import Disturbances
from daemon.tolerance import SupplyProfile
from drivers.clock import SystemClock
from tools.chart import chart
from tools.edits import edit_lines
from tools.event_facts import further_facts, level_words, lost_words, share_words
from tools.monitors import Monitors
from tools.picture_files import PictureFiles, drawing_module, picture_options
from tools.site import find_open_run, number_of
from tools.text import plural, table, terminal_width, wrapped
from tools.verdicts import StoredJudgements

_CHART_ROWS = 8
MOST_SEARCHED = 2000  # of the latest events, for those that come back at fixed times
_OF_NOMINAL_V = (Kind.DIP, Kind.SWELL, Kind.INTERRUPTION, Kind.RAPID_VOLTAGE_CHANGE)


def _event_number(_: click.Context, __: click.Parameter, value: str) -> int:
    """:raises InputError: it is no whole number."""
    try:
        return int(value)
    except ValueError as error:
        raise InputError(
            f"{value!r} is not the number of an event; `halfcycle events` lists them as No"
        ) from error


@click.command("show")
@click.argument("db", type=click.Path(path_type=Path))
@click.argument("event_id", metavar="ID", callback=_event_number)
@picture_options
def command(pictures: PictureFiles, db: Path, event_id: int) -> None:
    """Show one event whole: what set it off, what was measured, and what that means."""
    archive = open_archive(db)
    event = archive.event(event_id)
    if pictures.is_wanted:
        drawing_module("tools.saved_pictures").save_event(archive, event, pictures)
    width = terminal_width()
    supply = table_of(settings_of(archive, _settings_id(archive, event)), "supply")
    open_run_id = find_open_run(archive, SystemClock().utc_ns() / 1e9)
    lines = [line for text in edit_lines(archive) for line in wrapped(text, width)]
    lines += wrapped(f"Event {event.id}: {what_words(event, open_run_id)}.", width)
    judgements = StoredJudgements(archive)
    judgement = judgements.of(event)
    lines += wrapped(_meaning(judgement, event), width)
    lines += [line for text in _warnings(event, judgements) for line in wrapped(text, width)]
    lines += ["", *_measured(event, supply, open_run_id)]
    severity = ("Severity", severity_words(judgement))
    energy = ("Sag energy", _energy(archive, event, supply))
    together = [("Same time", _company(archive, event)), *_together(archive, event)]
    monitors = Monitors(archive)
    seen_by = [("Seen by", monitors.words(event))] if monitors.are_several else []
    further = further_facts(event, _sample_rate_hz(archive, event))
    repeats = ("Repeats", repeats_words(event, archive.events(EventFilter(limit=MOST_SEARCHED)),
                                        zone_of(archive.runs()[-1].timezone)))  # fmt: skip
    more = [*seen_by, severity, energy, *further, repeats, *together]
    lines += ["", *_facts(archive, event, more, width)]
    lines += _trace(archive, event, width)
    click.echo("\n".join(lines))
    if pictures.is_wanted:
        click.echo(f"\nPicture: {pictures.words}")


def _energy(archive: Archive, event: EventRow, supply: dict[str, object]) -> str:
    declared_v = number_of(supply, "nominal_v")
    if declared_v is None:
        return ""
    return energy_words(lost_energy_s(event, archive.trace(event.id), declared_v))


def _settings_id(archive: Archive, event: EventRow) -> int:
    return next(run.settings_id for run in archive.runs() if run.id == event.run_id)


def _sample_rate_hz(archive: Archive, event: EventRow) -> float | None:
    return next((run.sample_rate_hz for run in archive.runs() if run.id == event.run_id), None)


def _meaning(judgement: Judgement, event: EventRow) -> str:
    if judgement.verdict is None:
        said = f": {judgement.label}" if judgement.label else " has no limit for this"
        return f"Not judged: {judgement.profile}{said}."
    verdict, margin = verdict_words(judgement.verdict), margin_words(judgement, event)
    details = ", ".join(text for text in (judgement.limit, margin) if text)
    said = f"{verdict[0].upper()}{verdict[1:]}{f': {details}' if details else ''}"
    return f"{said} (compared with {judgement.profile})."


def _warnings(event: EventRow, judgements: StoredJudgements) -> list[str]:
    """What the profile says of being used here, where it is still to be found."""
    profile, supply = judgements.profile(event.profile), judgements.supply(event)
    if profile is None:
        return [f"The profile {event.profile} is not on this machine."]
    found = []
    if isinstance(profile, SupplyProfile):
        found.append("Indicative only: supply limits are meant for means, not for single events.")
    warning = scope_warning(profile, supply.nominal_v, supply.frequency_hz) if supply else None
    return [*found, warning] if warning else found


def _measured(event: EventRow, supply: dict[str, object], open_run_id: int | None) -> list[str]:
    """What set the event off, and the extreme that it reached, side by side."""
    trigger_pct = _trigger_pct(event, supply)
    noun, measured_pct = _of_what(event.kind), share_words(event.value_pct)
    extreme_s = f"{event.extreme_s - event.start_s:+.3f} s"
    rows = [
        ("value", value_words(event.threshold, event.unit), sure_value(event)),
        ("of " + noun, "" if trigger_pct is None else f"{trigger_pct:.1f} %", measured_pct),
        ("when", "+0.000 s", extreme_s),
        ("lasted", "", sure_duration(event, open_run_id)),
    ]
    if not noun:
        del rows[1]
    return table(("", "Trigger", "Measured"), rows, right=("Trigger", "Measured"))


def _of_what(kind: Kind) -> str:
    if kind in _OF_NOMINAL_V:
        return "declared voltage"
    return {Kind.TRANSIENT: "declared peak", Kind.FREQUENCY: "nominal frequency"}.get(kind, "")


def _trigger_pct(event: EventRow, supply: dict[str, object]) -> float | None:
    whole = number_of(supply, "frequency_hz" if event.kind is Kind.FREQUENCY else "nominal_v")
    if whole is None:
        return None
    return 100 * event.threshold / (whole * (math.sqrt(2) if event.kind is Kind.TRANSIENT else 1))


def _facts(
    archive: Archive, event: EventRow, more_facts: list[tuple[str, str]], width: int
) -> list[str]:
    facts = [
        ("Started", f"{event.start_local} at the site"),
        ("", f"{event.start_utc} (UTC)"),
        ("Ended", _end(event)),
        ("Clock", clock_words(event.clock)),
        ("First given", first_stamp_words(event)),
        *_times(event),
        *more_facts,
        ("Notes", ", ".join(flag.replace("_", " ") for flag in event.flags)),
        *(
            ("Waveform", _waveform_words(event, waveform))
            for waveform in archive.waveforms(event.id)
        ),
    ]
    lines: list[str] = []
    for name, text in facts:
        if text:
            first, *more = wrapped(text, width - 13)
            lines += [f"{name:<13}{first}", *(" " * 13 + line for line in more)]
    return lines


def _end(event: EventRow) -> str:
    if event.duration_s is None or event.end_utc is None:
        return "not seen"
    seen = "" if event.complete else "; not both ends were seen"
    return f"{duration_words(event.duration_s)} later, {event.end_utc} (UTC){seen}"


def _times(event: EventRow) -> list[tuple[str, str]]:
    """Time below the interruption threshold, and the longest time beyond well-known levels."""
    return [("Longest", level_words(event)), ("Supply lost", lost_words(event))]


def _company(archive: Archive, event: EventRow) -> str:
    return ", ".join(
        f"event {other.id} on {other.channel}"
        for other in archive.group(event.run_id, event.group)
        if other.id != event.id
    )


def _together(archive: Archive, event: EventRow) -> list[tuple[str, str]]:
    """What the event was part of, where other lines were touched at the same time."""
    found = Disturbances(archive).together(event)
    return [("All lines", one.group.words()) for one in found]


def _waveform_words(event: EventRow, waveform: Waveform) -> str:
    n_samples = len(waveform.volts)
    begin_s = waveform.first_index / waveform.sample_rate_hz - event.start_s
    peak_v = float(np.max(np.abs(waveform.volts), initial=0.0))
    return (
        f"{plural(n_samples, 'sample')} at {waveform.sample_rate_hz:g} Hz, from {begin_s:+.3f} s "
        f"for {duration_words(n_samples / waveform.sample_rate_hz)}, peak {peak_v:.1f} V"
    )


def _trace(archive: Archive, event: EventRow, width: int) -> list[str]:
    trace = archive.trace(event.id)
    if trace is None or len(trace.urms_v) == 0:
        return []
    title = f"One-cycle rms in V; the dashes are the trigger, {value_words(event.threshold, 'V')}"
    values = trace.urms_v.astype(np.float64)
    drawn = chart(
        trace.start_s - event.start_s, values, event.threshold, min(width, 100), _CHART_ROWS
    )
    return ["", title, *drawn] if drawn else []
