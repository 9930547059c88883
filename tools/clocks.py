"""How far the clocks of two monitors of one supply are apart: by what both of them saw."""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tools.correlation import Occurrence
from tools.matching import UNLIKELY, find_offset, match

SEARCH_S = 300.0
CLOSE_S = 0.05  # two monitors of one supply see a start within a cycle or two of each other
FEW = 200  # disturbances: of more, chance agreements within CLOSE_S are many
ALIKE_PCT = 2.0  # of declared
ALIKE_S = 0.04  # two cycles; of a longer disturbance 2 %
ALIKE_SHARE = 0.02
FEWEST_MEDIAN = 3
MOST_TWINS = 2  # differences: the best, and whether another one does as well


@dataclass(frozen=True, slots=True)
class ClockDifference:
    """Clock of B minus clock of A, as taken out before pairing."""

    offset_s: float
    n_agreeing: int  # pairs that it rests on
    probability: float | None = None  # by chance so many agree; None: pairs as they are


@dataclass(frozen=True, slots=True)
class Twins:
    """Alike disturbances, one seen at A only and one at B only, all this far apart."""

    shift_s: float
    numbers: tuple[tuple[int, int], ...]  # at A, at B


def clock_difference(
    at_a: Sequence[Occurrence], at_b: Sequence[Occurrence], window_s: float
) -> ClockDifference:
    """The difference at which most pairs agree: within the window, else closely (`CLOSE_S`).

    Pairs as they are give it where nothing makes clearly more of them fit.
    """
    spans, moments = [one.span for one in at_a], [one.span[0] for one in at_b]
    pairs = match(moments, spans, window_s)
    widths_s = [window_s]
    if max(len(spans), len(moments)) <= FEW and window_s > CLOSE_S:
        widths_s.append(CLOSE_S)
    for width_s in widths_s:
        found = find_offset(moments, spans, width_s, SEARCH_S)
        if found is not None and found.n_agreeing > len(pairs):
            return ClockDifference(found.offset_s, found.n_agreeing, found.probability)
    if len(pairs) < FEWEST_MEDIAN:
        return ClockDifference(0.0, len(pairs))
    return ClockDifference(float(np.median([pair.lag_s for pair in pairs])), len(pairs))


Alike = tuple[float, int, int]  # difference in s, number at A, number at B


def difference_by_twins(
    twins: Sequence[Twins], n_alike: int, n_paired: int, common_s: float
) -> ClockDifference | None:
    """The difference that twins agree on: two of them and more than are paired without it.

    None where chance is not unlikely (2 %), or another difference would do as well.

    :param n_alike: pairs that `alike_pairs` found.
    """
    if len(twins) == 0 or len(twins[0].numbers) < max(2, n_paired + 1):
        return None
    is_alone = len(twins) == 1 or len(twins[1].numbers) < len(twins[0].numbers)
    probability = twin_chance(n_alike, len(twins[0].numbers), common_s)
    if not is_alone or probability > UNLIKELY:
        return None
    return ClockDifference(twins[0].shift_s, len(twins[0].numbers), probability)


def twin_chance(n_alike: int, n_agreeing: int, common_s: float) -> float:
    """At most how likely so many of the alike pairs agree within `CLOSE_S` by chance.

    The first gives the difference; each further one hits it within `CLOSE_S` on either side with
    at most 2 `CLOSE_S` times the greatest density of the differences: for moments drawn over the
    common time L it is 1 / L, and where only differences up to the search s are kept, of a longer
    L, 1 / (2 s - s^2 / L). All ways to choose them add up.
    """
    width_s = common_s
    if common_s > SEARCH_S:
        width_s = 2 * SEARCH_S - SEARCH_S**2 / common_s
    each = min(2 * CLOSE_S / width_s, 1.0)
    return float(min(math.comb(n_alike, n_agreeing) * each ** (n_agreeing - 1), 1.0))


def find_twins(alike: Sequence[Alike]) -> list[Twins]:
    """The difference at which most alike ones agree, and the next one, of other pairs.

    :param alike: as `alike_pairs` gives them.
    """
    found: list[Twins] = []
    left = list(alike)
    while left and len(found) < MOST_TWINS:
        best = _best(left)
        shift_s = float(np.median([shift_s for shift_s, _, _ in best]))
        found.append(Twins(shift_s, tuple((a, b) for _, a, b in best)))
        used = set(best)
        left = [pair for pair in left if pair not in used]
    return found


def alike_pairs(only_a: Sequence[Occurrence], only_b: Sequence[Occurrence]) -> list[Alike]:
    """All alike disturbances, by their difference; none where there are very many."""
    if max(len(only_a), len(only_b)) > FEW:
        return []
    return sorted(
        (other.span[0] - one.span[0], number, place)
        for number, one in enumerate(only_a)
        for place, other in enumerate(only_b)
        if abs(other.span[0] - one.span[0]) <= SEARCH_S and _are_alike(one, other)
    )


def _best(pairs: Sequence[Alike]) -> list[Alike]:
    """The most that agree within `CLOSE_S`; of as many, those of the smaller difference."""
    shifts = [shift_s for shift_s, _, _ in pairs]
    reach = {one: _reach(shifts, one) for one in shifts}
    best: list[Alike] = []
    for shift_s in sorted(reach, key=lambda one: (len(reach[one]), -abs(one)), reverse=True):
        if len(reach[shift_s]) < len(best):
            break  # the others hold no more than this one
        best = max(best, _each_once([pairs[at] for at in reach[shift_s]]), key=_rank)
    return best


def _reach(shifts: Sequence[float], first_s: float) -> range:
    return range(bisect_left(shifts, first_s), bisect_right(shifts, first_s + CLOSE_S))


def _rank(pairs: Sequence[Alike]) -> tuple[int, float]:
    return len(pairs), -abs(pairs[0][0]) if pairs else 0.0


def _each_once(pairs: Sequence[Alike]) -> list[Alike]:
    """Without those of a disturbance that stands in an earlier one."""
    found: list[Alike] = []
    used_a, used_b = set[int](), set[int]()
    for pair in pairs:
        _, a, b = pair
        if a not in used_a and b not in used_b:
            found.append(pair)
            used_a.add(a)
            used_b.add(b)
    return found


def _are_alike(one: Occurrence, other: Occurrence) -> bool:
    """One kind, nearly one value, nearly one duration: as what passed unchanged would be."""
    a, b = one.worst, other.worst
    if a.kind is not b.kind or a.duration_s is None or b.duration_s is None:
        return False
    slack_s = max(ALIKE_S, ALIKE_SHARE * a.duration_s)
    is_as_long = abs(a.duration_s - b.duration_s) <= slack_s
    return is_as_long and abs(a.value_pct - b.value_pct) <= ALIKE_PCT
