"""One channel from samples to `urms_half` and basic intervals, over one unbroken segment.

Basic intervals follow each other without gap or overlap, but at a ten-minute tick of UTC: there a
new one begins with the first upward crossing, and the one under way is finished, overlaps it and
belongs to the ten minutes before (IEC 61000-4-30, 4.5, class A; from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.measure.fundamental import Crossings, FundamentalTracker, join_crossings
from daemon.measure.grid import TEN_MINUTES_S, TOUCH, SlotSchedule
from daemon.measure.rms import accumulate_energy, sliding_rms, window_rms
from daemon.measure.rolling import Rolling
from daemon.measure.spectrum import distortion_pct, harmonic_subgroups, measurable_orders

Floats = NDArray[np.float64]

FLOOR_SHARE = 0.02  # of the declared peak: less than this is nothing to lock to
CYCLES_PER_BASIC = {50: 10, 60: 12}  # IEC 61000-4-30: about 200 ms


@dataclass(frozen=True, slots=True)
class Supply:
    """What the circuit is supposed to carry."""

    declared_v: float  # rms
    frequency_hz: int  # 50 or 60

    @property
    def cycles_per_basic(self) -> int:
        return CYCLES_PER_BASIC[self.frequency_hz]


@dataclass(frozen=True, slots=True, eq=False)
class Intervals:
    """Basic intervals of one channel, before anyone knows whether a disturbance touched them."""

    start_index: Floats
    end_index: Floats
    urms_v: Floats
    frequency_hz: Floats  # NaN without a voltage to lock to
    thd_pct: Floats  # NaN without a fundamental
    harmonics_pct: Floats  # shape (n, 50); NaN likewise


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """What one frame of one channel brought. Indices count from the start of the run."""

    crossings: Crossings
    urms_half_v: Floats  # one value for each crossing
    intervals: Intervals


class ChannelMeter:
    """Feeds on frames of volts; everything it gives lies a few cycles behind them.

    :param schedule: where the ticks lie; None: basic intervals are not begun anew at any.
    """

    def __init__(
        self,
        sample_rate_hz: float,
        supply: Supply,
        first_index: int,
        bandwidth_hz: float = np.inf,
        schedule: SlotSchedule | None = None,
    ) -> None:
        self._sample_rate_hz = sample_rate_hz
        self._bandwidth_hz = bandwidth_hz
        self._supply = supply
        self._schedule = schedule
        floor_v = FLOOR_SHARE * np.sqrt(2) * supply.declared_v
        self._tracker = FundamentalTracker(sample_rate_hz, supply.frequency_hz, floor_v)
        self._origin = first_index  # run index of the segment's first sample
        self._kept_from = 0  # segment index of the first sample still kept
        self._volts = Rolling()
        self._energy = Rolling()  # up to each of those samples, and before the first
        self._energy.extend(1)[:] = 0.0
        self._waiting = join_crossings()  # crossings whose window has not been measured yet
        self._under_way = join_crossings()  # crossings of the basic interval not yet complete
        self._has_started = False

    @property
    def frame_multiple(self) -> int:
        """A frame must hold a multiple of this many samples, unless it is the last."""
        return self._tracker.sum_length

    def feed(self, volts: Floats) -> Measured:
        """Take the next samples of the segment, in mains volts."""
        self._append(volts)
        return self._measure(self._tracker.feed(volts))

    def finish(self) -> Measured:
        """The segment is over: measure what is left."""
        return self._measure(self._tracker.finish())

    def newest_energy(self, n_samples: int) -> Floats:
        """Running sum of squares over the newest samples, the sum before them in front.

        Valid until more are taken.
        """
        return self._energy.values[-n_samples - 1 :]

    def sliding_rms(self, first_index: int, stop_index: int, period: float) -> tuple[int, Floats]:
        """One-cycle rms in V of windows starting at each sample still kept in the given range.

        :returns: the run index of the first window, and the values.
        """
        offset = self._origin + self._kept_from
        first = max(first_index - offset, 0)
        stop = min(stop_index - offset, int(len(self._volts) - period))
        return first + offset, sliding_rms(self._energy.values, first, max(first, stop), period)

    def _append(self, volts: Floats) -> None:
        self._forget()
        self._volts.extend(len(volts))[:] = volts
        carried = float(self._energy.values[-1])
        self._energy.extend(len(volts))
        accumulate_energy(volts, carried, self._energy.values[-len(volts) - 1 :])

    def _measure(self, new: Crossings) -> Measured:
        crossings = join_crossings(self._waiting, new)
        is_seen = crossings.index + crossings.period <= self._kept_from + len(self._volts) - 0.5
        seen = len(is_seen) if is_seen.all() else int(is_seen.argmin())
        ready, self._waiting = _split(crossings, seen)
        begins, ends, is_locked = self._intervals(ready)
        starts = np.concatenate([ready.index, begins]) - self._kept_from
        lengths = np.concatenate([ready.period, ends - begins])
        rms_v = window_rms(self._energy.values, starts, lengths)
        intervals = self._evaluate(begins, ends, is_locked, rms_v[seen:])
        shifted = Crossings(
            ready.index + self._origin, ready.period, ready.is_upward, ready.is_locked
        )
        return Measured(shifted, rms_v[:seen], intervals)

    def _intervals(self, ready: Crossings) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Basic intervals from the first upward crossing on: begin, end, whether locked."""
        start = 0
        if not self._has_started:
            self._has_started = bool(ready.is_upward.any())
            start = int(np.argmax(ready.is_upward)) if self._has_started else len(ready.index)
        known = join_crossings(self._under_way, _part(ready, slice(start, None)))
        places, next_place = self._places(known)
        self._under_way = _part(known, slice(next_place, None))
        ends = places + 2 * self._supply.cycles_per_basic
        n_locked = np.concatenate([[0], np.cumsum(known.is_locked)])
        is_locked = n_locked[ends] > n_locked[places]
        return known.index[places], known.index[ends], is_locked

    def _places(self, known: Crossings) -> tuple[NDArray[np.int64], int]:
        """The crossings with which complete intervals begin, and the one for the next interval."""
        halves = 2 * self._supply.cycles_per_basic
        n_known, place = len(known.index), 0
        runs = [np.empty(0, np.int64)]
        while place + halves < n_known:
            anew = self._first_after_tick(known, place)
            run = np.arange(place, min(anew, n_known - halves), halves)
            runs.append(run)
            place = min(int(run[-1]) + halves, anew)
        return np.concatenate(runs), place

    def _first_after_tick(self, known: Crossings, place: int) -> int:
        """The first upward crossing at or after the tick that follows a crossing, or none yet."""
        if self._schedule is None:
            return len(known.index)
        begun = float(known.index[place]) + self._origin
        tick = self._schedule.slot_at(begun, TEN_MINUTES_S).end_index
        index = known.index + self._origin
        if index[-1] + TOUCH < tick:
            return len(index)
        at_tick = int(np.searchsorted(index + TOUCH, tick))
        return at_tick + int(np.argmax(np.append(known.is_upward[at_tick:], True)))

    def _evaluate(
        self, begins: Floats, ends: Floats, is_locked: NDArray[np.bool_], urms_v: Floats
    ) -> Intervals:
        if len(begins) == 0:
            none = np.empty(0)
            return Intervals(none, none, none, none, none, np.empty((0, 50)))
        start, length = begins - self._kept_from, ends - begins
        cycles = self._supply.cycles_per_basic
        frequency = cycles * self._sample_rate_hz / length
        known_hz = np.where(is_locked, frequency, np.nan)
        n_orders = measurable_orders(
            self._sample_rate_hz, 1.02 * float(frequency.max()), self._bandwidth_hz
        )
        subgroups = harmonic_subgroups(self._volts.values, start, length, cycles, n_orders)
        # Against next to nothing every harmonic would be a huge share.
        subgroups[subgroups[:, 0] < FLOOR_SHARE * self._supply.declared_v] = np.nan
        return Intervals(
            start_index=begins + self._origin,
            end_index=ends + self._origin,
            urms_v=urms_v,
            frequency_hz=known_hz,
            thd_pct=distortion_pct(subgroups),
            harmonics_pct=100 * (subgroups / subgroups[:, :1]),
        )

    def _forget(self) -> None:
        """Drop samples that no unfinished window can need."""
        reach = 4 * self._sample_rate_hz / self._supply.frequency_hz
        begun = self._under_way.index[:1]
        needed = [*begun, *self._waiting.index[:1], self._kept_from + len(self._volts)]
        keep_from = int(max(self._kept_from, min(needed) - reach))
        drop = min(keep_from - self._kept_from, len(self._volts))
        self._volts.drop(drop)
        self._energy.drop(drop)
        # Counting from the first sample kept keeps the sums small, so a week loses no precision.
        energy = self._energy.values
        energy -= energy[0]
        self._kept_from += drop


def _split(crossings: Crossings, at: int) -> tuple[Crossings, Crossings]:
    return _part(crossings, slice(None, at)), _part(crossings, slice(at, None))


def _part(crossings: Crossings, piece: slice) -> Crossings:
    return Crossings(
        crossings.index[piece],
        crossings.period[piece],
        crossings.is_upward[piece],
        crossings.is_locked[piece],
    )
