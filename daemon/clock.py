"""Ties the sample index to monotonic time and to UTC; the only module that does.

A live input's blocks arrive late by varying amounts but never early, so the smallest difference
between arrival and sample count over the last minute is the tie. It follows the converter's own
clock, which differs from the computer's by tens of millionths, and forgets no more than a minute.
"""

from collections import deque

from drivers.clock import Clock
from drivers.source import SourceInfo

BUCKET_S = 10.0
BUCKETS = 6
STEP_S = 0.05  # a larger change between wall clock and monotonic clock means it was set


class SampleClock:
    """Says when a sample was taken."""

    def __init__(self, clock: Clock, info: SourceInfo) -> None:
        self._clock = clock
        self._rate_hz = info.sample_rate_hz
        self._start_utc_s = info.start_utc_s
        self._is_live = info.is_live
        self._opened_utc_s = clock.utc_ns() / 1e9
        self._wall_minus_monotonic_s = self._wall_offset_s()
        self._lateness: deque[tuple[int, float]] = deque(maxlen=BUCKETS)  # per bucket, the least

    @property
    def state(self) -> str:
        """How far UTC stamps can be trusted: recording, synchronised or free."""
        if self._start_utc_s is not None or not self._is_live:
            return "recording"
        return "synchronised" if self._clock.is_synchronised() else "free"

    def note_arrival(self, next_index: int, arrival_ns: int) -> None:
        """Samples up to `next_index` (exclusive) were there at this monotonic time."""
        arrival_s = arrival_ns / 1e9
        offset_s = arrival_s - next_index / self._rate_hz
        bucket = int(arrival_s // BUCKET_S)
        if self._lateness and self._lateness[-1][0] == bucket:
            offset_s = min(offset_s, self._lateness.pop()[1])
        self._lateness.append((bucket, offset_s))

    def utc_s(self, index: float) -> float:
        """Seconds since 1970 UTC at a sample index."""
        since_start_s = index / self._rate_hz
        if self._start_utc_s is not None:
            return self._start_utc_s + since_start_s
        if not self._is_live or not self._lateness:
            return self._opened_utc_s + since_start_s
        tie_s = min(offset for _, offset in self._lateness)
        return since_start_s + tie_s + self._wall_minus_monotonic_s

    def step_s(self) -> float | None:
        """By how much the wall clock was set since the last call, if it was."""
        now_s = self._wall_offset_s()
        step_s = now_s - self._wall_minus_monotonic_s
        self._wall_minus_monotonic_s = now_s
        return step_s if abs(step_s) > STEP_S and self.state != "recording" else None

    def _wall_offset_s(self) -> float:
        return (self._clock.utc_ns() - self._clock.monotonic_ns()) / 1e9
