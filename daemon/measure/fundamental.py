"""Where each half cycle of the fundamental begins: phase tracking that distortion cannot fool.

Method: sums of neighbouring samples (to about 1600 per second) are mixed with the nominal
frequency and averaged under a Hann window four cycles long, a quarter cycle apart. The angle of
each average is the fundamental's phase there; DC, harmonics and the mirror image at twice the
frequency fall near the window's zeros, and what is left of them repeats every half cycle, so it
moves all crossings alike. Where amplitude or phase is not steady over the window (a disturbance,
or no voltage at all) the phase runs on at the last good frequency, as IEC 61000-4-30 lets an
instrument do when there is nothing to synchronise to.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.measure.phasors import POINTS_PER_CYCLE, WINDOW_CYCLES, SlidingPhasors

Floats = NDArray[np.float64]

REACH = WINDOW_CYCLES * POINTS_PER_CYCLE // 2  # points that share samples with a point, each side
STEADY_AMPLITUDE = 0.05  # largest change over the window that still counts as steady
STEADY_PHASE_RAD = 0.1  # largest bend of the phase over the window: 15 degrees' jump exceeds it
HOLD_CYCLES = 50  # after this long without a steady point a present voltage is followed anyway
SLOPE_POINTS = 10 * POINTS_PER_CYCLE  # the frequency to run on at comes from this many points
HALF_TURN = np.pi
TURN = 2 * np.pi


@dataclass(frozen=True, slots=True, eq=False)
class Crossings:
    """Zero crossings of the fundamental, in samples from the start of the segment."""

    index: Floats
    period: Floats  # length of the cycle that begins at each crossing, in samples
    is_upward: NDArray[np.bool_]
    is_locked: NDArray[np.bool_]  # found in the voltage, not run on without one


@dataclass(frozen=True, slots=True)
class _Point:
    """The phase track at one instant."""

    index: float
    phase_rad: float
    radians_per_sample: float

    def phase_at(self, index: float) -> float:
        return self.phase_rad + self.radians_per_sample * (index - self.index)


class FundamentalTracker:
    """Feeds on the samples of one channel; finds crossings a few cycles behind them.

    :param sample_rate_hz: sampling rate in Hz.
    :param nominal_hz: 50 or 60; the tracker holds from 0.75 to 1.25 times that.
    :param floor_v: peak volts of the fundamental below which there is nothing to lock to.
    """

    def __init__(self, sample_rate_hz: float, nominal_hz: float, floor_v: float) -> None:
        self._phasors = SlidingPhasors(sample_rate_hz, nominal_hz)
        self._floor_v = floor_v
        # Of the last REACH settled points, then of the unsettled ones.
        self._size = np.empty(0)
        self._angle = np.empty(0)
        self._n_settled = 0
        self._first_point = 0
        self._track = _Track(
            2 * np.pi * nominal_hz / sample_rate_hz, HOLD_CYCLES * POINTS_PER_CYCLE
        )

    @property
    def sum_length(self) -> int:
        """Samples are taken in multiples of this many."""
        return self._phasors.sum_length

    def feed(self, volts: Floats) -> Crossings:
        """Take samples (a whole number of `sum_length`) and give the crossings now certain."""
        phasors = self._phasors.feed(volts)
        self._size = np.concatenate([self._size, np.abs(phasors)])
        self._angle = np.concatenate([self._angle, np.angle(phasors)])
        return self._settle(len(self._size) - REACH + self._first_point)

    def finish(self) -> Crossings:
        """No more samples: run on to the end at the last frequency."""
        tail = self._settle(len(self._size) + self._first_point)
        end = self._track.finish(self._phasors.n_samples + self.sum_length)
        return join_crossings(tail, end)

    def _settle(self, stop: int) -> Crossings:
        """Give points up to `stop` (counted from the start) to the track, with their steadiness."""
        start = self._n_settled
        if stop <= start:
            return join_crossings()
        ours = slice(start - self._first_point, stop - self._first_point)
        usable, steady = _steadiness(self._size, self._angle, ours, self._floor_v)
        index = self._phasors.middle(np.arange(start, stop, dtype=np.float64))
        # A sine's phasor lags its phase by a quarter turn.
        angle: Floats = self._angle[ours] + np.pi / 2
        crossings = self._track.extend(index, angle, usable, steady)
        self._n_settled = stop
        drop = max(0, stop - REACH - self._first_point)
        self._size, self._angle = self._size[drop:], self._angle[drop:]
        self._first_point += drop
        return crossings


def _steadiness(
    size: Floats, angle: Floats, ours: slice, floor_v: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether each of our points has a voltage at all, and whether it is steady over the window."""
    beside = [_beside(size, ours, -REACH), _beside(size, ours, REACH)]
    low = np.minimum(np.minimum(beside[0], beside[1]), size[ours])
    high = np.maximum(np.maximum(beside[0], beside[1]), size[ours])
    both_sides = _beside(angle, ours, -REACH) + _beside(angle, ours, REACH)
    bend = _wrapped(both_sides - 2 * angle[ours])
    # Near the ends there is no second neighbour to bend against.
    bend[: max(0, REACH - ours.start)] = 0.0
    bend[max(0, len(size) - REACH - ours.start) :] = 0.0
    usable = low >= floor_v
    steady = usable & (high - low <= STEADY_AMPLITUDE * high) & (np.abs(bend) <= STEADY_PHASE_RAD)
    return usable, steady


