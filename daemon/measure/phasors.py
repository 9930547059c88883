"""The fundamental's phasor along a stream of samples, a few times a cycle.

Each phasor is an average under a Hann window several cycles long, of the samples times a turning
phasor of the nominal frequency. Windows a hop apart share most of their samples: so each hop is
multiplied once by every piece of the window's weights, and a phasor is the sum of one product
from each of the hops it covers.
"""

import cmath

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

SUM_RATE_HZ = 1600  # samples are summed to about this rate: its mirror images are harmonics
WINDOW_CYCLES = 4
POINTS_PER_CYCLE = 4


def sum_length(sample_rate_hz: float) -> int:
    """So many samples are summed at a time."""
    return max(1, round(sample_rate_hz / SUM_RATE_HZ))


def sum_diagonals(products: Floats) -> Floats:
    """Sums along the last two axes: number k of the one before takes its value k places on.

    :param products: shape (..., n, m).
    :returns: shape (..., m - n + 1); nothing when m is too small.
    """
    products = np.ascontiguousarray(products)
    *outer, n, m = products.shape
    *over, down, along = products.strides
    shape, strides = (*outer, n, max(0, m - n + 1)), (*over, down + along, along)
    # The same memory, one place on from row to row.
    diagonals: Floats = np.ndarray(shape, np.float64, products, strides=strides)
    sums: Floats = diagonals.sum(axis=-2)
    return sums


class SlidingPhasors:
    """Feeds on the samples of one unbroken segment.

    :param sample_rate_hz: sampling rate in Hz.
    :param nominal_hz: frequency of the turning phasor.
    """

    def __init__(self, sample_rate_hz: float, nominal_hz: float) -> None:
        self.sum_length = sum_length(sample_rate_hz)
        sums_per_cycle = sample_rate_hz / self.sum_length / nominal_hz
        self._window_length = round(WINDOW_CYCLES * sums_per_cycle)
        self._hop = max(1, round(sums_per_cycle / POINTS_PER_CYCLE))
        self.spacing = self._hop * self.sum_length  # of the phasors, in samples
        self._step = 2 * np.pi * nominal_hz / sample_rate_hz
        self._n_hops = -(-self._window_length // self._hop)  # that a window covers
        self._weights = self._pieces_of_window()
        self._ones = np.ones(self.sum_length)
        self._sums = np.empty(0)  # from the first one of the next window on
        self._rotation: Phasors = np.empty(0, np.complex128)
        self._n_given = 0
        self.n_samples = 0  # taken so far, in whole sums

    def feed(self, volts: Floats) -> Phasors:
        """Take a whole number of sums (of the last samples of all, what is over is left out)."""
        n_sums = len(volts) // self.sum_length
        self.n_samples += n_sums * self.sum_length
        self._sums = np.concatenate([self._sums, self._summed(volts, n_sums)])
        n_new = (len(self._sums) - self._window_length) // self._hop + 1
        if n_new <= 0:
            return np.empty(0, np.complex128)
        parts = self._average(n_new)
        self._sums = self._sums[n_new * self._hop :]
        turn = cmath.exp(-1j * self._step * (self._n_given * self.spacing + self._first_centre))
        self._n_given += n_new
        phasors: Phasors = (parts[0] + 1j * parts[1]) * (turn * self._turned(n_new))
        return phasors

    def _summed(self, volts: Floats, n_sums: int) -> Floats:
        if self.sum_length == 1:
            return volts
        whole = volts[: n_sums * self.sum_length]
        sums: Floats = whole.reshape(n_sums, self.sum_length) @ self._ones
        return sums

    def middle(self, number: Floats) -> Floats:
        """The sample at the middle of the window of a phasor, counted from the first."""
        half = (self._window_length - 1) / 2 * self.sum_length
        return number * self.spacing + (half + self._first_centre)

    @property
    def _first_centre(self) -> float:
        return (self.sum_length - 1) / 2

    def _pieces_of_window(self) -> Floats:
        """Weights of each hop of the window, real parts first; shape (2 n_hops, hop)."""
        place = np.arange(self._window_length)
        hann = 0.5 - 0.5 * np.cos(2 * np.pi * (place + 0.5) / self._window_length)
        weights = np.zeros(self._n_hops * self._hop, np.complex128)
        weights[: self._window_length] = hann * np.exp(-1j * self._step * self.sum_length * place)
        weights *= 2 / hann.sum() / self.sum_length
        return np.concatenate([weights.real, weights.imag]).reshape(-1, self._hop)

    def _average(self, n_new: int) -> Floats:
        """Real and imaginary parts, not yet turned to the place of each; shape (2, n_new)."""
        n_rows = n_new + self._n_hops - 1
        used = self._sums[: n_rows * self._hop]
        if len(used) < n_rows * self._hop:  # where the window is no whole number of hops
            used = np.concatenate([used, np.zeros(n_rows * self._hop - len(used))])
        products = self._weights @ used.reshape(n_rows, self._hop).T
        return sum_diagonals(products.reshape(2, self._n_hops, n_rows))

    def _turned(self, count: int) -> Phasors:
        """One turn for each phasor of a frame; frames are alike, so it is kept."""
        if len(self._rotation) < count:
            self._rotation = np.exp(-1j * self._step * self.spacing * np.arange(count))
        return self._rotation[:count]
