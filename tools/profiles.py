"""`halfcycle profiles`: the library of tolerance profiles."""

import sys
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

import click

from daemon.errors import InputError
from daemon.profiles import (
    Profile,
    builtin_profiles,
    find_profile,
    is_in_scope,
    load_profile,
    user_profile_dir,
    user_profiles,
)
from daemon.settings import load_settings
from daemon.tolerance import ClassificationProfile, ImmunityProfile, Limits, SupplyProfile
from daemon.tolerance_steps import Averaging, Cell, SupplyOver, SupplyUnder
from tools import profile_new, profile_suggest
from tools.outputs import PNG, check_output
from tools.profile_chart import KEYS, profile_chart
from tools.text import clean, plural, table, terminal_width, wrapped

_KINDS = {
    "immunity": "Immunity: what equipment should ride through, event by event",
    "supply": "Supply: what the network should deliver; indicative for single events",
    "classification": "Classification: names for events, no verdicts",
}


@dataclass(frozen=True, slots=True)
class Supply:
    """A supply that profiles may fit."""

    nominal_v: float
    frequency_hz: float

    def fits(self, profile: Profile) -> bool:
        """Whether a profile was written for it."""
        return is_in_scope(profile, self.nominal_v, self.frequency_hz)


@click.group("profiles", invoke_without_command=True, no_args_is_help=False)
@click.pass_context
def command(context: click.Context) -> None:
    """List the tolerance profiles, show, check or write one, or have one suggested."""
    if context.invoked_subcommand is None:
        context.invoke(list_all)


command.add_command(profile_new.command)
command.add_command(profile_suggest.command)


@command.command("list")
@click.option("--nominal", "nominal_v", metavar="V", type=float, help="Mark those for it.")
@click.option("--hz", type=click.Choice(["50", "60"]), help="Mark those for it.")
@click.option(
    "-c", "--config", metavar="FILE", type=click.Path(path_type=Path),
    help="Mark those that fit the supply configured there.",
)  # fmt: skip
def list_all(
    nominal_v: float | None = None, hz: str | None = None, config: Path | None = None
) -> None:
    """List every profile by kind, those of your own folder included."""
    supply = _supply_of(nominal_v, hz, config)
    folder = user_profile_dir()
    own, faults = user_profiles(folder)
    known = [*builtin_profiles(), *own]
    width = terminal_width()
    column = max(len(profile.id) for profile in known) + 4
    lines: list[str] = []
    for kind, title in _KINDS.items():
        group = [profile for profile in known if profile.kind == kind]
        if group:
            lines += [*wrapped(title, width), *_entries(group, supply, column, width), ""]
    if supply:
        fits = f"* fits a supply of {supply.nominal_v:g} V and {supply.frequency_hz:g} Hz."
        lines += wrapped(fits, width)
    lines += wrapped(f"Your own go into {folder}; `profiles show ID` tells all of one.", width)
    click.echo("\n".join(lines))
    for fault in faults:
        click.echo(fault, file=sys.stderr)


def _supply_of(nominal_v: float | None, hz: str | None, config: Path | None) -> Supply | None:
    if config is not None:
        if nominal_v is not None or hz is not None:
            raise InputError("give either --config or --nominal and --hz")
        supply = load_settings(config).supply
        return Supply(supply.nominal_v, float(supply.frequency_hz))
    if nominal_v is None and hz is None:
        return None
    if nominal_v is None or hz is None:
        raise InputError("give --nominal and --hz together: a profile is written for both")
    return Supply(nominal_v, float(hz))


def _entries(group: list[Profile], supply: Supply | None, column: int, width: int) -> list[str]:
    lines = []
    for profile in group:
        first, *more = wrapped(f"{profile.title} ({_supplies(profile)})", width - column)
        mark = "*" if supply and supply.fits(profile) else " "
        lines.append(f"{mark} {profile.id:<{column - 2}}{first}")
        lines += [" " * column + line for line in more]
    return lines


