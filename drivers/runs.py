"""Numbered samples in, blocks out: what is missing between two of them is counted as lost."""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from drivers.equaliser import Equaliser
from drivers.source import Block

Floats = NDArray[np.float64]


class Runs:
    """Makes blocks of unbroken runs, equalised."""

    def __init__(self, equaliser: Equaliser) -> None:
        self._equaliser = equaliser
        self._next_in = 0  # index after the last sample that came
        self._next_out = 0  # index of the next sample of this run to be given
        self._next_told = 0  # index after the last sample given: what is skipped is lost
        self._blocks: deque[Block] = deque()

    def push(self, first_index: int, samples: Floats) -> None:
        """Add samples, shape (n, n_inputs); `first_index` never goes back."""
        if first_index != self._next_in:
            self._put(self._equaliser.finish())
            self._next_out = first_index
        self._next_in = first_index + len(samples)
        self._put(self._equaliser.push(samples))

    def take(self) -> Block | None:
        """The oldest block not yet taken."""
        return self._blocks.popleft() if self._blocks else None

    def _put(self, samples: Floats) -> None:
        if len(samples) == 0:
            return
        volts = samples.astype(np.float32)
        volts.flags.writeable = False
        first = self._next_out
        self._blocks.append(Block(first, volts, first - self._next_told))
        self._next_out = self._next_told = first + len(volts)
