"""What a report says of the supply over its whole time: statistics against supply limits."""

import math
from collections.abc import Mapping, Sequence

from daemon.archive import Archive, RunRow
from daemon.errors import InputError
from daemon.page.words import sentence_case
from daemon.profiles import Profile, find_profile, user_profile_dir
from daemon.schema import utc_seconds
from daemon.supply_answers import INTERVAL_S
from daemon.supply_statistics import Histogram, Quantity, SupplyStatistics, total
from daemon.tolerance import SupplyProfile
from tools.sag_counts import sag_sentences
from tools.supply_words import Place, read_days, supply_sentences
from tools.text import plural

USUAL = "iec-60038"  # the common band of ±10 %, where the events were compared with equipment
WEEK_S = 0.95 * 604_800.0  # some of it is always flagged, or not watched
PERCENTS = (5.0, 50.0, 95.0)
MEANING = {Quantity.DISTORTION: " (how far the wave is from a pure sine)"}
UNITS = {Quantity.VOLTAGE: "%", Quantity.FREQUENCY: "Hz", Quantity.DISTORTION: "%"}


def supply_section(
    archive: Archive, profiles: Sequence[Profile], nominal_v: Mapping[int, float]
) -> tuple[str, ...]:
    """Percentiles, and each rule of the supply profiles; nothing where none were kept.

    :param nominal_v: the declared voltage of each run, by its id.
    """
    places, damaged = read_days(archive, nominal_v)
    found = [
        text
        for place, days in places.items()
        for text in _percentiles(place, total(days.values()), _slots_of(archive, place, nominal_v))
    ]
    for profile in _supply_profiles(profiles) if places or damaged else ():
        answers = supply_sentences(archive, profile, nominal_v)
        found += [f"Compared with {profile.title}: {text}" for text in answers]
    return (*found, *sag_sentences(archive, profiles))


def _percentiles(
    place: Place, statistics: SupplyStatistics, n_slots: Mapping[int, int]
) -> list[str]:
    """:param n_slots: how many intervals of so many seconds the watch touched."""
    found = []
    for quantity, unit in UNITS.items():
        histogram = statistics.of(quantity)
        values = [histogram.percentile(percent) for percent in PERCENTS]
        if histogram.n_values:
            digits = 3 if quantity is Quantity.FREQUENCY else 1
            low, middle, high = (f"{value or 0.0:.{digits}f}" for value in values)
            whole = f"{unit} of {place.nominal_v:g} V" if quantity is Quantity.VOLTAGE else unit
            name = place.words(quantity)
            subject = f"{name}, {quantity}" if name else sentence_case(quantity)
            found.append(
                f"{subject}{MEANING.get(quantity, '')}: {spread_words(low, middle, high, whole)}. "
                f"{_slots_words(histogram, INTERVAL_S[quantity], n_slots)}"
                f"{_hedge(quantity, histogram.n_values)}."
            )
    return found


def spread_words(low: str, middle: str, high: str, unit: str) -> str:
    """Values that agree as far as they are written are said once."""
    if low == high:
        return f"{middle} {unit} for nine tenths of the time"
    return (
        f"between {low} and {high} {unit} for nine tenths of the time, above {middle} {unit} for "
        "half of it"
    )


def _slots_words(histogram: Histogram, interval_s: int, n_slots: Mapping[int, int]) -> str:
    """How many values that rests on, and where the others of the watch went: the counts add up."""
    n_values, n_flagged = histogram.n_values, histogram.n_flagged
    interval = f"{interval_s // 60} minutes" if interval_s >= 60 else f"{interval_s} seconds"
    text = f"That is from {plural(n_values, 'mean')} over {interval} each"
    n_missing = max(n_slots.get(interval_s, 0) - n_values - n_flagged, 0)
    if not n_missing + n_flagged:
        return text
    parts = [f"{n_flagged} left out, as an event or a gap lay in them"] if n_flagged else []
    if n_missing:
        parts.append(
            f"{n_missing} never whole, at the begin or end of a run or while nothing was watched"
        )
    whole = n_values + n_flagged + n_missing
    return f"{text}; the watch spans {whole} of them: {', '.join(parts)}"


def count_slots(runs: Sequence[RunRow], interval_s: int) -> int:
    """Intervals of UTC, full or not, from the begin of the first run to the end of the last."""
    since_s = min(utc_seconds(run.started_utc) for run in runs)
    until_s = max(utc_seconds(run.until_utc) for run in runs)
    return math.ceil(until_s / interval_s) - math.floor(since_s / interval_s)


def _slots_of(archive: Archive, place: Place, nominal_v: Mapping[int, float]) -> dict[int, int]:
    runs = [
        run
        for run in archive.runs()
        if run.origin == place.origin and nominal_v.get(run.id) == place.nominal_v
        if place.channel in run.channels
    ]
    return {one: count_slots(runs, one) for one in set(INTERVAL_S.values())} if runs else {}


def _hedge(quantity: Quantity, n_values: int) -> str:
    """A supply is judged by weeks (EN 50160, from memory): less is no statistics of it."""
    watched_s = n_values * INTERVAL_S[quantity]
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
