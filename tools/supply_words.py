"""What the statistics kept by day say of the supply, compared with a supply profile, in words."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from daemon.archive import Archive
from daemon.page.words import verdict_words
from daemon.supply_answers import DAY_S, SupplyAnswer, supply_answers
from daemon.supply_statistics import Quantity, SupplyStatistics, total
from daemon.tolerance import SupplyProfile

MOST_A_DAY = 150  # ten-minute values: 25 hours, when the clocks are put back
OF_ALL_CHANNELS = (Quantity.FREQUENCY, Quantity.UNBALANCE)
NOTHING_KEPT = (
    "The database holds no statistics of this time, so that single events are all there is to "
    "compare."
)

Days = Mapping[date, SupplyStatistics]


@dataclass(frozen=True, slots=True)
class Place:
    """One channel, at one declared voltage, of one monitor."""

    origin: str | None  # where databases were merged
    channel: str
    nominal_v: float

    def words(self, quantity: Quantity) -> str:
        """`L1`, `plant: L1`; of what all channels share only the monitor, if that is known."""
        parts = [self.origin, None if quantity in OF_ALL_CHANNELS else self.channel]
        return ": ".join(part for part in parts if part)


@dataclass(frozen=True, slots=True)
class Found:
    """One answer and the first of the days it was taken from."""

    answer: SupplyAnswer
    worst_since: date | None  # None: it was taken from all there are


def supply_sentences(
    archive: Archive, profile: SupplyProfile, nominal_v: Mapping[int, float]
) -> list[str]:
    """Every rule of the profile for every channel, such as "L1: 95 % of 10-minute values ...".

    :param nominal_v: the declared voltage of each run, by its id; runs without one are left out.
    """
    places, damaged = read_days(archive, nominal_v)
    if not places and not damaged:
        return [NOTHING_KEPT]
    found = [
        (place, one)
        for place, days in places.items()
        for one in find_answers(profile, days, place.nominal_v)
    ]
    answered = {one.answer.rule.quantity for _, one in found if one.answer.share_pct is not None}
    told = [_sentence(place, one) for place, one in found if one.answer.share_pct is not None]
    open_ones = [
        f"{one.answer.words()}." for _, one in found if one.answer.rule.quantity not in answered
    ]
    left_out = [f"Statistics of {name} are damaged and were left out." for name in damaged]
    return list(dict.fromkeys([*told, *open_ones, *left_out]))


def _sentence(place: Place, found: Found) -> str:
    answer, name = found.answer, place.words(found.answer.rule.quantity)
    days = f", the worst ones from {found.worst_since} on" if found.worst_since else ""
    verdict = verdict_words(answer.verdict)
    rest = f"; {left_out}" if (left_out := answer.left_out_words()) else ""
    return f"{f'{name}: ' if name else ''}{answer.words()}{days} ({verdict}){rest}."


def read_days(
    archive: Archive, nominal_v: Mapping[int, float]
) -> tuple[dict[Place, dict[date, SupplyStatistics]], list[str]]:
    """The statistics of each place by the local date of its site, and the names of damaged ones.

    Several runs of one day add up. Where they hold more than a day has, as when a recording was
    read twice, the one that holds most counts alone.
    """
    origins = {run.id: run.origin for run in archive.runs()}
    parts: dict[Place, dict[date, list[SupplyStatistics]]] = {}
    damaged = []
    for row in archive.statistics():
        if row.run_id not in nominal_v:
            continue
        place = Place(origins.get(row.run_id), row.channel, nominal_v[row.run_id])
        try:
            day, statistics = date.fromisoformat(row.day), SupplyStatistics.from_bytes(row.data)
        except ValueError:
            damaged.append(f"{row.day} on {row.channel}")
            continue
        parts.setdefault(place, {}).setdefault(day, []).append(statistics)
    return {
        place: {day: _one_day(runs) for day, runs in sorted(days.items())}
        for place, days in parts.items()
    }, damaged


def _one_day(runs: Sequence[SupplyStatistics]) -> SupplyStatistics:
    whole = total(runs)
    return whole if _n_seen(whole) <= MOST_A_DAY else max(runs, key=_n_seen)


def _n_seen(statistics: SupplyStatistics) -> int:
    voltage = statistics.of(Quantity.VOLTAGE)
    return voltage.n_values + voltage.n_flagged


def find_answers(profile: SupplyProfile, days: Days, nominal_v: float) -> list[Found]:
    """One answer for each rule of the profile.

    A rule over a week, say, is asked of all days together as long as they make no more than one;
    of a longer time it is asked of every seven days in a row, and the worst of them is the answer:
    of those that were watched whole if there are any.
    """
    whole = supply_answers(profile, total(days.values()), nominal_v)
    period_s = profile.averaging.period_s if profile.averaging else None
    if period_s is None or len(days) <= 1 + period_s / DAY_S:
        return [Found(answer, None) for answer in whole]
    n_days = max(1, round(period_s / DAY_S))
    spells = {
        first: supply_answers(profile, total(_spell(days, first, n_days)), nominal_v)
        for first in days
    }
    return [
        _worst([Found(answers[rule], first) for first, answers in spells.items()], answer)
        for rule, answer in enumerate(whole)
    ]


def _spell(days: Days, first: date, n_days: int) -> list[SupplyStatistics]:
    wanted = (first + timedelta(days=number) for number in range(n_days))
    return [days[day] for day in wanted if day in days]


def _worst(found: Sequence[Found], whole: SupplyAnswer) -> Found:
    """That of the smallest share and most values; of all days where they are less than a period."""
    known = [one for one in found if one.answer.share_pct is not None]
    if not known or whole.is_indicative:
        return Found(whole, None)
    complete = [one for one in known if not one.answer.is_indicative]
    return min(complete or known, key=lambda one: (one.answer.share_pct, -one.answer.n_values))
