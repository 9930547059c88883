"""`halfcycle judge`: the same events against other tolerance profiles."""

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import click

from daemon.archive import Archive, EventFilter, EventRow, open_archive
from daemon.errors import InputError
from daemon.judge import is_serious, judge
from daemon.page.words import duration_words, verdict_words
from daemon.profiles import Profile, find_profile, scope_warning, user_profile_dir
from daemon.records import Judgement, Verdict
from daemon.staircase import EventFacts
from daemon.tolerance import ImmunityProfile, Limits, SupplyProfile
from drivers.clock import SystemClock
from tools.event_table import Line, event_table
from tools.site import find_open_run, number_of, settings_of, table_of
from tools.text import plural, terminal_width, wrapped


@dataclass(frozen=True, slots=True)
class Supply:
    """What a run was declared to watch, and the thresholds it captured with (None: it did not)."""

    nominal_v: float
    frequency_hz: float
    dip_pct: float | None
    swell_pct: float | None
    transient_pct: float | None


@click.command("judge")
@click.argument("db", type=click.Path(path_type=Path))
@click.option(
    "--profile", "names", metavar="ID", multiple=True, required=True,
    help="Its id, or its file. May be given more than once.",
)  # fmt: skip
@click.option("--all", "show_all", is_flag=True, help="Also events that neither finds serious.")
def command(db: Path, names: tuple[str, ...], show_all: bool) -> None:
    """Compare the stored events with another profile; the database stays as it is."""
    archive = open_archive(db)
    profiles = [find_profile(name, user_profile_dir()) for name in names]
    events = archive.events(EventFilter())
    supplies = find_supplies(db, archive)
    open_run_id = find_open_run(archive, SystemClock().utc_ns() / 1e9)
    lines: list[str] = []
    for profile in profiles:
        lines += [*_comparison(profile, events, supplies, open_run_id, show_all), ""]
    click.echo("\n".join(lines[:-1]))


def find_supplies(db: Path, archive: Archive) -> dict[int, Supply]:
    """The declared supply of every run, by its id.

    :raises InputError: a run's settings do not say.
    """
    supplies = {}
    for run in archive.runs():
        settings = settings_of(archive, run.settings_id)
        supply, capture = table_of(settings, "supply"), table_of(settings, "capture")
        nominal_v, frequency_hz = number_of(supply, "nominal_v"), number_of(supply, "frequency_hz")
        if nominal_v is None or frequency_hz is None:
            raise InputError(f"{db}: the settings of run {run.id} name no declared voltage")
        supplies[run.id] = Supply(
            nominal_v,
            frequency_hz,
            number_of(capture, "dip_pct"),
            number_of(capture, "swell_pct"),
            number_of(capture, "transient_pct"),
        )
    return supplies


def _comparison(
    profile: Profile,
    events: list[EventRow],
    supplies: dict[int, Supply],
    open_run_id: int | None,
    show_all: bool,
) -> list[str]:
    width = terminal_width()
    judged = [(event, _judge(event, profile, supplies[event.run_id])) for event in events]
    serious = [
        (event, judgement)
        for event, judgement in judged
        if show_all or is_serious(judgement.verdict) or is_serious(event.verdict)
    ]
    sentences = [f"Compared with {profile.title} ({profile.id}).", _summary(judged)]
    sentences += _warnings(profile, supplies)
    lines = [line for sentence in sentences for line in wrapped(sentence, width)]
    if serious:
        rows = [_line(event, judgement) for event, judgement in serious]
        lines += ["", *event_table(rows, ("Now", "Limit passed", "Stored"), open_run_id, width)]
    n_hidden = len(judged) - len(serious)
    if n_hidden:
        hidden = f"Not shown: {plural(n_hidden, 'event')} that neither finds serious; --all does."
        lines += ["", *wrapped(hidden, width)]
    return lines


def _judge(event: EventRow, profile: Profile, supply: Supply) -> Judgement:
    facts = EventFacts(event.kind, event.value_pct, event.duration_s, event.level_times)
    return judge(facts, profile, supply.nominal_v, supply.frequency_hz)


def _summary(judged: list[tuple[EventRow, Judgement]]) -> str:
    """How many of each verdict, and how many of them differ from the stored ones."""
    counts = Counter(judgement.verdict for _, judgement in judged)
    order = [*reversed(Verdict), None]
    parts = [
        f"{verdict_words(verdict)} ({counts[verdict]})" for verdict in order if counts[verdict]
    ]
    n_changed = sum(event.verdict is not judgement.verdict for event, judgement in judged)
    said = f"{plural(len(judged), 'event').capitalize()}"
    if not judged:
        return f"{said}."
    stored = ", ".join(sorted({event.profile for event, _ in judged}))
    return f"{said}: {', '.join(parts)}. {n_changed or 'None'} judged otherwise than by {stored}."


def _line(event: EventRow, judgement: Judgement) -> Line:
    now, stored = verdict_words(judgement.verdict), verdict_words(event.verdict)
    limit = judgement.limit or ""
    before = "as stored" if judgement.verdict is event.verdict else f"stored: {stored}"
    sentence = f"{now}{f': {limit}' if limit else ''} ({before})"
    return Line(event, (now, limit, stored), sentence)


def _warnings(profile: Profile, supplies: dict[int, Supply]) -> list[str]:
    found: list[str] = []
    for supply in supplies.values():
        warning = scope_warning(profile, supply.nominal_v, supply.frequency_hz)
        found += [warning] if warning else []
        found += _unseen(profile, supply) if isinstance(profile, Limits) else []
    if isinstance(profile, SupplyProfile):
        found.append(_indicative(profile))
    elif not isinstance(profile, ImmunityProfile):
        found.append("It sorts events into classes and gives no verdicts.")
    return list(dict.fromkeys(found))


def _unseen(profile: Limits, supply: Supply) -> list[str]:
    """Limits tighter than the thresholds in use then: what lies between the two was not kept."""
    found = []
    under = [_percent(step.level, supply.nominal_v) for step in profile.under]
    over = [_percent(step.level, supply.nominal_v) for step in profile.over]
    if under and supply.dip_pct is not None and max(under) > supply.dip_pct:
        found.append(_between("dips", "below", supply.dip_pct, max(under)))
    if over and supply.swell_pct is not None and min(over) < supply.swell_pct:
        found.append(_between("swells", "above", supply.swell_pct, min(over)))
    if isinstance(profile, ImmunityProfile) and profile.peak and supply.transient_pct is None:
        found.append("Transients were not captured: its peak limits could not be tested.")
    return found


def _between(noun: str, word: str, captured_pct: float, limit_pct: float) -> str:
    return (
        f"Its limit is {limit_pct:.4g} %, but {noun} were captured only {word} "
        f"{captured_pct:.4g} %: what lay between the two could not have been seen."
    )


def _percent(level: tuple[float, str], nominal_v: float) -> float:
    value, unit = level
    return value if unit == "%" else 100 * value / nominal_v


def _indicative(profile: SupplyProfile) -> str:
    if profile.averaging is None:
        return "Indicative only: these limits are not meant for single events."
    means = f"means over {duration_words(profile.averaging.interval_s)}"
    period_s = profile.averaging.period_s
    within = f" within {duration_words(period_s)}" if period_s else ""
    return f"Indicative only: these limits are meant for {means}{within}, not for single events."
