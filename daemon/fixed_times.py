"""Whether events come back at fixed times: a time of day, or an even interval.

Chance is how often events strewn at random would look as regular: a binomial tail, times the
number of places that were tried. A switching clock, a shift, a compressor come to mind; which one
it is, the times do not say.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
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


@dataclass(frozen=True, slots=True)
class Repetition:
    """What comes back, in words, and how often chance would do the same."""

    text: str
    n_events: int  # that fit
    chance: float


def repetition(starts_local: Sequence[datetime]) -> Repetition | None:
    """The more striking of both regularities; None where chance explains the times.

    :param starts_local: local times in any order, all with or all without a time zone.
    """
    starts = sorted(starts_local)
    found = [one for one in (_time_of_day(starts), _interval(starts)) if one is not None]
    return min(found, key=lambda one: one.chance, default=None)


def _time_of_day(starts: Sequence[datetime]) -> Repetition | None:
    if len({start.date() for start in starts}) < FEWEST_DAYS:
        return None
    n_days = (starts[-1].date() - starts[0].date()).days + 1
    minutes = [60 * start.hour + start.minute + start.second / 60 for start in starts]
    best: list[int] = []
    for first in minutes:
        near = [n for n, minute in enumerate(minutes) if (minute - first) % DAY_MIN < WINDOW_MIN]
        best = max(best, near, key=lambda some: (_n_dates(starts, some), len(some)))
    days = _n_dates(starts, best)
    in_a_window = 1 - math.exp(-len(starts) / n_days * WINDOW_MIN / DAY_MIN)
    chance = min(1.0, _tail(days, n_days, in_a_window) * DAY_MIN / WINDOW_MIN)
    if days < FEWEST_DAYS or chance > RARE:
        return None
    clock = f"{starts[best[0]]:%H:%M}"
    text = (
        f"{len(best)} of {len(starts)} events came within {WINDOW_MIN} minutes of {clock} local "
        f"time, on {days} of {n_days} days"
    )
    return Repetition(text, len(best), chance)


def _n_dates(starts: Sequence[datetime], chosen: list[int]) -> int:
    return len({starts[n].date() for n in chosen})


def _interval(starts: Sequence[datetime]) -> Repetition | None:
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
    text = f"{even} of {len(gaps)} intervals between events lie within 5 % of {_length(middle)}"
    return Repetition(text, even + 1, chance)


def _tail(at_least: int, tries: int, probability: float) -> float:
    """Probability of so many successes or more."""
    return math.fsum(
        math.comb(tries, n) * probability**n * (1 - probability) ** (tries - n)
        for n in range(max(at_least, 0), tries + 1)
    )


def _length(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"
