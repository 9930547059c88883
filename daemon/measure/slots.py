"""Power frequency on a clock grid of ten seconds (IEC 61000-4-30, 5.1)."""

import numpy as np
from numpy.typing import NDArray

from daemon.measure.fundamental import Crossings
from daemon.records import TenSecondFrequency

Floats = NDArray[np.float64]

FREQUENCY_SLOT_S = 10


class FrequencySlots:
    """Frequency of one channel: the whole cycles in each slot over the time they took.

    :param origin_index: any sample index, even negative, at which a slot begins.
    """

    def __init__(self, sample_rate_hz: float, origin_index: float) -> None:
        self._sample_rate_hz = sample_rate_hz
        self._origin = origin_index
        self._length = FREQUENCY_SLOT_S * sample_rate_hz
        self._upward = np.empty(0)  # upward crossings of the slot under way
        self._locked = np.empty(0, np.bool_)
        self._spans: dict[float, float] = {}  # disturbed spans by their start

    def feed(
        self, crossings: Crossings, spans: list[tuple[float, float]]
    ) -> list[TenSecondFrequency]:
        """Take zero crossings; give the slots they complete.

        :param spans: where a disturbance touched the voltage, as known now, in samples.
        """
        self._spans.update(spans)
        upward = crossings.is_upward
        pending = np.concatenate([self._upward, crossings.index[upward]])
        locked = np.concatenate([self._locked, crossings.is_locked[upward]])
        values = []
        while len(pending) and self._slot(pending[-1]) > self._slot(pending[0]):
            inside = self._slot(pending) == self._slot(pending[0])
            values += self._evaluate(pending[inside], locked[inside])
            pending, locked = pending[~inside], locked[~inside]
        self._upward, self._locked = pending, locked
        return values

    def restart(self) -> None:
        """Samples were lost: the slot under way has no whole count any more."""
        self._upward, self._locked = np.empty(0), np.empty(0, np.bool_)
        self._spans = {}

    def _slot(self, index: Floats) -> Floats:
        return np.floor((index - self._origin) / self._length)

    def _evaluate(self, upward: Floats, locked: NDArray[np.bool_]) -> list[TenSecondFrequency]:
        n_cycles = len(upward) - 1
        span = upward[-1] - upward[0]
        start = float(self._slot(upward[0]) * self._length + self._origin)
        is_flagged = self._is_disturbed(start)
        # A slot only partly seen, or in which there was hardly a voltage, gives no value.
        if n_cycles < 1 or span * (1 + 2 / n_cycles) < self._length or 2 * locked.sum() < n_cycles:
            return []
        frequency_hz = float(n_cycles * self._sample_rate_hz / span)
        return [TenSecondFrequency(start, frequency_hz, is_flagged)]

    def _is_disturbed(self, slot_start: float) -> bool:
        slot_end = slot_start + self._length
        touched = any(start < slot_end and end > slot_start for start, end in self._spans.items())
        self._spans = {start: end for start, end in self._spans.items() if end > slot_end}
        return touched
