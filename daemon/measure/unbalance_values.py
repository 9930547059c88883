"""Unbalance over basic intervals and longer ones (IEC 61000-4-30, 5.7, 4.4 and 4.5).

Longer intervals are cut as those of the voltage are, see `aggregate.py`.
"""

import numpy as np

from daemon.measure.aggregate import INTERVALS_PER_SHORT, is_whole
from daemon.measure.grid import TEN_MINUTES_S, SlotSchedule
from daemon.measure.unbalance import Phasors, sequences
from daemon.records import UnbalanceValue

FLOOR_SHARE = 0.02  # of the declared voltage: against a smaller positive sequence nothing is known


def unbalance_value(
    start_index: float, end_index: float, phasors: Phasors, declared_v: float
) -> UnbalanceValue:
    """u2 and u0 of three phase-to-neutral phasors over one window.

    The larger of the two rotating sequences counts as the positive one: which way round the three
    channels were connected does not matter.
    """
    zero, one, other = np.abs(sequences(phasors)).tolist()
    positive, negative = max(one, other), min(one, other)
    if positive < FLOOR_SHARE * declared_v:
        return UnbalanceValue(start_index, end_index, np.nan, np.nan, flagged=False)
    u2_pct, u0_pct = 100 * negative / positive, 100 * zero / positive
    return UnbalanceValue(start_index, end_index, u2_pct, u0_pct, flagged=False)


class _Mean:
    """Root of the mean square over one interval under way."""

    def __init__(self, start_index: float) -> None:
        self.start_index = start_index
        self.n = 0
        self.seen = 0.0  # samples
        self._end_index = start_index
        self._n_known = 0
        self._squares = np.zeros(2)
        self._is_flagged = False

    def add(self, part: UnbalanceValue) -> None:
        self.n += 1
        self.seen += part.end_index - part.start_index
        self._end_index = part.end_index
        self._is_flagged |= part.flagged
        if not np.isnan(part.u2_pct):
            self._n_known += 1
            self._squares += np.square([part.u2_pct, part.u0_pct])

    def value(self, end_index: float | None = None, *, is_whole: bool = True) -> UnbalanceValue:
        means = np.sqrt(self._squares / self._n_known) if self._n_known else np.full(2, np.nan)
        end = self._end_index if end_index is None else end_index
        u2_pct, u0_pct = means.tolist()
        is_flagged = self._is_flagged or not is_whole
        return UnbalanceValue(self.start_index, end, u2_pct, u0_pct, is_flagged)


class UnbalanceAggregates:
    """150/180-cycle and ten-minute values of basic ones."""

    def __init__(self, schedule: SlotSchedule) -> None:
        self._schedule = schedule
        self._short: list[_Mean] = []  # two around a tick, else one
        self._short_slot: float | None = None
        self._ten_minute: _Mean | None = None
        self._inside_index = 0.0  # some sample of the ten minutes under way

    def short(self, part: UnbalanceValue) -> list[UnbalanceValue]:
        """Take the next basic value; give the 150/180-cycle value it completes."""
        slot = self._slot_start(part)
        if slot != self._short_slot or not self._short:
            self._short.append(_Mean(part.start_index))
        self._short_slot = slot
        for mean in self._short:
            mean.add(part)
        full = [mean.value() for mean in self._short if mean.n == INTERVALS_PER_SHORT]
        self._short = [mean for mean in self._short if mean.n < INTERVALS_PER_SHORT]
        return full

    def ten_minute(self, part: UnbalanceValue) -> list[UnbalanceValue]:
        """Take the next basic value; give the slot before it when it is the first of another."""
        start, before = self._slot_start(part), self._ten_minute
        if before is not None and before.start_index == start:
            before.add(part)
            return []
        slot = self._schedule.slot_at(self._inside_index, TEN_MINUTES_S)
        self._ten_minute, self._inside_index = _Mean(start), part.start_index
        self._ten_minute.add(part)
        if before is None:
            return []
        return [before.value(slot.end_index, is_whole=is_whole(slot, before.seen))]

    def restart(self) -> None:
        """Samples were lost: the short interval under way has no end."""
        self._short, self._short_slot = [], None

    def _slot_start(self, part: UnbalanceValue) -> float:
        return self._schedule.slot_at(part.start_index, TEN_MINUTES_S).start_index
