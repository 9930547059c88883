"""Undoes the droop of a converter's own decimation filter, without moving anything in time.

A short symmetric filter, designed by least squares to be the inverse of the known response up to
0.35 of the sample rate, and exactly 1 for a constant. Its ends are filled by repeating the first
and last sample of an unbroken run, so that a run keeps its length.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

REACH = 8  # samples on either side
FLAT_SHARE = 0.35  # of the sample rate


def sinc(share: Floats, order: int) -> Floats:
    """Response of a sinc filter of high ratio at `share` of its output rate."""
    return np.asarray(np.sinc(share) ** order)


def inverse_taps(response: Callable[[Floats], Floats]) -> Floats:
    """Taps that undo `response`, a function of the share of the sample rate; 2 * REACH + 1."""
    share = np.linspace(0.0, FLAT_SHARE, 400)
    order = np.arange(1, REACH + 1)
    # With the middle tap 1 - 2 * sum of the others, a constant passes unchanged.
    base = 2.0 * (np.cos(2.0 * np.pi * np.outer(share, order)) - 1.0)
    gain = response(share)
    side, *_ = np.linalg.lstsq(base * gain[:, np.newaxis], 1.0 - gain, rcond=None)
    return np.concatenate([side[::-1], [1.0 - 2.0 * side.sum()], side])


class Equaliser:
    """One unbroken run of samples after the other, REACH samples later."""

    def __init__(self, taps: Floats, n_inputs: int) -> None:
        self._taps = taps
        self._n_inputs = n_inputs
        self._held: Floats = np.empty((0, n_inputs))

    def push(self, samples: Floats) -> Floats:
        """Samples of the same run, shape (n, n_inputs); the ones that are complete now."""
        if len(self._held) == 0 and len(samples) > 0:
            samples = np.concatenate([np.repeat(samples[:1], REACH, axis=0), samples])
        self._held = np.concatenate([self._held, samples])
        if len(self._held) < len(self._taps):
            return np.empty((0, self._n_inputs))
        windows = np.lib.stride_tricks.sliding_window_view(self._held, len(self._taps), axis=0)
        done = windows @ self._taps
        self._held = self._held[len(done) :]
        return np.asarray(done)

    def finish(self) -> Floats:
        """The rest of the run; the next push begins another."""
        if len(self._held) == 0:
            return np.empty((0, self._n_inputs))
        done = self.push(np.repeat(self._held[-1:], REACH, axis=0))
        self._held = np.empty((0, self._n_inputs))
        return done
