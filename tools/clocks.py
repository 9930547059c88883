"""How far the clocks of two monitors of one supply are apart: by what both of them saw."""

import math
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


def difference_by_twins(
    only_a: Sequence[Occurrence], only_b: Sequence[Occurrence], n_paired: int, common_s: float
) -> ClockDifference | None:
    """The difference that twins agree on: two of them and more than are paired without it.

    None where chance is not unlikely (2 %), or another difference would do as well.
    """
    found = find_twins(only_a, only_b)
    if len(found) == 0 or len(found[0].numbers) < max(2, n_paired + 1):
        return None
    is_alone = len(found) == 1 or len(found[1].numbers) < len(found[0].numbers)
    n_alike = len(_alike(only_a, only_b))
    probability = twin_chance(n_alike, len(found[0].numbers), common_s)
    if not is_alone or probability > UNLIKELY:
        return None
    return ClockDifference(found[0].shift_s, len(found[0].numbers), probability)


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


def find_twins(only_a: Sequence[Occurrence], only_b: Sequence[Occurrence]) -> list[Twins]:
    """Each difference at which alike ones agree, the most of them first; no pair stands twice."""
    left, found = _alike(only_a, only_b), []
    while left:
        best = max((_within(left, shift_s) for shift_s, _, _ in left), key=_rank)
        shift_s = float(np.median([shift_s for shift_s, _, _ in best]))
        found.append(Twins(shift_s, tuple((a, b) for _, a, b in best)))
        left = [pair for pair in left if pair not in best]
    return found


Alike = tuple[float, int, int]  # difference in s, number at A, number at B


def _rank(pairs: Sequence[Alike]) -> tuple[int, float]:
    """Most of them first; of as many, the smaller difference is likelier."""
    return len(pairs), -abs(pairs[0][0])


def _alike(only_a: Sequence[Occurrence], only_b: Sequence[Occurrence]) -> list[Alike]:
    if max(len(only_a), len(only_b)) > FEW:
        return []
    return sorted(
        (other.span[0] - one.span[0], number, place)
        for number, one in enumerate(only_a)
        for place, other in enumerate(only_b)
        if abs(other.span[0] - one.span[0]) <= SEARCH_S and _are_alike(one, other)
    )


def _within(pairs: Sequence[Alike], first_s: float) -> list[Alike]:
    """Those from this difference up to `CLOSE_S` more; each disturbance once."""
    found: list[Alike] = []
    used_a, used_b = set[int](), set[int]()
    for pair in pairs:
        shift_s, a, b = pair
        if first_s <= shift_s <= first_s + CLOSE_S and a not in used_a and b not in used_b:
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
