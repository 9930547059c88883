"""`halfcycle profiles suggest`: which of the profiles fits, for who does not know."""

from collections.abc import Sequence

import click

from daemon.profiles import Profile, builtin_profiles, is_in_scope, user_profile_dir, user_profiles
from daemon.tolerance import ClassificationProfile, ImmunityProfile, SupplyProfile
from tools.text import terminal_width, wrapped

_EQUIPMENT = ["computer", "industrial", "medical", "semiconductor", "other"]
_COMMON_NAMES = {"UK": "GB", "EL": "GR"}


@click.command("suggest")
@click.option("--nominal", "nominal_v", metavar="V", type=float, required=True,
              help="The nominal voltage, such as 230.")  # fmt: skip
@click.option("--hz", type=click.Choice(["50", "60"]), required=True, help="The frequency.")
@click.option("--country", metavar="XX", help="Two letters: AT, US, JP.")
@click.option("--equipment", type=click.Choice(_EQUIPMENT), default="other", show_default=True)
def command(nominal_v: float, hz: str, country: str | None, equipment: str) -> None:
    """Say which profiles fit a supply, a country and the equipment on it."""
    own, _ = user_profiles(user_profile_dir())
    known = [*builtin_profiles(), *own]
    fitting = [profile for profile in known if is_in_scope(profile, nominal_v, float(hz))]
    code = _COMMON_NAMES.get((country or "").upper(), (country or "").upper())
    place = f" in {code}" if code else ""
    lines = [f"For {nominal_v:g} V and {hz} Hz{place}, equipment: {equipment}", ""]
    immunity = _immunity(fitting, equipment)
    lines += ["To judge each event (supply.profile in the configuration):", *_entries(immunity)]
    elsewhere = [profile for profile in _made_for(known, equipment) if profile not in fitting]
    if elsewhere:
        lines += ["", "Often used, but written for another voltage or frequency; a hint, no limit:"]
        lines += _entries(elsewhere)
    lines += ["", *_supply(fitting, known, code)]
    labels = [profile for profile in fitting if isinstance(profile, ClassificationProfile)]
    lines += ["", "To name the class of each event:", *_entries(labels)]
    used = next((profile.id for profile in immunity), "ID")
    use = f"Then: supply: {{nominal_v: {nominal_v:g}, frequency_hz: {hz}, profile: {used}}}"
    lines += ["", *wrapped(use, terminal_width())]
    click.echo("\n".join(lines))


def _immunity(fitting: Sequence[Profile], equipment: str) -> list[Profile]:
    """Those for this equipment, else the mildest and the hardest of common ones."""
    made_for = _made_for(fitting, equipment)
    return made_for or _made_for(fitting, "computer") + _made_for(fitting, "industrial")


def _made_for(profiles: Sequence[Profile], equipment: str) -> list[Profile]:
    return [
        profile
        for profile in profiles
        if isinstance(profile, ImmunityProfile)
        and equipment in (profile.applies_to.equipment or ())
    ]


def _supply(fitting: Sequence[Profile], known: Sequence[Profile], code: str) -> list[str]:
    """Those of the country, else those of no country in particular."""
    supply = [profile for profile in fitting if isinstance(profile, SupplyProfile)]
    of_place = [profile for profile in supply if code in (profile.applies_to.countries or ())]
    if of_place:
        return ["To compare the supply itself (indicative):", *_entries(of_place)]
    anywhere = [profile for profile in supply if profile.applies_to.countries is None]
    head = ["To compare the supply itself (indicative):", *_entries(anywhere)]
    of_others = {
        profile.applies_to.nominal_v
        for profile in known
        if isinstance(profile, SupplyProfile) and code in (profile.applies_to.countries or ())
    }
    width = terminal_width()
    if not code:
        return [*head, *wrapped("Its country's own limits come first: give --country.", width)]
    if not of_others:
        return [*head, *wrapped(f"No profile is known for {code}; its law comes first.", width)]
    voltages = sorted({value for values in of_others for value in values or ()})
    said = ", ".join(f"{value:g}" for value in voltages)
    return [*head, *wrapped(f"The profiles of {code} are for {said} V.", width)]


def _entries(profiles: Sequence[Profile]) -> list[str]:
    lines = []
    for profile in profiles:
        first, *more = wrapped(profile.title, terminal_width() - 28)
        lines += [f"  {profile.id:<26}{first}", *(" " * 28 + line for line in more)]
    return lines or ["  none"]
