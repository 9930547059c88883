"""Several channels over the same stretch of time: fundamental phasors, and rms on given windows.

A window lasts a whole number of cycles and hardly ever a whole number of samples: sample n reaches
from n - 1/2 to n + 1/2, and one that a window cuts counts with the share that lies inside.
"""

import numpy as np
from numpy.typing import NDArray

from daemon.measure.rms import accumulate_energy, window_rms

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

PIECE = 64  # samples summed at once: one line of a transform needs two short lists of turns


def samples_of(start_index: float, end_index: float) -> tuple[int, int]:
    """First sample of a window, and the one after its last; those cut by its edges included."""
    return int(np.floor(start_index + 0.5)), int(np.floor(end_index + 0.5)) + 1


def fundamental_phasors(volts: Floats, start: float, length: float, n_cycles: int) -> Phasors:
    """The fundamentals of several channels over one window of `n_cycles`, complex rms in V.

    One line of the discrete Fourier transform. Cutting samples at the window's edges leaves an
    error below pi / n_cycles / (samples in a cycle)^2 of the phasor: 2e-5 at 8 kS/s. Angles count
    from the window's start; a sine that begins there at 0 lies at -90 degrees.

    :param volts: shape (n_channels, n_samples), the samples that `samples_of` the window names.
    :param start, length: of the window, in samples; sample 0 is the first of `volts`.
    """
    n_channels, n_samples = volts.shape
    first, stop = samples_of(start, start + length)
    n_used = min(stop, n_samples)
    n_pieces = -(-n_used // PIECE)
    padded = np.zeros((n_channels, n_pieces * PIECE))
    padded[:, first:n_used] = volts[:, first:n_used]
    padded[:, first] *= first + 0.5 - start
    if stop <= n_samples:
        padded[:, stop - 1] *= start + length - (stop - 1.5)
    turn = 2 * np.pi * n_cycles / length
    fine = np.exp(-1j * turn * np.arange(PIECE))
    coarse = np.exp(-1j * turn * (PIECE * np.arange(n_pieces) - start))
    pieces = padded.reshape(n_channels * n_pieces, PIECE) @ np.stack([fine.real, fine.imag], axis=1)
    sums = (pieces[:, 0] + 1j * pieces[:, 1]).reshape(n_channels, n_pieces)
    phasors: Phasors = sums @ coarse * (np.sqrt(2) / length)
    return phasors


def rms_on_windows(volts: Floats, start: Floats, length: Floats) -> Floats:
    """rms in V over windows given in samples, sample 0 being the first of `volts`."""
    return window_rms(accumulate_energy(volts), start, length)
