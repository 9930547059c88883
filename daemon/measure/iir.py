"""Recursive filters without a loop over samples: an impulse response that is a sum of decays.

A filter with simple poles answers an impulse with a sum of decaying exponentials, one a pole.
Within a block of samples that response is a matrix; what came before the block is summed up in
one complex number a pole, and those numbers go from block to block by a small matrix again. So a
chunk costs a few matrix products, and the result is that of the recursion.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]
Numbers = TypeVar("Numbers", Floats, Phasors)


@dataclass(frozen=True, slots=True, eq=False)
class _Tables:
    """What one filter multiplies with; the same for every channel. Complex ones in two halves."""

    # Columns are the places of a block at which something is given.
    within: Floats  # (block, given): what comes out within the block in which it came in
    carry: Floats  # (2 poles, given): what the state before a block still brings out in it
    gather: Floats  # (block, 2 poles): what a block adds to the state after it
    spread: Phasors  # (poles, blocks, blocks + 1): how that reaches the state before others
    fade: Phasors  # (poles, blocks + 1): what is left there of the state before the chunk


@lru_cache(maxsize=16)
def _tables(
    decays: tuple[complex, ...], weights: tuple[complex, ...], shape: tuple[int, int], step: int
) -> _Tables:
    n_blocks, block = shape
    powers: Phasors = np.array(decays, np.complex128)[:, None] ** np.arange(block + 1)
    weight: Phasors = np.array(weights, np.complex128)
    carry = weight[:, None] * powers[:, 1:]
    gather = powers[:, block - 1 :: -1].T
    given = slice(step - 1, None, step)
    of_blocks = powers[:, block:] ** np.arange(n_blocks + 1)
    return _Tables(
        within=_toeplitz((weight @ powers[:, :block]).real)[:, given].copy(),
        carry=np.concatenate([carry.real, -carry.imag])[:, given].copy(),
        gather=np.concatenate([gather.real, gather.imag], axis=1),
        spread=np.stack([_toeplitz(row)[1:] for row in of_blocks]),
        fade=of_blocks,
    )


class DecayFilter:
    """`h[n] = Re(sum over poles of weight x decay^n)`, started from rest.

    :param decays: factor by which each pole's part decays from sample to sample.
    :param weights: its share of the response; of a conjugate pair give one, with twice its weight.
    :param shape: blocks in a chunk, samples in a block.
    :param step: of so many values only the last is given; they are whole in a block.
    """

    def __init__(
        self, decays: Phasors, weights: Phasors, shape: tuple[int, int], step: int = 1
    ) -> None:
        self._shape = shape
        self._tables = _tables(tuple(decays.tolist()), tuple(weights.tolist()), shape, step)
        self._state = np.zeros(len(decays), np.complex128)

    def feed(self, values: Floats) -> Floats:
        """Filter some whole chunks."""
        tables, n_poles = self._tables, len(self._state)
        blocks = values.reshape(-1, self._shape[1])
        gathered = blocks @ tables.gather
        added = (gathered[:, :n_poles] + 1j * gathered[:, n_poles:]).T
        before = self._states_before(added)
        both = np.concatenate([before.real, before.imag]).T
        filtered: Floats = blocks @ tables.within + both @ tables.carry
        return filtered.ravel()

    def _states_before(self, added: Phasors) -> Phasors:
        """The state before each block, from chunk to chunk; shape (poles, blocks)."""
        n_poles, tables = len(added), self._tables
        states = added.reshape(n_poles, -1, self._shape[0]) @ tables.spread
        begins = np.empty((n_poles, states.shape[1], 1), np.complex128)
        for n in range(states.shape[1]):
            begins[:, n, 0] = self._state
            self._state = states[:, n, -1] + tables.fade[:, -1] * self._state
        states += begins * tables.fade[:, None, :]
        return states[:, :, :-1].reshape(n_poles, -1)


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


def smoother(
    time_constant_s: float, rate_hz: float, shape: tuple[int, int], step: int = 1
) -> DecayFilter:
    """First-order low-pass that passes a constant unchanged."""
    decay = np.exp(-1 / (time_constant_s * rate_hz))
    return DecayFilter(np.array([decay + 0j]), np.array([1 - decay + 0j]), shape, step)