def _beside(values: Floats, ours: slice, by: int) -> Floats:
    """The values so many places away from ours; beyond the ends the outermost ones."""
    start, stop = int(ours.start) + by, int(ours.stop) + by
    if start >= 0 and stop <= len(values):
        return values[start:stop]
    return values[np.clip(np.arange(start, stop), 0, len(values) - 1)]


def _wrapped(angle: Floats) -> Floats:
    """The same angle between minus and plus half a turn."""
    turns: Floats = np.rint(angle / TURN)
    return angle - TURN * turns


class _Track:
    """The unbroken phase: measured where it is steady, run on elsewhere.

    Angles are deviations from the nominal frequency's phase, so they move slowly.
    """

    def __init__(self, nominal_step: float, hold_points: int) -> None:
        self._nominal_step = nominal_step
        self._quarter_cycle = HALF_TURN / 2 / nominal_step  # in samples
        self._hold_points = hold_points
        self._last: _Point | None = None
        self._recent = np.empty(0)  # deviations of the latest unbroken steady run
        self._spacing = 1.0
        self._n_unsteady = 0
        self._last_crossing = -np.inf
        self._pending = np.empty(0)  # crossings whose cycle is not known yet
        self._pending_upward = np.empty(0, np.bool_)
        self._pending_locked = np.empty(0, np.bool_)
        self._is_locked = False

    def extend(
        self,
        index: Floats,
        angle: Floats,
        usable: NDArray[np.bool_],
        steady: NDArray[np.bool_],
    ) -> Crossings:
        """Take phase points and give the crossings up to the last of them."""
        if len(index) > 1:
            self._spacing = float(index[1] - index[0])
        follow = self._hold(usable, steady)
        edges = np.flatnonzero(follow[1:] != follow[:-1]) + 1
        found = []
        for start, stop in zip([0, *edges], [*edges, len(index)], strict=True):
            self._is_locked = bool(follow[start])
            if self._is_locked:
                found.append(self._follow(index[start:stop], angle[start:stop]))
            else:
                found.append(self._run_on(index[start:stop]))
        return found[0] if len(found) == 1 else join_crossings(*found)

    def finish(self, stop_index: float) -> Crossings:
        """Run on to `stop_index` and give out everything still pending."""
        self._is_locked &= self._last is not None
        start = self._last.index if self._last else 0.0
        end = np.arange(start + self._spacing, stop_index, self._spacing)
        tail = self._run_on(np.append(end, stop_index))
        return join_crossings(tail, self._release(everything=True))

    def _hold(self, usable: NDArray[np.bool_], steady: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Steady points, and present ones when there has been no steady one for too long."""
        if steady.all():
            self._n_unsteady = 0
            return steady
        follow = steady.copy()
        for position in range(len(steady)):
            self._n_unsteady = 0 if steady[position] else self._n_unsteady + 1
            follow[position] |= bool(usable[position]) and self._n_unsteady > self._hold_points
        return follow

    def _follow(self, index: Floats, angle: Floats) -> Crossings:
        """A run of steady points: their measured phase."""
        is_relock = len(self._recent) == 0
        expected = self._expected_deviation(float(index[0])) if is_relock else self._recent[-1]
        # The same phase, some whole turns away: the nearest one continues the track.
        first = float(angle[0] - TURN * np.rint((angle[0] - expected) / TURN))
        deviation = np.empty(len(angle))
        deviation[0] = first
        deviation[1:] = _wrapped(angle[1:] - angle[:-1])
        np.add.accumulate(deviation, out=deviation)
        phase = deviation + self._nominal_step * index
        if not is_relock:
            return self._advance(index, phase, self._remember(deviation))
        # Where a run begins, its frequency is that of its first points, not of its last ones.
        step = self._remember(deviation[: SLOPE_POINTS + 1])
        before = self._relock(_Point(float(index[0]), float(phase[0]), step))
        step = self._remember(deviation[SLOPE_POINTS + 1 :])
        return join_crossings(before, self._advance(index[1:], phase[1:], step))

    def _remember(self, deviation: Floats) -> float:
        """Lengthen the steady run; the radians per sample at its newest points."""
        self._recent = np.concatenate([self._recent, deviation])[-SLOPE_POINTS - 1 :]
        return self._nominal_step + self._slope()

    def _expected_deviation(self, index: float) -> float:
        if self._last is None:
            return 0.0
        return self._last.phase_at(index) - self._nominal_step * index

    def _slope(self) -> float:
        """Radians per sample by which the steady run differs from the nominal frequency."""
        recent = self._recent
        if len(recent) < POINTS_PER_CYCLE:
            last = self._last
            return 0.0 if last is None else last.radians_per_sample - self._nominal_step
        return float(recent[-1] - recent[0]) / ((len(recent) - 1) * self._spacing)

    def _relock(self, point: _Point) -> Crossings:
        """Begin a steady run. The first one ever also says what came before it."""
        if self._last is None:
            self._begin(point.radians_per_sample, point.phase_at(0.0))
        last = self._last
        assert last is not None
        old_phase = last.phase_at(point.index)
        before = self._advance(
            np.array([point.index]), np.array([old_phase]), last.radians_per_sample
        )
        self._make_up(old_phase, point)
        before = join_crossings(before, self._release(everything=True))
        self._last = point
        return before

    def _make_up(self, old_phase: float, point: _Point) -> None:
        """A jump forward passes crossings that belong to neither side: none may be lost."""
        first = math.floor(old_phase / HALF_TURN) + 1
        halves = np.arange(first, math.floor(point.phase_rad / HALF_TURN) + 1)
        behind = (point.phase_rad - halves * HALF_TURN) / point.radians_per_sample
        earliest = self._last_crossing + self._quarter_cycle + 1e-6
        self._note(np.maximum(point.index - behind, earliest), halves)

    def _run_on(self, index: Floats) -> Crossings:
        """Points with nothing to lock to: straight on at the last frequency."""
        if self._last is None:
            self._begin(self._nominal_step, 0.0)
        assert self._last is not None
        self._recent = np.empty(0)
        last = self._last
        phase = last.phase_rad + last.radians_per_sample * (index - last.index)
        return self._advance(index, phase, last.radians_per_sample)

    def _begin(self, step: float, phase_rad: float) -> None:
        """Start at the first sample; a crossing a rounding error before it still counts."""
        slack = step * 0.01
        self._last = _Point(-0.01, phase_rad - slack, step)

    def _advance(self, index: Floats, phase: Floats, step: float) -> Crossings:
        """Move the track to the last point; the crossings passed on the way."""
        last = self._last
        assert last is not None
        if len(index):
            newest = _Point(float(index[-1]), float(phase[-1]), step)
            first = math.floor(last.phase_rad / HALF_TURN) + 1
            halves = np.arange(first, math.floor(newest.phase_rad / HALF_TURN) + 1)
            known = np.concatenate([(last.phase_rad,), phase])
            at = np.interp(halves * HALF_TURN, known, np.concatenate([(last.index,), index]))
            self._note(at, halves)
            self._last = newest
        return self._release(everything=False)

    def _note(self, index: Floats, halves: NDArray[np.int64]) -> None:
        # After a relock the old and the new grid may cross within moments of each other.
        if len(index) and index[0] < self._last_crossing + self._quarter_cycle:
            index, halves = index[1:], halves[1:]
        if len(index):
            self._last_crossing = float(index[-1])
            self._pending = np.concatenate([self._pending, index])
            self._pending_upward = np.concatenate([self._pending_upward, halves % 2 == 0])
            locked = np.full(len(index), self._is_locked)
            self._pending_locked = np.concatenate([self._pending_locked, locked])

    def _release(self, *, everything: bool) -> Crossings:
        """Crossings whose cycle is known: the next crossing but one ends it."""
        pending, upward, locked = self._pending, self._pending_upward, self._pending_locked
        n_out = max(0, len(pending) - 2)
        period = pending[2:] - pending[:n_out]
        if everything and self._last is not None:
            run_on = 2 * HALF_TURN / self._last.radians_per_sample
            period = np.concatenate([period, np.full(len(pending) - n_out, run_on)])
            n_out = len(pending)
        self._pending, self._pending_upward = pending[n_out:], upward[n_out:]
        self._pending_locked = locked[n_out:]
        return Crossings(pending[:n_out], period, upward[:n_out], locked[:n_out])


def join_crossings(*parts: Crossings) -> Crossings:
    """Crossings one after another; none without parts."""
    if not parts:
        none = np.empty(0, np.bool_)
        return Crossings(np.empty(0), np.empty(0), none, none)
    return Crossings(
        np.concatenate([part.index for part in parts]),
        np.concatenate([part.period for part in parts]),
        np.concatenate([part.is_upward for part in parts]),
        np.concatenate([part.is_locked for part in parts]),
    )
