"""The expected waveform: a clean cycle taken as if it went on for ever, and how a change shows.

A disturbance that lasts is told by what it changes the cycle into: from some sample on the
waveform follows the cycle after it, or (too short to have a cycle of its own) the cycle before it,
scaled and delayed. What then still deviates has not lasted.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MARGIN = 3  # samples kept on both sides of a cycle for the interpolation
FIT_ROUNDS = 6  # each halves the weight of what does not fit
FLAT_RATIO = 0.05  # below this a remainder of voltage has no phase of its own
EDGE_SHARE = 0.075  # of a cycle: a change takes up to this long on either side of its middle
LASTING_SHARE = 1 / 6  # of a cycle: a deviation of one sign for longer is a change of the waveform
SHORTEST_CHANGE = 1 / 4  # of a cycle: less is a transient, not a change of the waveform
WORTHWHILE = 0.5  # a change has to take this share off what was unexplained without it


def interpolate(volts: Floats, position: Floats) -> Floats:
    """Values between samples: the cubic through the two on either side (Lagrange).

    :param position: in samples from the first; outside the samples the nearest cubic runs on.
    """
    whole = np.floor(position).astype(np.intp)
    np.minimum(np.maximum(whole, 1, out=whole), len(volts) - 3, out=whole)
    x = position - whole
    down, up = x - 1.0, x + 1.0
    further = x - 2.0
    value: Floats = (
        volts[whole - 1] * (-x * down * further / 6.0)
        + volts[whole] * (up * down * further / 2.0)
        + volts[whole + 1] * (-up * x * further / 2.0)
        + volts[whole + 2] * (up * x * down / 6.0)
    )
    return value


@dataclass(frozen=True, slots=True, eq=False)
class Cycle:
    """One cycle of samples, repeated without end in both directions."""

    start_index: float
    period: float
    first_index: int  # of `volts`, which reach some samples beyond the cycle on both sides
    volts: Floats

    def at(self, index: Floats) -> Floats:
        """Volts expected at any index, by its place in the cycle."""
        turns = (index - self.start_index) / self.period
        place = self.start_index + (turns - np.floor(turns)) * self.period
        return interpolate(self.volts, place - self.first_index)

    def changed_at(self, index: Floats, change: "Change") -> Floats:
        """The same when the whole waveform is scaled and delayed."""
        return change.ratio * self.at(index - change.delay_turns * self.period)

    def fundamental_v(self) -> float:
        """Peak volts of the fundamental."""
        turns = np.arange(256) / 256
        wave = self.at(self.start_index + turns * self.period)
        return 2 * float(abs(np.mean(wave * np.exp(-2j * np.pi * turns))))


@dataclass(frozen=True, slots=True)
class Change:
    """A cycle turned into another one of the same shape."""

    ratio: float
    delay_turns: float  # from -0.5 to 0.5


def cut_cycle(volts: Floats, first_index: int, start_index: float, period: float) -> Cycle:
    """The cycle that begins at `start_index`, out of samples that begin at `first_index`."""
    first = int(np.floor(start_index)) - MARGIN
    stop = int(np.ceil(start_index + period)) + MARGIN
    low, high = max(0, first - first_index), max(0, stop - first_index)
    return Cycle(start_index, period, first_index + low, volts[low:high].copy())


def median_cycle(
    volts: Floats, first_index: int, start_index: float, period: float, n_cycles: int
) -> Cycle:
    """The middle value of several cycles at each place: what most of them agree upon."""
    one = cut_cycle(volts, first_index, start_index, period)
    index = one.first_index + np.arange(len(one.volts), dtype=np.float64)
    shifted = index + period * np.arange(n_cycles)[:, None]
    cycles = interpolate(volts, shifted - first_index)
    return Cycle(start_index, period, one.first_index, np.median(cycles, axis=0))


def fit_change(volts: Floats, index: Floats, cycle: Cycle) -> Change:
    """Scale and delay that turn `cycle` into the given samples, by least absolute deviation.

    Fitted on the cycle and on itself a quarter earlier, reweighted so that a transient on top
    has no say.
    """
    both = np.stack([cycle.at(index), cycle.at(index - cycle.period / 4)], axis=1)
    weight = np.ones(len(volts))
    floor = 1e-4 * float(np.abs(both).max(initial=0.0)) + 1e-12
    parts = np.zeros(2)
    for _ in range(FIT_ROUNDS):
        weighted = both * weight[:, None]
        parts[:] = _solve(weighted.T @ both, weighted.T @ volts)
        weight[:] = 1 / np.maximum(np.abs(volts - both @ parts), floor)
    ratio = float(np.hypot(*parts))
    if ratio < FLAT_RATIO:
        return Change(float(parts[0]), 0.0)
    return Change(ratio, float(np.arctan2(parts[1], parts[0])) / (2 * np.pi))


def _solve(matrix: Floats, right: Floats) -> Floats:
    """Two equations; of many solutions (a cycle without a voltage) the smallest."""
    (a, b), (_, d) = matrix.tolist()
    e, f = right.tolist()
    determinant = a * d - b * b
    if determinant <= 1e-12 * a * d:
        smallest, *_ = np.linalg.lstsq(matrix, right, rcond=None)
        return np.asarray(smallest, np.float64)
    first, second = (d * e - b * f) / determinant, (a * f - b * e) / determinant
    return np.array([first, second], np.float64)


def best_switch(before: Floats, after: Floats) -> int:
    """How many samples belong to the first of two explanations, given what each leaves over."""
    excess = np.cumsum(np.abs(before) - np.abs(after))
    return int(np.argmin(np.concatenate([[0.0], excess])))


def best_switches(before: Floats, between: Floats, after: Floats) -> tuple[int, int, float]:
    """The same with a third explanation in the middle: where it begins and ends, what is left."""
    first = np.concatenate([[0.0], np.cumsum(np.abs(before) - np.abs(between))])
    second = np.concatenate([[0.0], np.cumsum(np.abs(between) - np.abs(after))])
    best_first = np.minimum.accumulate(first)
    stop = int(np.argmin(best_first + second))
    start = int(np.argmin(first[: stop + 1]))
    return start, stop, float((best_first + second)[stop] + np.abs(after).sum())


def band_around(volts: Floats, play: int) -> tuple[Floats, Floats]:
    """Lowest and highest of each value and its neighbours up to `play` samples away."""
    padded = np.pad(volts, play, mode="edge")
    low, high = volts.copy(), volts.copy()
    for shift in range(2 * play + 1):
        moved = padded[shift : shift + len(volts)]
        np.minimum(low, moved, out=low)
        np.maximum(high, moved, out=high)
    return low, high


def outside(volts: Floats, low: Floats, high: Floats) -> Floats:
    """By how much, and on which side, values lie outside a band; 0 within."""
    return np.maximum(volts - high, 0.0) + np.minimum(volts - low, 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Explained:
    """Samples and what was expected of them once lasting changes are allowed for."""

    expected_v: Floats
    deviation_v: Floats  # in the course of a change: only what lies beyond both its sides
    beyond_v: Floats  # deviation beyond some play in time
    step_v: float  # largest difference that lasting changes made


@dataclass(frozen=True, slots=True)
class Tolerance:
    """What needs no explanation."""

    level_v: float  # deviations below this
    play: int  # and displacements by this many samples


def explain(
    volts: Floats, index: Floats, before: Cycle, after: Cycle | None, tolerance: Tolerance
) -> Explained:
    """Compare samples with the cycle before a disturbance and the one after it.

    :param after: None when the waveform went back to the cycle before.
    """
    old = before.at(index)
    new = old if after is None else after.at(index)
    split = best_switch(volts - old, volts - new)
    edge = max(round(EDGE_SHARE * before.period), 2)
    plain = _told_by([old, new], [split], volts, edge, tolerance.play)
    lasting = _lasting_part(plain.beyond_v, tolerance.level_v, LASTING_SHARE * before.period)
    if lasting is None:
        return plain
    between = before.changed_at(index, fit_change(volts[lasting], index[lasting], before))
    left_v = np.abs(volts - plain.expected_v).sum()
    start, stop, rest_v = best_switches(volts - old, volts - between, volts - new)
    is_change = stop - start >= SHORTEST_CHANGE * before.period
    if not is_change or rest_v > (1 - WORTHWHILE) * left_v:
        return plain
    return _told_by([old, between, new], [start, stop], volts, edge, tolerance.play)


def _lasting_part(beyond_v: Floats, level_v: float, length: float) -> slice | None:
    """From the first deviating sample to the last, if any of it lasts with one sign."""
    away = np.where(np.abs(beyond_v) >= level_v, np.sign(beyond_v), 0.0)
    edges = np.flatnonzero(np.diff(away, prepend=0.0, append=0.0))
    runs = np.diff(edges)[away[edges[:-1]] != 0] if len(edges) else np.empty(0)
    if runs.max(initial=0) < length:
        return None
    return slice(int(edges[0]), int(edges[-1]))


def _told_by(
    waves: list[Floats], switches: list[int], volts: Floats, edge: int, play: int
) -> Explained:
    """Follow one wave after another; around a switch anything between the two is expected."""
    position = np.arange(len(volts))
    expected = waves[0].copy()
    for wave, switch in zip(waves[1:], switches, strict=True):
        expected[switch:] = wave[switch:]
    low, high = band_around(expected, play)
    is_changing = np.zeros(len(volts), np.bool_)
    for old, new, switch in zip(waves[:-1], waves[1:], switches, strict=True):
        near = np.abs(position - switch) <= edge
        low = np.where(near, np.minimum(low, np.minimum(old, new)), low)
        high = np.where(near, np.maximum(high, np.maximum(old, new)), high)
        is_changing |= near & (np.abs(old - new) > 0)
    beyond = outside(volts, low, high)
    step_v = max(float(np.abs(wave - waves[0]).max(initial=0.0)) for wave in waves)
    return Explained(expected, np.where(is_changing, beyond, volts - expected), beyond, step_v)
