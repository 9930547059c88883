"""When each sample was taken, on the monotonic clock: a line through the arrival of blocks.

Blocks arrive late by varying amounts but never early, so of every ten seconds only the least late
arrival is kept. A straight line through the kept points of the last hour gives the converter's
true rate (least squares; points that lie late by more than the others scatter are left out). Its
height comes from the last minute alone, because a crystal wanders with temperature. Where the line
stood is remembered every ten minutes, so that an index of yesterday keeps its time.
"""

from bisect import bisect_left
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

BUCKET_S = 10.0
RECENT_BUCKETS = 6
FIT_BUCKETS = 360  # an hour
ANCHOR_S = 600.0
MOST_ANCHORS = 50_000  # almost a year
SHIFTED_S = 0.05  # every recent point later than this: samples were lost without being counted
LATE_SPREADS = 3.0  # points later than this many times the spread are left out
FIT_ROUNDS = 3


@dataclass(frozen=True, slots=True)
class RateEstimate:
    """The converter's sampling rate, measured with the computer's clock."""

    sample_rate_hz: float
    ppm: float  # from the nominal rate, in millionths
    uncertainty_ppm: float  # of the line alone, twice its standard error; not of the clock
    span_s: float  # the time the line rests on


@dataclass(frozen=True, slots=True)
class _Point:
    index: float
    arrival_s: float