@command.command("show")
@click.argument("name", metavar="ID")
@click.option(
    "--png", metavar="FILE", type=click.Path(path_type=Path), help="Draw it as a picture, too."
)
def show(name: str, png: Path | None) -> None:
    """Show one profile, by its id or its file: steps, chart, source, and what is known how well."""
    profile = find_profile(name, user_profile_dir())
    if png is not None:
        check_output("--png", png, PNG)
        _draw(profile, png)
    width = terminal_width()
    edition = f", edition {profile.edition}" if profile.edition else ""
    lines = wrapped(f"{profile.title} ({profile.id}{edition})", width)
    lines += wrapped(_KINDS[profile.kind], width)
    lines += [*wrapped(f"Meant for: {_supplies(profile)}", width), ""]
    lines += _limits(profile) if isinstance(profile, Limits) else _classes(profile)
    drawn = profile_chart(profile, width)
    lines += ["", *drawn] if drawn else []
    lines += ["", *wrapped(f"Source: {profile.source}", width)]
    lines += _evidence(profile, width)
    lines += wrapped(f"Warning: {profile.warning}", width) if profile.warning else []
    lines += wrapped(f"Notes: {profile.notes}", width) if profile.notes else []
    lines += ["", f"Picture: {png}"] if png else []
    click.echo("\n".join(lines))


def _draw(profile: Profile, png: Path) -> None:
    """matplotlib is an extra, and loaded only here."""
    try:
        picture = import_module("tools.profile_picture")
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] != "matplotlib":
            raise
        raise InputError(
            "--png needs matplotlib, which is not installed: pip install '.[report]'"
        ) from error
    picture.draw_profile(profile, png)


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
    click.echo(clean(said))  # not wrapped: a path may be longer than a line


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
    lines = table(("Voltage", "Level", "For at most"), rows, right=("Level",)) if rows else []
    return lines + _supply_rules(profile) if isinstance(profile, SupplyProfile) else lines


def _supply_rules(profile: SupplyProfile) -> list[str]:
    """Shares of the means, and limits beside the voltage."""
    found: list[str] = []
    steps: list[SupplyUnder | SupplyOver] = [*profile.under, *profile.over]
    for step in steps:
        share_pct = profile.share_pct(step.share_pct)
        if share_pct != 100:
            word = "at least" if isinstance(step, SupplyUnder) else "at most"
            found.append(f"{share_pct:g} % of the means {word} {_level(step.level)}.")
    if profile.distortion and profile.distortion.thd_pct:
        found.append(f"Total distortion at most {profile.distortion.thd_pct:g} %.")
    if profile.distortion and profile.distortion.harmonic_pct:
        found.append(f"Each harmonic at most {profile.distortion.harmonic_pct:g} %.")
    if profile.frequency:
        allowed = profile.frequency
        found.append(f"Frequency between {allowed.down_to_hz:g} and {allowed.up_to_hz:g} Hz.")
    if profile.unbalance:
        found.append(f"Unbalance at most {profile.unbalance.up_to_pct:g} %.")
    if profile.flicker:
        found.append(f"Flicker Pst at most {profile.flicker.pst:g}.")
    found += [_means(profile.averaging)] if profile.averaging else []
    return ["", *found] if found else []


def _means(rule: Averaging) -> str:
    period = f" within {rule.period_s / 86400:g} days" if rule.period_s else ""
    share = f"{rule.share_pct:g} % of" if rule.share_pct < 100 else "All"
    return f"{share} means over {rule.interval_s / 60:g} min{period}, unless said otherwise."


def _level(level: tuple[float, str]) -> str:
    return f"{level[0]:g} {level[1]}"


def _time(at_most_s: float | None, at_most_cycles: float | None) -> str:
    if at_most_cycles is not None:
        return plural(at_most_cycles, "cycle")
    return "for ever" if at_most_s is None else f"{at_most_s:g} s"


def _classes(profile: ClassificationProfile) -> list[str]:
    rows = [
        (
            key,
            cell.label,
            f"{cell.at_least_pct:g} %",
            "" if cell.below_pct is None else f"{cell.below_pct:g} %",
            *_span(cell),
        )
        for key, cell in zip(f"{KEYS}{' ' * len(profile.classes)}", profile.classes, strict=False)
    ]
    headings = ("Key", "Class", "From", "Below", "Longer than", "At most")
    return table(headings, rows, right=("From", "Below"))


def _span(cell: Cell) -> tuple[str, str]:
    longer = _time(cell.longer_than_s, cell.longer_than_cycles)
    at_most = _time(cell.at_most_s, cell.at_most_cycles)
    return longer, "" if at_most == "for ever" else at_most


def _evidence(profile: Profile, width: int) -> list[str]:
    if not profile.evidence:
        return []
    lines = ["", "How well each number is known:"]
    for number, grade in profile.evidence.items():
        lines += wrapped(f"{number}: {grade}", width, "  ")
    return [*lines, ""]
