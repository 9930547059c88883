"""The newest numbers of a stream, in one piece of memory that is used again and again."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SPARE_SHARE = 1 / 4  # of the memory: what is kept from frame to frame varies by some cycles


class Rolling:
    """Grows at its end, shrinks at its start; only what is kept moves, and that is little."""

    def __init__(self) -> None:
        self._memory = np.empty(0)
        self._n = 0

    def __len__(self) -> int:
        return self._n

    @property
    def values(self) -> Floats:
        """What is there now, oldest first; valid until it grows or shrinks."""
        return self._memory[: self._n]

    def extend(self, count: int) -> Floats:
        """Make it longer; the new places, to be filled by the caller."""
        first, self._n = self._n, self._n + count
        if self._n > len(self._memory):
            memory = np.empty(int(self._n * (1 + SPARE_SHARE)) + 1)
            memory[:first] = self._memory[:first]
            self._memory = memory
        return self._memory[first : self._n]

    def drop(self, count: int) -> None:
        """Let the oldest ones go."""
        if count:
            left = self._n - count
            self._memory[:left] = self._memory[count : self._n]
            self._n = left


def windows(values: Floats, length: int, step: int = 1) -> Floats:
    """Every window of `length` values, `step` apart, as rows of the same memory: only to be read.

    :param values: one after another in memory, at least `length` of them.
    """
    spacing = values.itemsize
    shape, strides = ((len(values) - length) // step + 1, length), (step * spacing, spacing)
    return np.ndarray(shape, np.float64, values, strides=strides)
