"""Recursive filters without a loop over samples: an impulse response that is a sum of decays.

A filter with simple poles answers an impulse with a sum of decaying exponentials, one a pole.
Within a block of samples that response is a matrix; what came before the block is summed up in
one complex number a pole, and those numbers go from block to block by a small matrix again. So a
chunk costs a few matrix products, and the result is that of the recursion.
"""

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]
Numbers = TypeVar("Numbers", Floats, Phasors)


class DecayFilter:
    """`h[n] = Re(sum over poles of weight x decay^n)`, started from rest.

    :param decays: factor by which each pole's part decays from sample to sample.
    :param weights: its share of the response; of a conjugate pair give one, with twice its weight.
    :param shape: blocks in a chunk, samples in a block.
    """

    def __init__(self, decays: Phasors, weights: Phasors, shape: tuple[int, int]) -> None:
        self._shape = shape
        n_blocks, block = shape
        powers = decays[:, None] ** np.arange(block + 1)
        self._within = _toeplitz((weights @ powers[:, :block]).real)
        self._carry = weights[:, None] * powers[:, 1:]
        self._gather = powers[:, block - 1 :: -1].T
        # How the state before the chunk, then each block, reaches the state before each block.
        of_blocks = powers[:, block:] ** np.arange(n_blocks + 1)
        self._spread = np.stack([_toeplitz(row).T for row in of_blocks])
        self._state = np.zeros(len(decays), np.complex128)

    def feed(self, values: Floats) -> Floats:
        """Filter one chunk."""
        blocks = values.reshape(self._shape)
        brought = np.concatenate([self._state[None, :], blocks @ self._gather])
        states = (self._spread @ brought.T[:, :, None])[:, :, 0].T
        self._state = states[-1]
        filtered: Floats = blocks @ self._within + (states[:-1] @ self._carry).real
        return filtered.ravel()


def _toeplitz(response: Numbers) -> Numbers:
    """Row: when something came in; column: when that much of it comes out."""
    lag = np.arange(len(response))[None, :] - np.arange(len(response))[:, None]
    matrix: Numbers = np.where(lag >= 0, response[np.maximum(lag, 0)], 0)
    return matrix


def from_poles(
    poles: Phasors, residues: Phasors, rate_hz: float, shape: tuple[int, int]
) -> DecayFilter:
    """The filter whose impulse response is that of a continuous-time filter, sampled.

    :param poles, residues: in rad/s; of each conjugate pair both. The response must begin at zero.
    """
    is_kept = poles.imag > -1e-9
    twice = np.where(poles.imag > 1e-9, 2.0, 1.0)
    decays = np.exp(poles[is_kept] / rate_hz)
    return DecayFilter(decays, (twice * residues)[is_kept] / rate_hz, shape)


def smoother(time_constant_s: float, rate_hz: float, shape: tuple[int, int]) -> DecayFilter:
    """First-order low-pass that passes a constant unchanged."""
    decay = np.exp(-1 / (time_constant_s * rate_hz))
    return DecayFilter(np.array([decay + 0j]), np.array([1 - decay + 0j]), shape)
