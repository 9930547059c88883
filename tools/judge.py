"""`halfcycle judge`: the same events against other tolerance profiles, or against machines."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import click

from daemon.archive import Archive, EventFilter, EventRow, open_archive
from daemon.equipment import Machine, judge_machine, load_equipment, on_supply, profile_of
from daemon.errors import InputError
from daemon.judge import facts_of, is_serious
from daemon.margin_words import as_seen_words, is_within_as_seen, margin_words
from daemon.page.words import verdict_words
from daemon.profiles import Profile, find_profile, scope_warning, user_profile_dir
from daemon.records import Judgement, Kind, Verdict
from daemon.tolerance import ClassificationProfile, ImmunityProfile, Limits, SupplyProfile
from drivers.clock import SystemClock
from tools.event_table import Line, Seen, event_table
from tools.monitors import Monitors
from tools.picture_files import PictureFiles, drawing_module, picture_options
from tools.sag_counts import sag_sentences
from tools.side_by_side import Candidate, side_by_side
from tools.site import find_open_run
from tools.supply_words import supply_sentences
from tools.text import plural, terminal_width, wrapped
from tools.unjudged import unjudged_words
from tools.unseen import unseen
from tools.verdicts import Supply, find_supplies, judge_row


@click.command("judge")
@click.argument("db", type=click.Path(path_type=Path))
@click.option(
    "--profile", "names", metavar="ID", multiple=True,
    help="Its id, or its file. Several are put side by side.",
)  # fmt: skip
@click.option(
    "--equipment", "machines", metavar="FILE", type=click.Path(path_type=Path),
    help="A list of machines with limits of their own (see config/equipment.example.yaml).",
)  # fmt: skip
@click.option("--all", "show_all", is_flag=True, help="Also events that none finds serious.")
@picture_options
def command(
    pictures: PictureFiles,
    db: Path,
    names: tuple[str, ...],
    machines: Path | None,
    show_all: bool,
) -> None:
    """Compare the stored events with other limits; the database stays as it is."""
    if not names and machines is None:
        raise click.UsageError("Missing option '--profile' or '--equipment'.")
    archive = open_archive(db)
    profiles = [find_profile(name, user_profile_dir()) for name in names]
    listed = load_equipment(machines) if machines else ()
    supplies = find_supplies(db, archive)
    if pictures.is_wanted:
        _draw(pictures, profiles, archive.events(EventFilter()), supplies)
    open_run_id = find_open_run(archive, SystemClock().utc_ns() / 1e9)
    if len(profiles) == 1 and not listed:
        answers = _answers(archive, profiles[0], supplies)
        seen = Seen(open_run_id, Monitors(archive))
        compared = _compare(archive, profiles[0], supplies, show_all)
        lines = _comparison(profiles[0], answers, compared, supplies, seen)
    else:
        events = archive.events(EventFilter())
        candidates = [
            _of_profile(profile, _answers(archive, profile, supplies), events, supplies)
            for profile in profiles
        ]
        _check_channels(listed, archive)
        candidates += [_of_machine(machine, events, supplies) for machine in listed]
        noun = "profile" if not listed else "machine" if not profiles else "limit"
        width = terminal_width()
        seen = Seen(open_run_id, Monitors(archive))
        lines = side_by_side(events, candidates, noun, seen, width, show_all)
    if pictures.is_wanted:
        lines = [*lines, "", f"Picture: {pictures.words}"]
    click.echo("\n".join(lines))


def _draw(
    pictures: PictureFiles,
    profiles: list[Profile],
    events: list[EventRow],
    supplies: dict[int, Supply],
) -> None:
    """All events against the curve of the one profile that was named."""
    if len(profiles) != 1:
        raise InputError("--png and --svg draw one curve: name one --profile")
    judged = [(event, judge_row(event, profiles[0], supplies[event.run_id])) for event in events]
    supply = next(iter(supplies.values()), None)
    drawing_module("tools.saved_pictures").save_judged(judged, profiles[0], supply, pictures)


def _answers(archive: Archive, profile: Profile, supplies: dict[int, Supply]) -> list[str]:
    """What the statistics say of a supply profile; it is meant for them more than for events."""
    if isinstance(profile, ImmunityProfile):
        return sag_sentences(archive, [profile])
    if not isinstance(profile, SupplyProfile):
        return []
    declared_v = {run_id: supply.nominal_v for run_id, supply in supplies.items()}
    return supply_sentences(archive, profile, declared_v)


def _of_profile(
    profile: Profile,
    answers: list[str],
    events: Sequence[EventRow],
    supplies: dict[int, Supply],
) -> Candidate:
    judgements = tuple(judge_row(event, profile, supplies[event.run_id]) for event in events)
    return Candidate(profile.id, judgements, (*answers, *_warnings(profile, supplies)))


def _of_machine(
    machine: Machine, events: Sequence[EventRow], supplies: dict[int, Supply]
) -> Candidate:
    profile = profile_of(machine, user_profile_dir())
    nothing = Judgement(profile.id, None, None)
    judgements = []
    for event in events:
        supply = supplies[event.run_id]
        is_fed = machine.channels is None or event.channel in machine.channels
        facts = facts_of(event)
        judgements.append(
            judge_machine(facts, profile, supply.nominal_v, supply.frequency_hz)
            if is_fed
            else nothing
        )
    warnings: list[str] = []
    for supply in supplies.values():
        if machine.rated_v != supply.nominal_v:
            warnings.append(
                f"It is rated for {machine.rated_v:g} V, the supply is {supply.nominal_v:g} V: "
                "its per cents were taken of its own voltage."
            )
        warnings += unseen(on_supply(profile, supply.nominal_v), supply)
    return Candidate(machine.name, tuple(judgements), tuple(dict.fromkeys(warnings)))


def _check_channels(machines: Sequence[Machine], archive: Archive) -> None:
    known = {name for run in archive.runs() for name in run.channels}
    for machine in machines:
        missing = [name for name in machine.channels or () if known and name not in known]
        if missing:
            raise InputError(
                f"{machine.name}: channels: {', '.join(missing)} not in this database; "
                f"it has {', '.join(sorted(known))}"
            )


@dataclass(frozen=True, slots=True)
class _Compared:
    """What a profile says of all events: those to list, and the others as numbers."""

    shown: list[tuple[EventRow, Judgement]]
    counts: Counter[Verdict | None]
    n_changed: int  # judged otherwise than stored
    stored: set[str]  # profiles
    unjudged: Counter[Kind]
    n_as_seen: int  # within, but perhaps larger than was seen


def _compare(
    archive: Archive, profile: Profile, supplies: dict[int, Supply], show_all: bool
) -> _Compared:
    """One event after the other, so that there may be millions."""
    shown, counts, stored, n_changed = [], Counter[Verdict | None](), set[str](), 0
    unjudged, n_as_seen = Counter[Kind](), 0
    for event in archive.each(EventFilter()):
        judgement = judge_row(event, profile, supplies[event.run_id])
        counts[judgement.verdict] += 1
        unjudged[event.kind] += judgement.verdict is None
        n_as_seen += is_within_as_seen(judgement, event)
        n_changed += event.verdict is not judgement.verdict
        stored.add(event.profile)
        if show_all or is_serious(judgement.verdict) or is_serious(event.verdict):
            shown.append((event, judgement))
    return _Compared(shown, counts, n_changed, stored, unjudged, n_as_seen)


def _comparison(
    profile: Profile,
    answers: list[str],
    compared: _Compared,
    supplies: dict[int, Supply],
    seen: Seen,
) -> list[str]:
    width = terminal_width()
    edition = f" Edition: {profile.edition}." if profile.edition else ""
    lines = wrapped(f"Compared with {profile.title} ({profile.id}).{edition}", width)
    if answers:
        lines += ["", *(line for text in answers for line in wrapped(text, width)), ""]
    sentences = [_summary(compared), *_warnings(profile, supplies)]
    if not isinstance(profile, ImmunityProfile):  # first what verdicts are worth here
        sentences = [*_warnings(profile, supplies), _summary(compared)]
    if not isinstance(profile, ClassificationProfile):
        sentences.append(unjudged_words(profile.id, compared.unjudged, supplies.values()))
    sentences.append(as_seen_words(compared.n_as_seen))
    lines += [line for sentence in sentences for line in wrapped(sentence, width)]
    if compared.shown:
        rows = [_line(event, judgement) for event, judgement in compared.shown]
        headings = ("Now", "Limit passed", "Margin", "Stored")
        lines += ["", *event_table(rows, headings, seen, width)]
    n_hidden = compared.counts.total() - len(compared.shown)
    if n_hidden:
        hidden = f"Not shown: {plural(n_hidden, 'event')} that neither finds serious; --all does."
        lines += ["", *wrapped(hidden, width)]
    return lines


def _summary(compared: _Compared) -> str:
    """How many of each verdict, and how many of them differ from the stored ones."""
    counts = compared.counts
    order = [*reversed(Verdict), None]
    parts = [
        f"{verdict_words(verdict)} ({counts[verdict]})" for verdict in order if counts[verdict]
    ]
    said = f"{plural(counts.total(), 'event').capitalize()}"
    if not counts:
        return f"{said}."
    stored, n_changed = ", ".join(sorted(compared.stored)), compared.n_changed
    return f"{said}: {', '.join(parts)}. {n_changed or 'None'} judged otherwise than by {stored}."


def _line(event: EventRow, judgement: Judgement) -> Line:
    now, stored = judgement.label or verdict_words(judgement.verdict), verdict_words(event.verdict)
    limit, margin = judgement.limit or "", margin_words(judgement, event)
    before = "as stored" if judgement.verdict is event.verdict else f"stored: {stored}"
    details = ", ".join(part for part in (limit, margin) if part)
    sentence = f"{now}{f': {details}' if details else ''} ({before})"
    return Line(event, (now, limit, margin, stored), sentence)


def _warnings(profile: Profile, supplies: dict[int, Supply]) -> list[str]:
    found: list[str] = []
    for supply in supplies.values():
        warning = scope_warning(profile, supply.nominal_v, supply.frequency_hz)
        found += [warning] if warning else []
        found += unseen(profile, supply) if isinstance(profile, Limits) else []
    if isinstance(profile, SupplyProfile):
        found.append(_indicative(profile))
    elif isinstance(profile, ClassificationProfile):
        found.append("It sorts events into classes and gives no verdicts.")
    return list(dict.fromkeys(found))


def _indicative(profile: SupplyProfile) -> str:
    if profile.averaging is None:
        return "Single events are indicative only: these limits are not meant for them."
    period_s = profile.averaging.period_s
    within = f" within {period_s / 86400:g} days" if period_s else ""
    minutes = f"{profile.averaging.interval_s / 60:g}-minute means"
    return (
        f"What decides is the statistics of {minutes}{within}. Single events are indicative only: "
        "one beyond a limit here does not say that the supply failed it."
    )
