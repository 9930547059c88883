"""Two series of moments held against each other: pairs, chance, and a difference of clocks.

Pure. The question "how likely by chance" is answered by shifting the whole series of failures
around within the watched time, as a ring: this keeps the failures' own pattern, such as bursts,
and needs no assumption of how they are distributed. It does not keep daily routine: where both
sides keep working hours, chance is likelier than said.
"""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.spans import Span, common, joined

Floats = NDArray[np.float64]
MOST_EXACT = 2_000_000  # products of moments and spans up to which every shift is looked at
N_SHIFTS = 20_000
SEED = 1
FEWEST_AGREEING = 3
N_DRAWS = 300
UNLIKELY = 0.02
ROUNDING_S = 1e-3  # far more than a sum of seconds since 1970 is rounded by


@dataclass(frozen=True, slots=True)
class Pair:
    """A moment and the nearest span, by their numbers; `lag_s` counts from the span's start."""

    moment: int
    span: int
    lag_s: float


@dataclass(frozen=True, slots=True)
class Chance:
    """How likely at least so many matches are when the series is shifted at random."""

    probability: float
    expected: float  # matches in the mean
    method: str  # in words


@dataclass(frozen=True, slots=True)
class ClockOffset:
    """A difference that would make more moments fit; positive: the moments' clock is ahead."""

    offset_s: float
    spread_s: float  # half the range of the differences that agree
    n_agreeing: int
    n_now: int  # that fit without it
    probability: float  # that moments drawn at random agree as well


def match(
    moments: Sequence[float],
    spans: Sequence[Span],
    window_s: float,
    ahead_s: float | None = None,
) -> list[Pair]:
    """For each moment the nearest span not farther than the window; inside it is distance 0.

    :param ahead_s: how long before a span's start a moment may be; None: as long as after its end.
    """
    near, found = NearSpans(spans, window_s, ahead_s), []
    for number, moment in enumerate(moments):
        places, distance = near.at(moment)
        if len(places):
            nearest = int(places[np.argmin(distance)])
            found.append(Pair(number, nearest, float(moment - spans[nearest][0])))
    return found


class NearSpans:
    """Finds the spans near a moment without looking at all of them; windows as for `match`."""

    def __init__(
        self, spans: Sequence[Span], window_s: float, ahead_s: float | None = None
    ) -> None:
        starts, ends = np.array(spans, dtype=np.float64).reshape(-1, 2).T
        self._order = np.argsort(starts, kind="stable")
        self._starts, self._ends = starts[self._order], ends[self._order]
        self._latest_end = np.maximum.accumulate(self._ends)
        self._window_s = window_s
        self._ahead_s = window_s if ahead_s is None else ahead_s

    def at(self, moment: float) -> tuple[NDArray[np.intp], Floats]:
        """Their numbers, and how far each of them is; 0: the moment is inside."""
        since, until = moment - self._window_s, moment + self._ahead_s
        first = np.searchsorted(self._latest_end, since - ROUNDING_S, side="left")
        last = np.searchsorted(self._starts, until + ROUNDING_S, side="right")
        starts, ends = self._starts[first:last], self._ends[first:last]
        distance = np.maximum(np.maximum(starts - moment, moment - ends), 0.0)
        is_near = (starts - moment <= self._ahead_s) & (moment - ends <= self._window_s)
        return self._order[first:last][is_near], distance[is_near]


def chance(
    moments: Sequence[float],
    spans: Sequence[Span],
    window_s: float,
    watched: Sequence[Span],
    ahead_s: float | None = None,
) -> Chance:
    """The chance of at least as many matches as there are, for moments in the watched time.

    :param ahead_s: as for `match`.
    """
    before_s = window_s if ahead_s is None else ahead_s
    near = common(watched, joined((start - before_s, end + window_s) for start, end in spans))
    whole_s = sum(end - start for start, end in watched)
    ring = _Ring(watched)
    inside = np.array(ring.places([m for m in moments if ring.holds(m)]), dtype=np.float64)
    zones = np.array(ring.spans(near), dtype=np.float64).reshape(-1, 2)
    covered_s = float((zones[:, 1] - zones[:, 0]).sum())
    expected = len(inside) * covered_s / whole_s
    n_matched = int(_counts(inside, zones, np.zeros(1), whole_s)[0])
    if n_matched == 0:
        return Chance(1.0, expected, "exact, over all shifts")
    if len(inside) * len(zones) <= MOST_EXACT:
        share = _share_of_shifts(inside, zones, whole_s, n_matched)
        return Chance(share, expected, "exact, over all shifts")
    shifts = np.random.default_rng(SEED).uniform(0.0, whole_s, N_SHIFTS)
    counts = _counts(inside, zones, shifts, whole_s)
    share = (1 + int((counts >= n_matched).sum())) / (N_SHIFTS + 1)
    return Chance(share, expected, f"Monte Carlo, {N_SHIFTS} random shifts")


class _Ring:
    """The watched time joined into one piece, and its ends joined to a ring."""

    def __init__(self, watched: Sequence[Span]) -> None:
        self._watched = watched

    def holds(self, moment: float) -> bool:
        return any(start <= moment <= end for start, end in self._watched)

    def places(self, moments: Sequence[float]) -> list[float]:
        """Watched seconds before each moment."""
        return [
            sum(min(max(moment - start, 0.0), end - start) for start, end in self._watched)
            for moment in moments
        ]

    def spans(self, spans: Sequence[Span]) -> list[Span]:
        flat = self.places([edge for span in spans for edge in span])
        return list(zip(flat[::2], flat[1::2], strict=True))


