"""Rapid voltage changes on one channel (IEC 61000-4-30, 5.11).

The voltage is steady while each of the last 100 (50 Hz) or 120 (60 Hz) `urms_half` values lies
within the threshold of their mean, the newest included. A change starts with the value that ends
this, and is over when the voltage is steady again, then within the threshold less the hysteresis.
That takes a full second of quiet values, which do not belong to the change and are taken off its
duration. What reaches a dip or swell threshold is a dip or a swell, and no rapid change; nor is the
way back from one that had become steady.

The steady-state rule is as the standard's text has it; that the mean includes the newest value,
and that the reference is the mean just before the start, is our reading of it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STEADY_VALUES = {50: 100, 60: 120}  # one second


@dataclass(frozen=True, slots=True)
class RapidChangeLimits:
    """Thresholds in V."""

    threshold_v: float
    hysteresis_v: float
    dip_v: float
    swell_v: float

    @classmethod
    def from_percent(
        cls, declared_v: float, threshold: float, dip: float, swell: float
    ) -> "RapidChangeLimits":
        """Thresholds in % of the declared voltage; the hysteresis is half, as 5.11 suggests."""
        share = declared_v / 100
        return cls(threshold * share, threshold / 2 * share, dip * share, swell * share)


@dataclass(frozen=True, slots=True)
class RapidChange:
    """One change from a steady voltage, in samples from the start of the run and in V."""

    start_index: float
    end_index: float | None  # None: the segment ended before the voltage was steady again
    before_v: float  # mean of the steady second before
    after_v: float | None  # mean of the first steady second after
    delta_max_v: float  # farthest from `before_v` on the way
    extreme_v: float  # the value that lies there
    extreme_index: float

    @property
    def delta_ss_v(self) -> float | None:
        """Difference between the two steady voltages."""
        return None if self.after_v is None else abs(self.after_v - self.before_v)


@dataclass(slots=True)
class _Open:
    """A change under way."""

    start_index: float
    before_v: float
    extreme_v: float
    extreme_index: float
    is_dip_or_swell: bool = False


class RapidChangeDetector:
    """Feeds on `urms_half` values; remembers one second of them.

    Until the voltage has been steady for the first time it reports nothing.
    """

    def __init__(self, frequency_hz: int, limits: RapidChangeLimits) -> None:
        self._n = STEADY_VALUES[frequency_hz]
        self._limits = limits
        self._index = np.empty(0)  # of the last `n` values
        self._urms = np.empty(0)
        self._was_steady = False
        self._open: _Open | None = None

    def feed(self, start_index: Floats, urms_v: Floats) -> list[RapidChange]:
        """Take values in order; give the changes that ended among them."""
        index = np.concatenate([self._index, start_index])
        urms = np.concatenate([self._urms, urms_v])
        n_kept = len(self._urms)
        self._index, self._urms = index[-self._n :], urms[-self._n :]
        is_quiet = len(urms) and np.ptp(urms) <= self._limits.threshold_v
        if self._was_steady and is_quiet:
            return []
        return self._follow(index, urms, max(n_kept, self._n - 1))

    def abandon(self) -> RapidChange | None:
        """The segment is over: what was still open, without an end."""
        left, self._open = self._open, None
        self._index, self._urms, self._was_steady = np.empty(0), np.empty(0), False
        return None if left is None or left.is_dip_or_swell else _told(left, None, None)

    def _follow(self, index: Floats, urms: Floats, now: int) -> list[RapidChange]:
        """Go from one change of the steady-state signal to the next; `now`: first new window."""
        if now >= len(urms):
            return []
        windows = sliding_window_view(urms, self._n)
        first = self._n - 1  # value with which the first window ends
        mean = windows.mean(axis=1)
        away = np.maximum(windows.max(axis=1) - mean, mean - windows.min(axis=1))
        changes = []
        while now < len(urms):
            then, now = now, self._next_turn(away[now - first :], now)
            if self._open is not None:
                self._grow(index[then : now + 1], urms[then : now + 1])
            if now == len(urms):
                break
            if not self._was_steady:
                changes += self._end(float(index[max(now - self._n, 0)]), float(mean[now - first]))
            else:
                before_v = float(urms[now - self._n : now].mean())
                is_in_dip = not self._limits.dip_v <= before_v <= self._limits.swell_v
                at = float(index[now])
                self._open = _Open(at, before_v, before_v, at, is_in_dip)
            self._was_steady = not self._was_steady
        return changes

    def _next_turn(self, away: Floats, now: int) -> int:
        limits = self._limits
        if self._was_steady:
            turns = away > limits.threshold_v
        elif self._open is None:
            turns = away <= limits.threshold_v
        else:
            turns = away <= limits.threshold_v - limits.hysteresis_v
        return now + int(np.argmax(np.append(turns, True)))

    def _grow(self, index: Floats, urms: Floats) -> None:
        change, limits = self._open, self._limits
        if change is None or len(urms) == 0:
            return
        change.is_dip_or_swell |= bool(urms.min() < limits.dip_v or urms.max() > limits.swell_v)
        farthest = int(np.argmax(np.abs(urms - change.before_v)))
        if abs(urms[farthest] - change.before_v) > abs(change.extreme_v - change.before_v):
            change.extreme_v = float(urms[farthest])
            change.extreme_index = float(index[farthest])

    def _end(self, end_index: float, after_v: float) -> list[RapidChange]:
        """`end_index`: of the value a second before the one that made the voltage steady."""
        change, self._open = self._open, None
        if change is None or change.is_dip_or_swell:
            return []
        return [_told(change, max(end_index, change.start_index), after_v)]


def _told(change: _Open, end_index: float | None, after_v: float | None) -> RapidChange:
    return RapidChange(
        start_index=change.start_index,
        end_index=end_index,
        before_v=change.before_v,
        after_v=after_v,
        delta_max_v=abs(change.extreme_v - change.before_v),
        extreme_v=change.extreme_v,
        extreme_index=change.extreme_index,
    )
