"""What a report says of the supply over its whole time: statistics against supply limits."""

from collections.abc import Iterable, Sequence

from daemon.archive import Archive, StatisticsRow
from daemon.errors import InputError
from daemon.page.words import verdict_words
from daemon.profiles import Profile, find_profile, user_profile_dir
from daemon.supply_answers import supply_answers
from daemon.supply_statistics import Quantity, SupplyStatistics, total
from daemon.tolerance import SupplyProfile

USUAL = "iec-60038"  # the common band of ±10 %, where the events were compared with equipment
PERCENTS = (5.0, 50.0, 95.0)
UNITS = {Quantity.VOLTAGE: "%", Quantity.FREQUENCY: "Hz", Quantity.DISTORTION: "%"}


def supply_sentences(
    archive: Archive, profiles: Sequence[Profile], nominal_v: float | None
) -> tuple[str, ...]:
    """Percentiles, and each rule of the supply profiles; nothing where none were kept."""
    rows = archive.statistics()
    if not rows or nominal_v is None:
        return ()
    found = []
    for channel in dict.fromkeys(row.channel for row in rows):
        statistics = total(_unpacked(row for row in rows if row.channel == channel))
        found += _percentiles(channel, statistics)
        for profile in _supply_profiles(profiles):
            for answer in supply_answers(profile, statistics, nominal_v):
                verdict = f" ({verdict_words(answer.verdict)})" if answer.verdict else ""
                text = f"{channel}, compared with {profile.title}: {answer.words()}{verdict}."
                found += [text] if answer.share_pct is not None else []
    return tuple(found)


def _unpacked(rows: Iterable[StatisticsRow]) -> list[SupplyStatistics]:
    return [SupplyStatistics.from_bytes(row.data) for row in rows]


def _percentiles(channel: str, statistics: SupplyStatistics) -> list[str]:
    found = []
    for quantity, unit in UNITS.items():
        histogram = statistics.of(quantity)
        values = [histogram.percentile(percent) for percent in PERCENTS]
        if histogram.n_values:
            digits = 3 if quantity is Quantity.FREQUENCY else 1
            low, middle, high = (f"{value or 0.0:.{digits}f}" for value in values)
            interval = "10-second" if quantity is Quantity.FREQUENCY else "10-minute"
            found.append(
                f"{channel}, {quantity}: half of {histogram.n_values} {interval} values were above "
                f"{middle} {unit}, 90 % of them between {low} and {high} {unit}."
            )
    return found


def _supply_profiles(profiles: Sequence[Profile]) -> list[SupplyProfile]:
    found = [profile for profile in profiles if isinstance(profile, SupplyProfile)]
    if found:
        return found
    try:
        usual = find_profile(USUAL, user_profile_dir())
    except InputError:
        return []
    return [usual] if isinstance(usual, SupplyProfile) else []
