"""Flags (IEC 61000-4-30, 4.7): what a dip, swell or interruption on any line touched.

Whether one did is certain only when all lines have been measured up to the end of an interval;
until then it waits.
"""

from dataclasses import replace

import numpy as np

from daemon.records import BasicIntervals, UnbalanceValue

Span = tuple[float, float]  # in samples; the end of one that goes on is infinite


class WaitingIntervals:
    """Basic intervals of one channel, in order of time."""

    def __init__(self) -> None:
        self._held: BasicIntervals | None = None

    def add(self, intervals: BasicIntervals) -> None:
        """Hold these, not flagged yet."""
        self._held = self._held.then(intervals) if self._held else intervals

    def take(self, spans: list[Span], seen_until: float) -> BasicIntervals | None:
        """Those that end by `seen_until`, flagged where a span touches them; None without any.

        :param spans: of all lines.
        :param seen_until: all lines have been measured up to this sample.
        """
        held = self._held
        n_ready = 0 if held is None else int(np.searchsorted(held.end_index, seen_until, "right"))
        if held is None or not n_ready:
            return None
        self._held = held.part(slice(n_ready, None))
        return held.part(slice(n_ready)).touched_by(spans)


class WaitingUnbalance:
    """Unbalance over basic intervals, in order of time."""

    def __init__(self) -> None:
        self._held: list[UnbalanceValue] = []

    def add(self, values: list[UnbalanceValue]) -> None:
        """Hold these, not flagged yet."""
        self._held += values

    def take(self, spans: list[Span], seen_until: float) -> list[UnbalanceValue]:
        """As above."""
        ready = [value for value in self._held if value.end_index <= seen_until]
        self._held = self._held[len(ready) :]
        return [_flag(value, spans) for value in ready] if spans else ready


def _flag(value: UnbalanceValue, spans: list[Span]) -> UnbalanceValue:
    start, end = value.start_index, value.end_index
    is_touched = any(begins < end and ends > start for begins, ends in spans)
    return replace(value, flagged=True) if is_touched else value
