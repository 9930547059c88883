"""What a profile does not judge, said before anything that could be taken for an all-clear."""

import math
from collections import Counter
from collections.abc import Iterable

from daemon.archive import Archive, EventFilter
from daemon.errors import InputError
from daemon.judge import judge
from daemon.page.words import kind_words
from daemon.profiles import (
    builtin_profiles,
    find_profile,
    is_in_scope,
    user_profile_dir,
    user_profiles,
)
from daemon.records import Kind
from daemon.staircase import EventFacts
from daemon.tolerance import ClassificationProfile, ImmunityProfile, SupplyProfile
from tools.text import plural
from tools.verdicts import Supply

Judging = ImmunityProfile | SupplyProfile
MOST_NAMED = 2  # profiles for one kind: those written for most


def find_limits(name: str) -> Judging:
    """The profile of this name, where it has limits that an event can pass.

    :raises InputError: there is none, or it only sorts events into classes.
    """
    profile = find_profile(name, user_profile_dir())
    if isinstance(profile, ClassificationProfile):
        raise InputError(
            f"--profile {profile.id} sorts events into classes and has no limits that an event "
            "could pass; take one that has, such as iti-2000 (halfcycle profiles list)"
        )
    return profile


def judges(profile: Judging, kind: Kind) -> bool:
    """Whether a profile has limits for events of this kind: that rests on nothing else of them."""
    return judge(EventFacts(kind, 100.0, 1.0), profile, 230.0, 50.0).verdict is not None


def count_unjudged(archive: Archive, profile_name: str | None) -> Counter[Kind]:
    """How many stored events have no verdict, by kind; of another profile than the stored one.

    :raises InputError: as `find_limits`.
    """
    if profile_name is None:
        found = {one: archive.verdict_counts(EventFilter(kind=one)).get(None, 0) for one in Kind}
    else:
        profile = find_limits(profile_name)
        unjudged = [one for one in Kind if not judges(profile, one)]
        found = {one: archive.count(EventFilter(kind=one)) for one in unjudged}
    return Counter({kind: count for kind, count in found.items() if count})


def unjudged_words(names: str, counts: Counter[Kind], supplies: Iterable[Supply] = ()) -> str:
    """Which events were not judged, what that means, and the profiles that would; else empty.

    :param names: what they were compared with.
    :param supplies: only profiles that were written for all of them are named.
    """
    if not counts.total():
        return ""
    kinds = ", ".join(f"{kind_words(kind)}: {counts[kind]}" for kind in Kind if counts[kind])
    verb = "is" if counts.total() == 1 else "are"
    return (
        f"{plural(counts.total(), 'event')} {verb} not judged ({kinds}), as {names} has no limit "
        f"for such: that does not say they were harmless.{_others_words(names, counts, supplies)}"
    )


def _others_words(names: str, counts: Counter[Kind], supplies: Iterable[Supply]) -> str:
    """Which profile judges which kind; none judges all, so that each is named with its kinds."""
    declared = list(dict.fromkeys((one.nominal_v, one.frequency_hz) for one in supplies))
    if not declared:
        return ""
    fitting = [one for one in _others(names) if all(is_in_scope(one, *each) for each in declared)]
    kinds_of: dict[str, list[str]] = {}
    for kind in Kind:
        if counts[kind]:
            found = [one.id for one in fitting if judges(one, kind)][:MOST_NAMED]
            kinds_of.setdefault(" or ".join(found), []).append(kind_words(kind))
    parts = [
        f"for {' and '.join(kinds)} in {found or 'no other profile'}"
        for found, kinds in sorted(kinds_of.items(), key=lambda one: not one[0])
    ]
    supply = " and of ".join(f"{volts:g} V, {hertz:g} Hz" for volts, hertz in declared)
    return f" Limits for a supply of {supply} are: {'; '.join(parts)}."


def _others(names: str) -> list[Judging]:
    """All profiles with limits but these; those for any equipment, and most countries, first."""
    known = [*builtin_profiles(), *user_profiles(user_profile_dir())[0]]
    others = [
        one
        for one in known
        if not isinstance(one, ClassificationProfile) and one.id not in names.split(", ")
    ]
    return sorted(others, key=_breadth, reverse=True)


def _breadth(profile: Judging) -> tuple[bool, float]:
    scope = profile.applies_to
    n_countries = math.inf if scope.countries is None else len(scope.countries)
    return scope.equipment is None, n_countries