class TimeBase:
    """Monotonic seconds for every sample index."""

    def __init__(self, sample_rate_hz: float) -> None:
        self._nominal_hz = sample_rate_hz
        self._bucket: int | None = None
        self._points: deque[_Point] = deque(maxlen=FIT_BUCKETS)
        self._n_unfitted = 0  # points since the line was last fitted
        self._least_late: _Point | None = None
        self._second_per_sample = 1 / sample_rate_hz
        self._estimate: RateEstimate | None = None
        self._anchors: deque[_Point] = deque(maxlen=MOST_ANCHORS)
        self._last_index = 0.0
        self._has_slept = False

    @property
    def is_tied(self) -> bool:
        """Whether anything has arrived yet."""
        return self._least_late is not None or bool(self._anchors)

    @property
    def rate(self) -> RateEstimate | None:
        """The true rate; None during the first minute, and the first after lost samples."""
        return self._estimate

    def note_arrival(self, next_index: float, arrival_s: float) -> None:
        """Samples up to `next_index` (exclusive) were there at this monotonic time."""
        point = _Point(next_index, arrival_s)
        if self._has_slept:
            self._wake(point)
        self._last_index = next_index
        bucket = int(arrival_s // BUCKET_S)
        if self._bucket is None or bucket > self._bucket:
            self._close_bucket()
            self._bucket, self._least_late = bucket, point
        elif self._least_late is None or self._lateness(point) < self._lateness(self._least_late):
            self._least_late = point

    def note_gap(self) -> None:
        """Samples were lost: their number may be a guess, so what came before is no guide."""
        self._keep_anchor()
        self._points.clear()
        self._least_late = self._bucket = self._estimate = None

    def note_sleep(self) -> None:
        """The computer slept: time went on, no sample was taken, and none was counted as lost."""
        if not self.is_tied:
            return
        anchor = _Point(self._last_index, self.monotonic_s(self._last_index))
        self.note_gap()
        self._append(anchor)
        self._has_slept = True

    def monotonic_s(self, index: float) -> float:
        """When the sample at `index` was taken; needs an arrival first."""
        newest = self._anchors[-1] if self._anchors else None
        if newest is not None and index <= newest.index:
            return self._between_anchors(index)
        if self._least_late is None:
            assert newest is not None
            return newest.arrival_s + (index - newest.index) * self._second_per_sample
        return self._height_s() + index * self._second_per_sample

    def index_at(self, monotonic_s: float) -> float:
        """The sample that was taken then, by the newest line; needs an arrival first."""
        if self._least_late is None:
            newest = self._anchors[-1]
            return newest.index + (monotonic_s - newest.arrival_s) / self._second_per_sample
        return (monotonic_s - self._height_s()) / self._second_per_sample

    def _lateness(self, point: _Point) -> float:
        return point.arrival_s - point.index * self._second_per_sample

    def _height_s(self) -> float:
        """Monotonic time of index 0 on the line through the least late of the last minute."""
        n_points = len(self._points)
        recent = [self._points[n] for n in range(max(n_points + 1 - RECENT_BUCKETS, 0), n_points)]
        if self._least_late is not None:
            recent.append(self._least_late)
        return min(self._lateness(point) for point in recent)

    def _close_bucket(self) -> None:
        if self._least_late is None:
            return
        self._points.append(self._least_late)
        if self._is_shifted():
            recent = list(self._points)[-RECENT_BUCKETS:]
            self.note_gap()
            self._points.extend(recent)
        if self._is_fit_due():
            self._fit()
        self._least_late = None
        last = self._points[-1]
        if not self._anchors or last.arrival_s - self._anchors[-1].arrival_s >= ANCHOR_S:
            self._keep_anchor()

    def _is_fit_due(self) -> bool:
        """At each point during the first minutes, then once a minute."""
        self._n_unfitted += 1
        n_points = len(self._points)
        is_young = RECENT_BUCKETS <= n_points < 3 * RECENT_BUCKETS
        return is_young or (n_points >= RECENT_BUCKETS and self._n_unfitted >= RECENT_BUCKETS)

    def _is_shifted(self) -> bool:
        if len(self._points) < 2 * RECENT_BUCKETS:
            return False
        late = [self._lateness(self._points[n]) for n in range(-2 * RECENT_BUCKETS, 0)]
        before, after = late[:RECENT_BUCKETS], late[RECENT_BUCKETS:]
        return min(after) - min(before) > SHIFTED_S

    def _keep_anchor(self) -> None:
        """Remember where the line stands; time never runs backwards from one to the next."""
        if not self._points and self._least_late is None:
            return
        last = self._least_late or self._points[-1]
        height_s = self._height_s()
        self._append(_Point(last.index, height_s + last.index * self._second_per_sample))

    def _wake(self, point: _Point) -> None:
        """The samples of the first block were all taken after the sleep."""
        index = self._last_index + 0.5
        self._append(_Point(index, self._lateness(point) + index * self._second_per_sample))
        self._has_slept = False

    def _append(self, anchor: _Point) -> None:
        before = self._anchors[-1] if self._anchors else None
        if before is None or (anchor.index > before.index and anchor.arrival_s >= before.arrival_s):
            self._anchors.append(anchor)

    def _between_anchors(self, index: float) -> float:
        after = bisect_left(self._anchors, index, key=lambda anchor: anchor.index)
        right = self._anchors[after]
        if after == 0:
            return right.arrival_s + (index - right.index) * self._second_per_sample
        left = self._anchors[after - 1]
        share = (index - left.index) / (right.index - left.index)
        return left.arrival_s + share * (right.arrival_s - left.arrival_s)

    def _fit(self) -> None:
        """Least squares, again and again without the points that lie late."""
        first = self._points[0]
        index = np.array([point.index - first.index for point in self._points])
        late_s = np.array([point.arrival_s - first.arrival_s for point in self._points])
        late_s -= index / self._nominal_hz
        is_kept = np.ones(len(index), bool)
        for _ in range(FIT_ROUNDS):
            slope, rest_s = _line(index[is_kept], late_s[is_kept])
            height_s = np.mean(late_s[is_kept] - slope * index[is_kept])
            spread_s = max(1.4826 * float(np.median(np.abs(rest_s))), 1e-9)
            is_early = late_s - height_s - slope * index <= LATE_SPREADS * spread_s
            if is_early.sum() < RECENT_BUCKETS // 2:
                break
            is_kept = is_early
        self._second_per_sample = 1 / self._nominal_hz + slope
        self._n_unfitted = 0
        self._estimate = self._judged(index[is_kept], rest_s, slope)

    def _judged(self, index: Floats, rest_s: Floats, slope: float) -> RateEstimate:
        variance = float(rest_s @ rest_s) / max(len(rest_s) - 2, 1)
        width = float(np.sqrt(np.sum((index - index.mean()) ** 2)))
        ppm = (1 / (1 + slope * self._nominal_hz) - 1) * 1e6
        return RateEstimate(
            sample_rate_hz=self._nominal_hz * (1 + ppm / 1e6),
            ppm=ppm,
            uncertainty_ppm=2e6 * float(np.sqrt(variance)) * self._nominal_hz / max(width, 1.0),
            span_s=float(index[-1] - index[0]) / self._nominal_hz,
        )


def _line(x: Floats, y: Floats) -> tuple[float, Floats]:
    """Slope of the least-squares line, and what it leaves over."""
    dx, dy = x - x.mean(), y - y.mean()
    slope = float(dx @ dy) / max(float(dx @ dx), 1e-30)
    return slope, dy - slope * dx
