"""What a profile does not judge, said before anything that could be taken for an all-clear."""

from collections import Counter

from daemon.archive import Archive, EventFilter
from daemon.errors import InputError
from daemon.judge import judge
from daemon.page.words import kind_words
from daemon.profiles import find_profile, user_profile_dir
from daemon.records import Kind
from daemon.staircase import EventFacts
from daemon.tolerance import ClassificationProfile, ImmunityProfile, SupplyProfile
from tools.text import plural

Judging = ImmunityProfile | SupplyProfile
WITH_LIMITS = {  # a built-in profile that has limits for such events
    Kind.DIP: "iti-2000",
    Kind.SWELL: "iti-2000",
    Kind.INTERRUPTION: "iti-2000",
    Kind.TRANSIENT: "iti-2000",
    Kind.DISTORTION: "ieee-519-lv",
}


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


def unjudged_words(names: str, counts: Counter[Kind]) -> str:
    """Which events were not judged, what that means, and a profile that would; else empty."""
    if not counts.total():
        return ""
    kinds = ", ".join(f"{kind_words(kind)}: {counts[kind]}" for kind in Kind if counts[kind])
    verb = "is" if counts.total() == 1 else "are"
    return (
        f"{plural(counts.total(), 'event')} {verb} not judged ({kinds}), as {names} has no limit "
        f"for such: that does not say they were harmless.{_other_profiles(names, counts)}"
    )


def _other_profiles(names: str, counts: Counter[Kind]) -> str:
    found = dict.fromkeys(
        WITH_LIMITS[kind] for kind in Kind if counts[kind] and kind in WITH_LIMITS
    )
    other = " or ".join(f"--profile {name}" for name in found if name not in names.split(", "))
    return f" To judge them: {other}." if other else ""
