"""Values on a clock grid: 10-second frequency and 10-minute rms (IEC 61000-4-30, 5.1 and 4.5)."""

import numpy as np
from numpy.typing import NDArray

from daemon.records import BasicInterval, TenMinuteValue, TenSecondFrequency

Floats = NDArray[np.float64]

FREQUENCY_SLOT_S = 10
RMS_SLOT_S = 600
FULL_SHARE = 0.99  # of a slot that must have been seen, or its value is flagged


class FrequencySlots:
    """Frequency of one channel: the whole cycles in each slot over the time they took.

    :param origin_index: any sample index, even negative, at which a slot begins.
    """

    def __init__(self, sample_rate_hz: float, origin_index: float) -> None:
        self._sample_rate_hz = sample_rate_hz
        self._origin = origin_index
        self._length = FREQUENCY_SLOT_S * sample_rate_hz
        self._upward = np.empty(0)  # upward crossings of the slot under way
        self._is_flagged = False

    def feed(self, upward_index: Floats, is_disturbed: bool) -> list[TenSecondFrequency]:
        """Take upward zero crossings; give the slots they complete."""
        pending = np.concatenate([self._upward, upward_index])
        self._is_flagged |= is_disturbed
        values = []
        while len(pending) and self._slot(pending[-1]) > self._slot(pending[0]):
            inside = self._slot(pending) == self._slot(pending[0])
            values += self._evaluate(pending[inside])
            pending = pending[~inside]
            self._is_flagged = is_disturbed
        self._upward = pending
        return values

    def restart(self) -> None:
        """Samples were lost: the slot under way has no whole count any more."""
        self._upward = np.empty(0)
        self._is_flagged = True

    def _slot(self, index: Floats) -> Floats:
        return np.floor((index - self._origin) / self._length)

    def _evaluate(self, upward: Floats) -> list[TenSecondFrequency]:
        n_cycles = len(upward) - 1
        span = upward[-1] - upward[0]
        # A slot only partly seen, at the start or around a gap, gives no value.
        if n_cycles < 1 or span * (1 + 2 / n_cycles) < self._length:
            return []
        start = self._slot(upward[0]) * self._length + self._origin
        frequency_hz = float(n_cycles * self._sample_rate_hz / span)
        return [TenSecondFrequency(float(start), frequency_hz, self._is_flagged)]


class TenMinuteSlots:
    """Mean-square mean of one channel's basic intervals, by the slot in which they begin."""

    def __init__(self, sample_rate_hz: float, origin_index: float) -> None:
        self._length = RMS_SLOT_S * sample_rate_hz
        self._origin = origin_index
        self._slot: float | None = None
        self._energy = 0.0
        self._seen = 0.0
        self._is_flagged = False

    def feed(self, interval: BasicInterval) -> list[TenMinuteValue]:
        """Take one interval; give the slot before it when it is the first of another."""
        slot = float(np.floor((interval.start_index - self._origin) / self._length))
        done = [] if self._slot in (None, slot) else self._close(interval.channel)
        if slot != self._slot:
            self._slot, self._energy, self._seen, self._is_flagged = slot, 0.0, 0.0, False
        span = interval.end_index - interval.start_index
        self._energy += interval.urms_v**2 * span
        self._seen += span
        self._is_flagged |= interval.flagged
        return done

    def _close(self, channel: int) -> list[TenMinuteValue]:
        assert self._slot is not None
        is_whole = self._seen >= FULL_SHARE * self._length
        start = self._slot * self._length + self._origin
        urms_v = float(np.sqrt(self._energy / self._seen))
        return [TenMinuteValue(channel, start, urms_v, self._is_flagged or not is_whole)]
