"""What a report says of the supply over its whole time: statistics against supply limits."""

from collections.abc import Mapping, Sequence

from daemon.archive import Archive
from daemon.errors import InputError
from daemon.page.words import sentence_case
from daemon.profiles import Profile, find_profile, user_profile_dir
from daemon.supply_statistics import Quantity, SupplyStatistics, total
from daemon.tolerance import SupplyProfile
from tools.sag_counts import sag_sentences
from tools.supply_words import Place, read_days, supply_sentences
from tools.text import plural

USUAL = "iec-60038"  # the common band of ±10 %, where the events were compared with equipment
WEEK_S = 0.95 * 604_800.0  # some of it is always flagged, or not watched
PERCENTS = (5.0, 50.0, 95.0)
UNITS = {Quantity.VOLTAGE: "%", Quantity.FREQUENCY: "Hz", Quantity.DISTORTION: "%"}


def supply_section(
    archive: Archive, profiles: Sequence[Profile], nominal_v: Mapping[int, float]
) -> tuple[str, ...]:
    """Percentiles, and each rule of the supply profiles; nothing where none were kept.

    :param nominal_v: the declared voltage of each run, by its id.
    """
    places, damaged = read_days(archive, nominal_v)
    found = [
        text for place, days in places.items() for text in _percentiles(place, total(days.values()))
    ]
    for profile in _supply_profiles(profiles) if places or damaged else ():
        answers = supply_sentences(archive, profile, nominal_v)
        found += [f"Compared with {profile.title}: {text}" for text in answers]
    return (*found, *sag_sentences(archive, profiles))


def _percentiles(place: Place, statistics: SupplyStatistics) -> list[str]:
    found = []
    for quantity, unit in UNITS.items():
        histogram = statistics.of(quantity)
        values = [histogram.percentile(percent) for percent in PERCENTS]
        if histogram.n_values:
            digits = 3 if quantity is Quantity.FREQUENCY else 1
            low, middle, high = (f"{value or 0.0:.{digits}f}" for value in values)
            interval = "ten-second" if quantity is Quantity.FREQUENCY else "ten-minute"
            name = place.words(quantity)
            subject = f"{name}, {quantity}" if name else sentence_case(quantity)
            found.append(
                f"{subject}: {plural(histogram.n_values, f'{interval} value')}; "
                f"{spread_words(low, middle, high, unit)}{_hedge(quantity, histogram.n_values)}."
            )
    return found


def spread_words(low: str, middle: str, high: str, unit: str) -> str:
    """Values that agree as far as they are written are said once."""
    if low == high:
        return f"9 of 10 read {middle} {unit}"
    return f"half of them above {middle} {unit}, 90 % of them between {low} and {high} {unit}"


def _hedge(quantity: Quantity, n_values: int) -> str:
    """A supply is judged by weeks (EN 50160, from memory): less is no statistics of it."""
    watched_s = n_values * (10 if quantity is Quantity.FREQUENCY else 600)
    return "" if watched_s >= WEEK_S else "; indicative, of less than a week"


def _supply_profiles(profiles: Sequence[Profile]) -> list[SupplyProfile]:
    found = [profile for profile in profiles if isinstance(profile, SupplyProfile)]
    if found:
        return found
    try:
        usual = find_profile(USUAL, user_profile_dir())
    except InputError:
        return []
    return [usual] if isinstance(usual, SupplyProfile) else []
