"""Flags (IEC 61000-4-30, 4.7): what a dip, swell or interruption on any line touched.

Whether one did is certain only when all lines have been measured up to the end of an interval;
until then it waits.
"""

from dataclasses import replace
from typing import Generic, TypeVar

from daemon.records import BasicInterval, UnbalanceValue

Span = tuple[float, float]  # in samples; the end of one that goes on is infinite
T = TypeVar("T", BasicInterval, UnbalanceValue)


class Waiting(Generic[T]):
    """Intervals of one kind, in order of time."""

    def __init__(self) -> None:
        self._held: list[T] = []

    def add(self, intervals: list[T]) -> None:
        """Hold these, not flagged yet."""
        self._held += intervals

    def take(self, spans: list[Span], seen_until: float) -> list[T]:
        """Those that end by `seen_until`, flagged where a span touches them.

        :param spans: of all lines.
        :param seen_until: all lines have been measured up to this sample.
        """
        ready = [interval for interval in self._held if interval.end_index <= seen_until]
        self._held = self._held[len(ready) :]
        return [_flag(interval, spans) for interval in ready] if spans else ready


def _flag(interval: T, spans: list[Span]) -> T:
    start, end = interval.start_index, interval.end_index
    is_touched = any(begins < end and ends > start for begins, ends in spans)
    return replace(interval, flagged=True) if is_touched else interval
