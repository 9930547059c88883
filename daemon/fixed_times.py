"""Whether events come back at fixed times: a time of day, or an even interval.

Chance is how often events strewn at random would look as regular: a binomial tail, times the
number of places that were tried. A switching clock, a shift, a compressor come to mind; which one
it is, the times do not say.
"""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from itertools import pairwise

WINDOW_MIN = 10  # events within this much of a time of day count as one time
DAY_MIN = 24 * 60
FEWEST_DAYS = 3
FEWEST_EVENTS = 6
PLAY = 0.05  # of the interval
# Gaps of a Poisson process within 5 % of their median, which is ln 2 over the rate: elementary.
CHANCE_OF_A_GAP = 2 * PLAY * math.log(2) / 2
EVEN_SHARE = 0.8
RARE = 0.01
RAREST = 1e-6


@dataclass(frozen=True, slots=True)
class Repetition:
    """What comes back, in words, and how often chance would do the same."""

    text: str
    n_events: int  # that fit
    chance: float
    fits: frozenset[datetime]  # the starts that do

    def with_chance(self, chance: float) -> "Repetition":
        """The same, where other things were tried as well."""
        return replace(self, chance=chance)

    @property
    def chance_words(self) -> str:
        """`by chance alone once in 300 cases`."""
        if self.chance < RAREST:
            return "by chance alone less than once in a million cases"
        return f"by chance alone once in {float(f'{1 / self.chance:.1g}'):.0f} cases"


def repetition(starts_local: Sequence[datetime], noun: str = "events") -> Repetition | None:
    """The more striking of both regularities; None where chance explains the times.

    :param starts_local: local times in any order, all with or all without a time zone.
    :param noun: what they are the starts of.
    """
    starts = sorted(starts_local)
    found = [one for one in (_time_of_day(starts, noun), _interval(starts, noun)) if one]
    return min(found, key=lambda one: one.chance, default=None)


def _time_of_day(starts: Sequence[datetime], noun: str) -> Repetition | None:
    if len({start.date() for start in starts}) < FEWEST_DAYS:
        return None
    n_days = (starts[-1].date() - starts[0].date()).days + 1
    best = _fullest_window(starts)
    days = _n_dates(starts, best)
    in_a_window = 1 - math.exp(-len(starts) / n_days * WINDOW_MIN / DAY_MIN)
    chance = min(1.0, _tail(days, n_days, in_a_window) * DAY_MIN / WINDOW_MIN)
    if days < FEWEST_DAYS or chance > RARE:
        return None
    clock = f"{starts[best[0]]:%H:%M}"
    text = (
        f"{len(best)} of {len(starts)} {noun} came within {WINDOW_MIN} minutes of {clock} local "
        f"time, on {days} of {n_days} days"
    )
    return Repetition(text, len(best), chance, frozenset(starts[n] for n in best))


def _fullest_window(starts: Sequence[datetime]) -> list[int]:
    """Which starts lie in the ten minutes of the day with most dates, then most starts."""
    minutes = [60 * start.hour + start.minute + start.second / 60 for start in starts]
    order = sorted(range(len(minutes)), key=lambda n: (minutes[n], n))
    # Twice round the clock, so that a window may lie across midnight.
    places = [(minutes[n] + DAY_MIN * turn, n) for turn in (0, 1) for n in order]
    dates: Counter[date] = Counter()
    best, most, stop = (0, 0), (0, 0), 0
    for first, (minute, number) in enumerate(places[: len(order)]):
        while stop < first + len(order) and places[stop][0] - minute < WINDOW_MIN:
            dates[starts[places[stop][1]].date()] += 1
            stop += 1
        if (len(dates), stop - first) > most:
            best, most = (first, stop), (len(dates), stop - first)
        own = starts[number].date()
        dates[own] -= 1
        if not dates[own]:
            del dates[own]
    return sorted(number for _, number in places[best[0] : best[1]])


def _n_dates(starts: Sequence[datetime], chosen: list[int]) -> int:
    return len({starts[n].date() for n in chosen})


def _interval(starts: Sequence[datetime], noun: str) -> Repetition | None:
    if len(starts) < FEWEST_EVENTS:
        return None
    # Differences of local times are wrong across a change of the clocks.
    at = [one.astimezone(UTC) if one.tzinfo else one for one in starts]
    gaps = [(b - a).total_seconds() for a, b in pairwise(at)]
    middle = sorted(gaps)[len(gaps) // 2]
    even = sum(abs(gap - middle) <= PLAY * middle for gap in gaps)
    # The middle one fits itself.
    chance = _tail(even - 1, len(gaps) - 1, CHANCE_OF_A_GAP)
    if middle <= 0 or even < EVEN_SHARE * len(gaps) or chance > RARE:
        return None
    text = f"{even} of {len(gaps)} intervals between {noun} lie within 5 % of {_length(middle)}"
    # Each start beside an interval that fits.
    sides = [(n, n + 1) for n, gap in enumerate(gaps) if abs(gap - middle) <= PLAY * middle]
    fits = frozenset(starts[n] for pair in sides for n in pair)
    return Repetition(text, even + 1, chance, fits)


def _tail(at_least: int, tries: int, probability: float) -> float:
    """Probability of so many successes or more."""
    if probability <= 0 or probability >= 1:
        return float(at_least <= 0 or probability >= 1)
    whole = math.lgamma(tries + 1)
    logs = (
        whole - math.lgamma(n + 1) - math.lgamma(tries - n + 1)
        + n * math.log(probability) + (tries - n) * math.log1p(-probability)
        for n in range(max(at_least, 0), tries + 1)
    )  # fmt: skip
    return min(math.fsum(math.exp(one) for one in logs), 1.0)


def _length(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"
