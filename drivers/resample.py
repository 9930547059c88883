"""Samples taken at measured, uneven instants become samples at even ones.

Cubic Lagrange interpolation through the two samples on either side. At even spacing its gain
between two samples is (9 cos(pi f/fs) - cos(3 pi f/fs)) / 8 of a sine: 1 % is lost at an eighth of
the sample rate, 11 % at a quarter. Where no sample was taken for longer than a limit nothing is
made up: those grid points are lost.
"""

import math

import numpy as np
from numpy.typing import NDArray

from drivers.source import Block

Floats = NDArray[np.float64]

ORDER = 4  # samples each value is made from
FLAT_SHARE = 1.0 / 8.0  # of the sample rate: the gain is within 1 % up to there


class GridResampler:
    """Feeds on scans of all inputs, each value with its own instant, and gives blocks."""

    def __init__(self, rate_hz: float, n_inputs: int, longest_bridge_s: float) -> None:
        """:param longest_bridge_s: longest time between two samples that is interpolated over."""
        self._rate_hz = rate_hz
        self._bridge_s = longest_bridge_s
        self._t_s: Floats = np.empty((0, n_inputs))
        self._volts: Floats = np.empty((0, n_inputs))
        self._origin_s: float | None = None  # instant of grid point 0
        self._next_point = 0  # first one neither given nor lost

    def push(self, t_s: Floats, volts: Floats) -> list[Block]:
        """Add scans, oldest first; the blocks that are complete now, numbered on the grid.

        :param t_s: instants, ascending down each column, shape (n_scans, n_inputs).
        """
        if self._origin_s is None and len(t_s) > 0:
            self._origin_s = float(t_s[0].max())
        self._t_s = np.concatenate([self._t_s, t_s])
        self._volts = np.concatenate([self._volts, volts])
        stalls = np.flatnonzero(np.diff(self._t_s[:, 0]) > self._bridge_s) + 1
        blocks = [self._segment(int(end)) for end in [*np.diff(stalls, prepend=0)]]
        blocks.append(self._flow())
        return [block for block in blocks if block is not None]

    def _segment(self, n_scans: int) -> Block | None:
        """The rest of what lies before a stall."""
        t_s, volts = self._t_s[:n_scans], self._volts[:n_scans]
        self._t_s, self._volts = self._t_s[n_scans:], self._volts[n_scans:]
        if n_scans < ORDER:
            return None
        return self._block(t_s, volts, float(t_s[-1].min()))

    def _flow(self) -> Block | None:
        """What has two samples after it."""
        if len(self._t_s) < ORDER:
            return None
        block = self._block(self._t_s, self._volts, float(self._t_s[-2].min()))
        begin_s = self._instant_s(self._next_point)
        before = int(np.searchsorted(self._t_s.max(axis=1), begin_s, side="right"))
        n_spent = max(before - ORDER // 2 - 1, 0)
        self._t_s, self._volts = self._t_s[n_spent:], self._volts[n_spent:]
        return block

    def _instant_s(self, point: int) -> float:
        assert self._origin_s is not None
        return self._origin_s + point / self._rate_hz

    def _block(self, t_s: Floats, volts: Floats, end_s: float) -> Block | None:
        """Grid points from the first that the samples cover, to `end_s`."""
        assert self._origin_s is not None
        covered = math.ceil((float(t_s[0].max()) - self._origin_s) * self._rate_hz - 1e-9)
        first = max(self._next_point, covered)
        end = math.floor((end_s - self._origin_s) * self._rate_hz + 1e-9) + 1
        if end <= first:
            return None
        grid_s = self._origin_s + np.arange(first, end) / self._rate_hz
        even = np.empty((end - first, volts.shape[1]), dtype=np.float32)
        for column in range(volts.shape[1]):
            even[:, column] = interpolate(t_s[:, column], volts[:, column], grid_s)
        even.flags.writeable = False
        n_lost = first - self._next_point
        self._next_point = end
        return Block(first, even, n_lost)


def interpolate(t_s: Floats, values: Floats, wanted_s: Floats) -> Floats:
    """Values at `wanted_s` from samples at ascending `t_s`, at least four of them."""
    left = np.searchsorted(t_s, wanted_s, side="right") - ORDER // 2
    stencil = np.clip(left, 0, len(t_s) - ORDER)[:, np.newaxis] + np.arange(ORDER)
    nodes_s = t_s[stencil]
    result = np.zeros(len(wanted_s))
    for one in range(ORDER):
        weight = values[stencil[:, one]].copy()
        for other in range(ORDER):
            if other != one:
                weight *= wanted_s - nodes_s[:, other]
                weight /= nodes_s[:, one] - nodes_s[:, other]
        result += weight
    return result
