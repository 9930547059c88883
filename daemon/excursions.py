"""Slow quantities that leave their limits: distortion on 3-second values, frequency, flicker.

One sustained excursion is one event, with its extreme and when that was reached. It ends when the
value is back inside by a tenth of the limit (our own choice; no standard gives a hysteresis here).
"""

from dataclasses import dataclass, replace

RELEASE_SHARE = 0.9


@dataclass(frozen=True, slots=True)
class Reading:
    """One value over a span of samples."""

    start_index: float
    end_index: float
    value: float


@dataclass(frozen=True, slots=True)
class Excursion:
    """A stay outside the limit as it stands now."""

    start_index: float
    end_index: float | None
    extreme: float
    extreme_index: float


class ExcursionDetector:
    """Finds values farther than `limit` from `centre`. Exactly at the limit starts nothing."""

    def __init__(self, centre: float, limit: float) -> None:
        self._centre = centre
        self._limit = limit
        self.open: Excursion | None = None

    def feed(self, reading: Reading) -> Excursion | None:
        """Take the next value; the excursion it begins, deepens or ends."""
        away = abs(reading.value - self._centre)
        if self.open is None:
            if away > self._limit:
                start = reading.start_index
                self.open = Excursion(start, None, reading.value, start)
            return self.open
        if self.is_inside(reading.value):
            ended, self.open = replace(self.open, end_index=reading.start_index), None
            return ended
        if away > abs(self.open.extreme - self._centre):
            self.open = replace(self.open, extreme=reading.value, extreme_index=reading.start_index)
        return self.open

    def is_inside(self, value: float) -> bool:
        """Whether a value would end an excursion."""
        return abs(value - self._centre) <= RELEASE_SHARE * self._limit

    def abandon(self) -> Excursion | None:
        """The segment is over: what was still open, without an end."""
        left, self.open = self.open, None
        return left