def _share_of_shifts(inside: Floats, zones: Floats, whole_s: float, n_matched: int) -> float:
    """The share of all shifts in [0, whole) at which at least `n_matched` moments lie in a zone."""
    begins = (zones[:, 0][:, np.newaxis] - inside).ravel() % whole_s
    lengths = np.repeat(zones[:, 1] - zones[:, 0], len(inside))
    ends = begins + lengths
    wraps = ends > whole_s
    at = np.concatenate([begins, np.minimum(ends, whole_s), np.zeros(wraps.sum()),
                         ends[wraps] - whole_s])  # fmt: skip
    step = np.concatenate([np.ones(len(begins)), -np.ones(len(ends)), np.ones(wraps.sum()),
                           -np.ones(wraps.sum())])  # fmt: skip
    order = np.argsort(at, kind="stable")
    counts = np.cumsum(step[order])
    stays = np.diff(at[order], append=whole_s)
    return float(min(stays[counts >= n_matched - 0.5].sum() / whole_s, 1.0))


def _counts(inside: Floats, zones: Floats, shifts: Floats, whole_s: float) -> NDArray[np.int64]:
    """How many moments lie in a zone, for each shift."""
    edges = zones.ravel()
    found = np.zeros(len(shifts), dtype=np.int64)
    if len(edges) == 0:
        return found
    for place in inside:
        position = (place + shifts) % whole_s if shifts.any() else np.full(1, place)
        is_odd = np.searchsorted(edges, position, side="right") % 2 == 1
        found += is_odd | np.isin(position, zones[:, 1])
    return found


def find_offset(
    moments: Sequence[float], spans: Sequence[Span], window_s: float, search_s: float
) -> ClockOffset | None:
    """The difference of clocks at which most moments fit, when it makes clearly more of them fit.

    Looks at all differences up to `search_s` between a moment and a start. Nothing is said unless
    at least three and half of all moments agree, more than fit as they are, and moments drawn at
    random over the same time seldom agree as well (shifting the series would only find the same
    difference again). Nor is anything said where another difference does as well: what comes in a
    fixed rhythm fits at many.
    """
    starts = np.sort(np.array([start for start, _ in spans], dtype=np.float64))
    values = _apart(np.sort(np.array(moments, dtype=np.float64)), window_s)
    if len(starts) < 2 or len(values) < FEWEST_AGREEING:
        return None
    n_now = len(match(values.tolist(), spans, window_s))
    if n_now == len(values):
        return None
    agreeing = _best_agreement(values, starts, window_s, search_s)
    n_agreeing = len(agreeing)
    if n_agreeing < max(FEWEST_AGREEING, len(values) / 2, n_now + 1):
        return None
    beside = (min(agreeing) - window_s, max(agreeing) + window_s)
    if len(_best_agreement(values, starts, window_s, search_s, beside)) >= n_agreeing:
        return None
    generator = np.random.default_rng(SEED)
    first, last = min(values[0], starts[0]), max(values[-1], starts[-1])
    as_good = 0
    for _ in range(N_DRAWS):
        drawn = np.sort(generator.uniform(first, last, len(values)))
        as_good += len(_best_agreement(drawn, starts, window_s, search_s)) >= n_agreeing
    probability = (1 + as_good) / (1 + N_DRAWS)
    if probability > UNLIKELY:
        return None
    offset_s, spread_s = float(np.median(agreeing)), float(np.ptp(agreeing) / 2)
    return ClockOffset(offset_s, spread_s, n_agreeing, n_now, probability)


def _apart(values: Floats, window_s: float) -> Floats:
    """Without those that follow another one at once: a burst of messages is one failure."""
    kept: list[float] = []
    for value in values.tolist():
        if not kept or value - kept[-1] > window_s:
            kept.append(value)
    return np.array(kept, dtype=np.float64)


def _best_agreement(
    values: Floats,
    starts: Floats,
    window_s: float,
    search_s: float,
    barred: Span = (math.inf, math.inf),
) -> list[float]:
    """The differences, one for each moment, in the window of them that holds most moments.

    :param barred: differences from here to there do not count.
    """
    found: list[tuple[float, int]] = []
    for number, value in enumerate(values.tolist()):
        low, high = np.searchsorted(starts, (value - search_s, value + search_s))
        apart = [value - start for start in starts[low:high].tolist()]
        found += [(one, number) for one in apart if not barred[0] <= one <= barred[1]]
    found.sort()
    inside: Counter[int] = Counter()
    best, first = (0, 0, 0), 0
    for last, (difference, number) in enumerate(found):
        inside[number] += 1
        while found[first][0] < difference - window_s:
            gone = found[first][1]
            inside[gone] -= 1
            if not inside[gone]:
                del inside[gone]
            first += 1
        if len(inside) > best[0]:
            best = (len(inside), first, last)
    chosen = {number: difference for difference, number in found[best[1] : best[2] + 1]}
    return list(chosen.values())
