"""`halfcycle profiles`: the library of tolerance profiles."""

import sys
from pathlib import Path

import click

from daemon.profiles import (
    Profile,
    builtin_profiles,
    find_profile,
    load_profile,
    user_profile_dir,
    user_profiles,
)
from daemon.tolerance import ClassificationProfile, ImmunityProfile, Limits, SupplyProfile
from tools.text import plural, table, terminal_width, wrapped

_KINDS = {
    "immunity": "Immunity: what equipment should ride through, event by event",
    "supply": "Supply: what the network should deliver; indicative for single events",
    "classification": "Classification: names for events, no verdicts",
}


@click.group("profiles", invoke_without_command=True, no_args_is_help=False)
@click.pass_context
def command(context: click.Context) -> None:
    """List the tolerance profiles, show one, or check the file of one."""
    if context.invoked_subcommand is None:
        context.invoke(list_all)


@command.command("list")
def list_all() -> None:
    """List every profile, those of your own folder included."""
    folder = user_profile_dir()
    own, faults = user_profiles(folder)
    known = [*builtin_profiles(), *own]
    width = terminal_width()
    column = max(len(profile.id) for profile in known) + 4
    lines: list[str] = []
    for kind, title in _KINDS.items():
        group = [profile for profile in known if profile.kind == kind]
        if group:
            lines += [*wrapped(title, width), *_entries(group, column, width), ""]
    lines += wrapped(f"Your own go into {folder}; `profiles show ID` tells all of one.", width)
    click.echo("\n".join(lines))
    for fault in faults:
        click.echo(fault, file=sys.stderr)


def _entries(group: list[Profile], column: int, width: int) -> list[str]:
    lines = []
    for profile in group:
        first, *more = wrapped(f"{profile.title} ({_supplies(profile)})", width - column)
        lines.append(f"  {profile.id:<{column - 2}}{first}")
        lines += [" " * column + line for line in more]
    return lines


@command.command("show")
@click.argument("name", metavar="ID")
def show(name: str) -> None:
    """Show one profile, by its id or its file: steps, source, and how well each is known."""
    profile = find_profile(name, user_profile_dir())
    width = terminal_width()
    edition = f", edition {profile.edition}" if profile.edition else ""
    lines = wrapped(f"{profile.title} ({profile.id}{edition})", width)
    lines += [*wrapped(_KINDS[profile.kind], width), f"Meant for: {_supplies(profile)}", ""]
    lines += _limits(profile) if isinstance(profile, Limits) else _classes(profile)
    lines += ["", *wrapped(f"Source: {profile.source}", width)]
    lines += _evidence(profile, width)
    lines += wrapped(f"Warning: {profile.warning}", width) if profile.warning else []
    lines += wrapped(f"Notes: {profile.notes}", width) if profile.notes else []
    click.echo("\n".join(lines))


@command.command("check")
@click.argument("file", type=click.Path(path_type=Path))
def check(file: Path) -> None:
    """Check the file of a profile: every fault at once, or that it is fine."""
    profile = load_profile(file)
    if isinstance(profile, ClassificationProfile):
        content = plural(len(profile.classes), "class")
    else:
        content = f"{plural(len(profile.under), 'step')} under and {len(profile.over)} over"
    said = f"{file} is fine: {profile.kind} profile {profile.id}, {content}."
    click.echo("\n".join(wrapped(said, terminal_width())))


def _supplies(profile: Profile) -> str:
    scope = profile.applies_to
    parts = [
        f"{' or '.join(f'{value:g}' for value in values)} {unit}"
        for values, unit in ((scope.nominal_v, "V"), (scope.frequency_hz, "Hz"))
        if values
    ]
    return ", ".join(parts) or "any supply"


def _limits(profile: Limits) -> list[str]:
    """The steps as they stand in the file; cycles are not turned into seconds of one frequency."""
    rows = [("down to", _level(step.level), _time(step.at_most_s, step.at_most_cycles))
            for step in profile.under]  # fmt: skip
    rows += [("up to", _level(step.level), _time(step.at_most_s, step.at_most_cycles))
             for step in profile.over]  # fmt: skip
    if isinstance(profile, ImmunityProfile):
        rows += [("peak up to", f"{step.up_to_pct:g} %", f"{step.at_most_s:g} s")
                 for step in profile.peak]  # fmt: skip
    lines = table(("Voltage", "Level", "For at most"), rows, right=("Level",))
    if isinstance(profile, SupplyProfile) and profile.averaging:
        rule = profile.averaging
        period = f" within {rule.period_s:g} s" if rule.period_s else ""
        lines += ["", f"Of means over {rule.interval_s:g} s, {rule.share_pct:g} %{period}."]
    return lines


def _level(level: tuple[float, str]) -> str:
    return f"{level[0]:g} {level[1]}"


def _time(at_most_s: float | None, at_most_cycles: float | None) -> str:
    if at_most_cycles is not None:
        return plural(at_most_cycles, "cycle")
    return "for ever" if at_most_s is None else f"{at_most_s:g} s"


def _classes(profile: ClassificationProfile) -> list[str]:
    rows = [
        (
            cell.label,
            f"{cell.at_least_pct:g} %",
            "" if cell.below_pct is None else f"{cell.below_pct:g} %",
            f"{cell.longer_than_s:g} s",
            "" if cell.at_most_s is None else f"{cell.at_most_s:g} s",
        )
        for cell in profile.classes
    ]
    return table(
        ("Class", "From", "Below", "Longer than", "At most"), rows, right=("From", "Below")
    )


def _evidence(profile: Profile, width: int) -> list[str]:
    if not profile.evidence:
        return []
    lines = ["", "How well each number is known:"]
    for number, grade in profile.evidence.items():
        lines += wrapped(f"{number}: {grade}", width, "  ")
    return [*lines, ""]
