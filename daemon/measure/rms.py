"""One-cycle rms: energy between two instants, which need not fall on samples."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def accumulate_energy(volts: Floats, carried: float = 0.0, out: Floats | None = None) -> Floats:
    """Running sum of squares in V^2 x samples, with the sum before the first sample in front.

    :param out: where to write them, if not to new memory.
    :returns: shape (n_samples + 1,).
    """
    energy = np.empty(len(volts) + 1) if out is None else out
    energy[0] = carried
    np.multiply(volts, volts, out=energy[1:])
    np.cumsum(energy, out=energy)
    return energy


def energy_until(energy: Floats, index: Floats) -> Floats:
    """Energy up to a fractional sample index; sample n reaches from n - 1/2 to n + 1/2."""
    position = np.minimum(np.maximum(index + 0.5, 0.0), len(energy) - 1)
    whole = np.minimum(position.astype(np.intp), len(energy) - 2)
    before = energy[whole]
    until: Floats = before + (energy[whole + 1] - before) * (position - whole)
    return until


def window_rms(energy: Floats, start_index: Floats, length: Floats) -> Floats:
    """rms in V over windows given in samples (IEC 61000-4-30: `urms_half` when one cycle long)."""
    edges = energy_until(energy, np.concatenate([start_index, start_index + length]))
    spent = edges[len(length) :] - edges[: len(length)]
    return np.sqrt(np.maximum(spent, 0.0) / length)


def sliding_rms(energy: Floats, first: int, stop: int, period: float) -> Floats:
    """One-cycle rms in V of windows that start at each sample from `first` up to `stop`."""
    start = np.arange(first, stop, dtype=np.float64)
    return window_rms(energy, start, np.full(len(start), period))
