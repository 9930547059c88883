"""Dips, swells and interruptions on one channel (IEC 61000-4-30, 5.4 and 5.5).

A dip starts with the first `urms_half` below its threshold and ends with the first one back at
threshold plus hysteresis; a swell mirrors it. Both instants are the starts of their windows, so
that a duration compares like with like. Exactly on a threshold starts nothing.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class VoltageLimits:
    """Capture thresholds in V."""

    dip_v: float
    dip_end_v: float
    swell_v: float
    swell_end_v: float
    interruption_v: float
    interruption_end_v: float

    @classmethod
    def from_percent(
        cls, declared_v: float, dip: float, swell: float, interruption: float, hysteresis: float
    ) -> "VoltageLimits":
        """Thresholds given in % of the declared voltage."""
        share = declared_v / 100
        return cls(
            dip_v=dip * share,
            dip_end_v=(dip + hysteresis) * share,
            swell_v=swell * share,
            swell_end_v=(swell - hysteresis) * share,
            interruption_v=interruption * share,
            interruption_end_v=(interruption + hysteresis) * share,
        )


@dataclass(frozen=True, slots=True)
class Disturbance:
    """A dip or swell as it stands now, in samples from the start of the run."""

    is_swell: bool
    start_index: float
    end_index: float | None  # None while it lasts
    extreme_v: float
    extreme_index: float
    interrupted_from: float | None = None  # below the interruption threshold since then
    interrupted_samples: float = 0.0
    interruption_start: float | None = None  # of its first stay below the interruption threshold
    interruption_end: float | None = None  # of its latest one; None while that lasts

    @property
    def is_interruption(self) -> bool:
        return self.interrupted_from is not None or self.interrupted_samples > 0


class ThresholdDetector:
    """Feeds on `urms_half` values of one channel."""

    def __init__(self, limits: VoltageLimits) -> None:
        self._limits = limits
        self.open: Disturbance | None = None

    def feed(self, start_index: Floats, urms_v: Floats) -> list[Disturbance]:
        """Take values in order; give the disturbances that ended among them."""
        if self.open is None and self._is_quiet(urms_v):
            return []
        ended = []
        for index, value in zip(start_index.tolist(), urms_v.tolist(), strict=True):
            if self.open is not None:
                self.open = self._grow(self.open, index, value)
                if self._is_over(self.open, value):
                    ended.append(self._close(self.open, index))
                    self.open = None
            if self.open is None:
                self.open = self._begin(index, value)
        return ended

    def abandon(self) -> Disturbance | None:
        """The segment is over: what was still open, without an end."""
        left, self.open = self.open, None
        return left

    def _is_quiet(self, urms_v: Floats) -> bool:
        limits = self._limits
        return len(urms_v) == 0 or bool(
            urms_v.min() >= limits.dip_v and urms_v.max() <= limits.swell_v
        )

    def _begin(self, index: float, value: float) -> Disturbance | None:
        limits = self._limits
        if limits.dip_v <= value <= limits.swell_v:
            return None
        new = Disturbance(value > limits.swell_v, index, None, value, index)
        return self._grow(new, index, value)

    def _grow(self, now: Disturbance, index: float, value: float) -> Disturbance:
        is_new_extreme = value > now.extreme_v if now.is_swell else value < now.extreme_v
        if is_new_extreme:
            now = replace(now, extreme_v=value, extreme_index=index)
        if now.interrupted_from is None and value < self._limits.interruption_v:
            first = index if now.interruption_start is None else now.interruption_start
            return replace(
                now, interrupted_from=index, interruption_start=first, interruption_end=None
            )
        if now.interrupted_from is not None and value >= self._limits.interruption_end_v:
            return _leave_interruption(now, index)
        return now

    def _is_over(self, now: Disturbance, value: float) -> bool:
        if now.is_swell:
            return value <= self._limits.swell_end_v
        return value >= self._limits.dip_end_v

    def _close(self, now: Disturbance, index: float) -> Disturbance:
        return replace(_leave_interruption(now, index), end_index=index)


def _leave_interruption(now: Disturbance, index: float) -> Disturbance:
    if now.interrupted_from is None:
        return now
    spent = now.interrupted_samples + index - now.interrupted_from
    return replace(now, interrupted_from=None, interrupted_samples=spent, interruption_end=index)
