"""Power frequency on a clock grid of ten seconds (IEC 61000-4-30, 5.1)."""

import numpy as np
from numpy.typing import NDArray

from daemon.measure.fundamental import Crossings
from daemon.measure.grid import TEN_SECONDS_S, TOUCH, Slot, SlotSchedule
from daemon.records import TenSecondFrequency

Floats = NDArray[np.float64]


class FrequencySlots:
    """Frequency of one channel: the whole cycles in each slot over the time they took."""

    def __init__(self, sample_rate_hz: float, schedule: SlotSchedule) -> None:
        self._sample_rate_hz = sample_rate_hz
        self._schedule = schedule
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
        while len(pending):
            slot = self._schedule.slot_at(float(pending[0]), TEN_SECONDS_S)
            n_inside = int(np.searchsorted(pending + TOUCH, slot.end_index))
            if n_inside == len(pending):
                break
            values += self._evaluate(slot, pending[:n_inside], locked[:n_inside])
            pending, locked = pending[n_inside:], locked[n_inside:]
        self._upward, self._locked = pending, locked
        return values

    def restart(self) -> None:
        """Samples were lost: the slot under way has no whole count any more."""
        self._upward, self._locked = np.empty(0), np.empty(0, np.bool_)
        self._spans = {}

    def _evaluate(
        self, slot: Slot, upward: Floats, locked: NDArray[np.bool_]
    ) -> list[TenSecondFrequency]:
        n_cycles = len(upward) - 1
        span = upward[-1] - upward[0]
        length = slot.end_index - slot.start_index
        is_flagged = self._is_disturbed(slot)
        # A slot only partly seen, or in which there was hardly a voltage, gives no value.
        is_part = slot.is_cut or n_cycles < 1 or span * (1 + 2 / n_cycles) < length
        if is_part or 2 * locked.sum() < n_cycles:
            return []
        frequency_hz = float(n_cycles * self._sample_rate_hz / span)
        return [TenSecondFrequency(slot.start_index, frequency_hz, is_flagged)]

    def _is_disturbed(self, slot: Slot) -> bool:
        spans, begins, ends = self._spans.items(), slot.start_index, slot.end_index
        touched = any(start < ends and end > begins for start, end in spans)
        self._spans = {start: end for start, end in spans if end > ends}
        return touched
