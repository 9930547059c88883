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
        for position in np.flatnonzero(~untouched & ~covered):
            self._step(position, depth < self._levels[position])
        self._longest = np.maximum(self._longest, self._running)

    def _step(self, position: np.intp, beyond: NDArray[np.bool_]) -> None:
        edges = np.flatnonzero(np.diff(beyond, prepend=False, append=False))
        starts, stops = edges[::2], edges[1::2]
        runs = stops - starts
        if beyond[0]:
            runs[0] += self._running[position]
        self._longest[position] = max(self._longest[position], int(runs.max(initial=0)))
        self._running[position] = int(runs[-1]) if beyond[-1] else 0

    def times(self, sample_rate_hz: float) -> tuple[LevelTime, ...]:
        """The levels that were passed, deepest first, with the longest time beyond each in s."""
        passed = np.flatnonzero(self._longest)
        return tuple(
            LevelTime(float(abs(self._levels[n])), int(self._longest[n]) / sample_rate_hz)
            for n in passed
        )
