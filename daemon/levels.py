"""How long an event stayed beyond each level, from one-cycle rms slid sample by sample.

Half-cycle values are too coarse near one cycle: a dropout of 20 ms, which many limits allow,
reads as 30 or 40 ms below 90 %. The longest unbroken time below every whole per cent is kept, so
that any staircase of limits can be applied to the event later.
"""

import numpy as np
from numpy.typing import NDArray

from daemon.records import LevelTime

UNDER_LEVELS_PCT = tuple(range(1, 100))
OVER_LEVELS_PCT = tuple(range(101, 201))
MOST_AT_ONCE = 100_000  # comparisons, each a byte: they stay in the cache


class LevelTimer:
    """Longest run of samples beyond each whole per cent of the declared voltage."""

    def __init__(self, is_swell: bool) -> None:
        self._sign = -1 if is_swell else 1
        levels = OVER_LEVELS_PCT if is_swell else UNDER_LEVELS_PCT
        self._levels = self._sign * np.array(levels, np.float64)
        self._running = np.zeros(len(levels), np.int64)
        self._longest = np.zeros(len(levels), np.int64)

    def feed(self, percent: NDArray[np.float64]) -> None:
        """Take consecutive one-cycle rms values in % of the declared voltage."""
        if len(percent) == 0:
            return
        depth = self._sign * percent
        lowest, highest = depth.min(), depth.max()
        untouched = self._levels <= lowest
        covered = self._levels > highest
        self._running[untouched] = 0
        self._running[covered] += len(depth)
        crossed = np.flatnonzero(~untouched & ~covered)
        at_once = max(1, MOST_AT_ONCE // len(depth))
        for first in range(0, len(crossed), at_once):
            self._step(crossed[first : first + at_once], depth)
        self._longest = np.maximum(self._longest, self._running)

    def _step(self, levels: NDArray[np.intp], depth: NDArray[np.float64]) -> None:
        """Runs beyond each of these levels: a row for each, with a False at either end."""
        width = len(depth) + 2
        beyond = np.zeros((len(levels), width), np.bool_)
        np.less(depth, self._levels[levels, np.newaxis], out=beyond[:, 1:-1])
        flat = beyond.ravel()
        edges = np.flatnonzero(flat[1:] != flat[:-1])
        starts, stops = edges[::2], edges[1::2]
        level = levels[starts // width]
        runs = stops - starts
        goes_on = starts % width == 0
        runs[goes_on] += self._running[level[goes_on]]
        np.maximum.at(self._longest, level, runs)
        is_open = stops % width == width - 2
        self._running[levels] = 0
        self._running[level[is_open]] = runs[is_open]

    def times(self, sample_rate_hz: float) -> tuple[LevelTime, ...]:
        """The levels that were passed, deepest first, with the longest time beyond each in s."""
        passed = np.flatnonzero(self._longest)
        return tuple(
            LevelTime(float(abs(self._levels[n])), int(self._longest[n]) / sample_rate_hz)
            for n in passed
        )
