"""Longer intervals made of basic ones (IEC 61000-4-30, 4.4 and 4.5; annex D for deviations).

A value of a longer interval is the root of the plain mean of the squares of what it is made of,
for the voltage as for distortion and each harmonic. A basic interval belongs to the ten-minute
slot in which it begins, so the one running at a tick counts for the old slot. At a tick a new
150/180-cycle interval begins; the one running is finished, of the new basic intervals, and
overlaps it. What is flagged flags all that it is part of, and so does a slot seen only in part.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from daemon.measure.flicker import ShortTerm, long_term
from daemon.measure.grid import TEN_MINUTES_S, TOUCH, TWO_HOURS_S, Slot, SlotSchedule
from daemon.records import BasicIntervals

Floats = NDArray[np.float64]

INTERVALS_PER_SHORT = 15  # 150 cycles at 50 Hz, 180 at 60 Hz
TEN_MINUTES_PER_TWO_HOURS = 12
N_PARTS = 54  # voltage, under, over, distortion, harmonics 1 to 50
N_SUMS = 2 * N_PARTS + 2  # each of them, how many of it are known, samples, flagged parts
AT_SEEN, AT_FLAGGED = N_SUMS - 2, N_SUMS - 1
FULL_SHARE = 0.99  # of a slot that must have been seen, or its value is flagged


@dataclass(frozen=True, slots=True, eq=False)
class Aggregate:
    """One channel over 150/180 cycles, ten minutes or two hours."""

    channel: int
    start_index: float
    end_index: float
    n_values: int  # it is made of
    urms_v: float
    under_pct: float  # under-deviation in % of the declared voltage, never negative
    over_pct: float  # over-deviation, likewise
    thd_pct: float
    harmonics_pct: Floats  # orders 1 to 50; NaN where no part could show the order
    flagged: bool
    plt: float | None = None  # of two hours whose twelve Pst are known


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """What longer intervals of one channel are made of, one row for each part."""

    channel: int
    start_index: Floats
    end_index: Floats
    # V^2: voltage, and what lies under and over the declared one; %^2: the rest. Unknown is 0.
    # Then for each whether it is known; samples; whether flagged: all to be summed up.
    table: Floats


def parts_of(intervals: BasicIntervals, declared_v: float) -> Parts:
    """Basic intervals as parts of longer ones."""
    urms_v, start, end = intervals.urms_v, intervals.start_index, intervals.end_index
    table = np.empty((len(start), N_SUMS))
    table[:, 0], table[:, 3] = urms_v, intervals.thd_pct
    np.minimum(urms_v, declared_v, out=table[:, 1])
    np.maximum(urms_v, declared_v, out=table[:, 2])
    table[:, 4:N_PARTS] = intervals.harmonics_pct
    _square(table)
    table[:, AT_SEEN], table[:, AT_FLAGGED] = end - start, intervals.flagged
    return Parts(intervals.channel, start, end, table)


def _part_of(value: Aggregate, declared_v: float) -> Parts:
    low_v = declared_v * (1 - value.under_pct / 100)
    high_v = declared_v * (1 + value.over_pct / 100)
    start, end = np.array([value.start_index]), np.array([value.end_index])
    table = np.empty((1, N_SUMS))
    table[0, :4] = value.urms_v, low_v, high_v, value.thd_pct
    table[0, 4:N_PARTS] = value.harmonics_pct
    _square(table)
    table[:, AT_SEEN], table[:, AT_FLAGGED] = end - start, value.flagged
    return Parts(value.channel, start, end, table)


def _square(table: Floats) -> None:
    """Square the values, and note which of them are known."""
    values = table[:, :N_PARTS]
    is_unknown = np.isnan(values)
    values *= values
    values[is_unknown] = 0.0
    np.logical_not(is_unknown, out=table[:, N_PARTS:AT_SEEN])


class _Sums:
    """Means of squares of one interval under way."""

    def __init__(self, declared_v: float, start_index: float) -> None:
        self._declared_v = declared_v
        self.start_index = start_index
        self.end_index = start_index  # of the latest part
        self.n = 0  # parts so far
        self._is_flagged = False
        self._sums = np.zeros(N_SUMS)

    @property
    def seen(self) -> float:
        """Samples in the parts."""
        return float(self._sums[AT_SEEN])

    def add(self, parts: Parts, piece: slice) -> None:
        """Take some more parts, at least one."""
        self._sums += np.add.reduce(parts.table[piece])
        self.n += piece.stop - piece.start
        self.end_index = float(parts.end_index[piece.stop - 1])

    def flag(self) -> None:
        """Something else than a part has flagged it."""
        self._is_flagged = True

    def value(self, channel: int, end_index: float, *, is_whole: bool) -> Aggregate:
        is_flagged = self._is_flagged or bool(self._sums[AT_FLAGGED]) or not is_whole
        place = _Place(channel, self.start_index, end_index, self.n, is_flagged)
        return _aggregate(_means(self._sums), place, self._declared_v)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where an interval lies, and of how many parts it is made."""

    channel: int
    start_index: float
    end_index: float
    n_values: int
    is_flagged: bool


def _means(sums: Floats) -> Floats:
    """Roots of the means of some sums, along the last axis; NaN where nothing is known."""
    n_known = sums[..., N_PARTS:AT_SEEN]
    means = np.full(n_known.shape, np.nan)
    np.divide(sums[..., :N_PARTS], n_known, where=n_known > 0, out=means)
    roots: Floats = np.sqrt(means, out=means)
    return roots


def _aggregate(means: Floats, place: _Place, declared_v: float) -> Aggregate:
    urms, low, high, thd = means[:4].tolist()
    return Aggregate(
        channel=place.channel,
        start_index=place.start_index,
        end_index=place.end_index,
        n_values=place.n_values,
        urms_v=urms,
        under_pct=max(0.0, 100 * (1 - low / declared_v)),
        over_pct=max(0.0, 100 * (high / declared_v - 1)),
        thd_pct=thd,
        harmonics_pct=means[4:],
        flagged=place.is_flagged,
    )


class ShortAggregates:
    """150/180-cycle values of one channel, about three seconds each."""

    def __init__(self, declared_v: float, schedule: SlotSchedule) -> None:
        self._declared_v = declared_v
        self._schedule = schedule
        self._slot_start: float | None = None
        self._open: list[_Sums] = []  # two around a tick, else one

    def feed(self, parts: Parts) -> list[Aggregate]:
        """Take the next basic intervals; give the values they complete."""
        values = []
        for slot, piece in _by_slot(self._schedule, parts.start_index):
            if slot.start_index != self._slot_start:
                self._begin(parts, piece.start)
            self._slot_start = slot.start_index
            at = piece.start
            while at < piece.stop:
                if not self._open:
                    whole = self._whole(parts, slice(at, piece.stop))
                    at += INTERVALS_PER_SHORT * len(whole)
                    values += whole
                    if at == piece.stop:
                        break
                    self._begin(parts, at)
                room = INTERVALS_PER_SHORT - self._open[0].n  # the first one has the most
                some = slice(at, min(piece.stop, at + room))
                values += self._add(parts, some)
                at = some.stop
        return values

    def _begin(self, parts: Parts, at: int) -> None:
        self._open.append(_Sums(self._declared_v, float(parts.start_index[at])))

    def _add(self, parts: Parts, some: slice) -> list[Aggregate]:
        for sums in self._open:
            sums.add(parts, some)
        first = self._open[0]
        if first.n < INTERVALS_PER_SHORT:
            return []
        self._open.remove(first)
        return [first.value(parts.channel, first.end_index, is_whole=True)]

    def _whole(self, parts: Parts, piece: slice) -> list[Aggregate]:
        """The values that lie in a piece from end to end, computed together."""
        size = INTERVALS_PER_SHORT
        count = (piece.stop - piece.start) // size
        used = slice(piece.start, piece.start + count * size)
        sums = np.add.reduce(parts.table[used].reshape(count, size, N_SUMS), axis=1)
        starts = parts.start_index[used][::size].tolist()
        ends = parts.end_index[used][size - 1 :: size].tolist()
        flags = (sums[:, AT_FLAGGED] > 0).tolist()
        means = _means(sums)
        return [
            _aggregate(means[n], _Place(parts.channel, start, end, size, flag), self._declared_v)
            for n, (start, end, flag) in enumerate(zip(starts, ends, flags, strict=True))
        ]

    def restart(self) -> None:
        """Samples were lost: what was under way has no end."""
        self._open, self._slot_start = [], None


class TenMinuteAggregates:
    """Ten-minute values of one channel. The standard's time stamp is the end of the slot."""

    def __init__(self, declared_v: float, schedule: SlotSchedule) -> None:
        self._declared_v = declared_v
        self._schedule = schedule
        self._open: _Sums | None = None
        self._inside_index = 0.0  # some sample of the slot under way

    def feed(self, parts: Parts) -> list[Aggregate]:
        """Take the next basic intervals; give each slot before one of which they have the first."""
        done = []
        for slot, piece in _by_slot(self._schedule, parts.start_index):
            if self._open is None or slot.start_index != self._open.start_index:
                done += self._close(parts.channel)
                self._open = _Sums(self._declared_v, slot.start_index)
                self._inside_index = float(parts.start_index[piece.start])
            self._open.add(parts, piece)
        return done

    def _close(self, channel: int) -> list[Aggregate]:
        sums = self._open
        if sums is None:
            return []
        slot = self._schedule.slot_at(self._inside_index, TEN_MINUTES_S)
        return [sums.value(channel, slot.end_index, is_whole=is_whole(slot, sums.seen))]


class TwoHourAggregates:
    """Two-hour values of one channel, of its ten-minute values; Plt with them."""

    def __init__(self, declared_v: float, schedule: SlotSchedule) -> None:
        self._declared_v = declared_v
        self._schedule = schedule
        self._open: _Sums | None = None
        self._inside_index = 0.0  # some sample of the slot under way
        self._pst: list[float] = []  # of the same

    def feed(self, value: Aggregate, pst: ShortTerm | None = None) -> list[Aggregate]:
        """Take the next ten-minute value; give the slot it fills, or the one it left unfilled.

        :param pst: of the same ten minutes, if it is known.
        """
        slot = self._schedule.slot_at(value.end_index - 1, TWO_HOURS_S)
        done = []
        if self._open is not None and slot.start_index != self._open.start_index:
            done = self._close(value.channel)
        if self._open is None:
            self._open = _Sums(self._declared_v, slot.start_index)
        self._inside_index = value.end_index - 1
        self._open.add(_part_of(value, self._declared_v), slice(0, 1))
        if pst is not None:
            self._pst.append(pst.pst)
            if pst.flagged:
                self._open.flag()
        is_full = self._open.n == TEN_MINUTES_PER_TWO_HOURS
        return [*done, *self._close(value.channel)] if is_full else done

    def _close(self, channel: int) -> list[Aggregate]:
        sums, self._open = self._open, None
        pst, self._pst = self._pst, []
        if sums is None:
            return []
        slot = self._schedule.slot_at(self._inside_index, TWO_HOURS_S)
        is_full = not slot.is_cut and sums.n == TEN_MINUTES_PER_TWO_HOURS
        whole = sums.value(channel, slot.end_index, is_whole=is_full)
        is_known = len(pst) == TEN_MINUTES_PER_TWO_HOURS
        return [replace(whole, plt=long_term(np.array(pst))) if is_known else whole]


def is_whole(slot: Slot, seen: float) -> bool:
    """Whether a slot was seen from end to end, but for a hundredth, by this clock."""
    return not slot.is_cut and seen >= FULL_SHARE * (slot.end_index - slot.start_index)


def _by_slot(schedule: SlotSchedule, start_index: Floats) -> Iterator[tuple[Slot, slice]]:
    """The ten-minute slots in which intervals begin, each with the intervals that do."""
    first = 0
    while first < len(start_index):
        slot = schedule.slot_at(float(start_index[first]), TEN_MINUTES_S)
        later = start_index[first + 1 :] + TOUCH
        stop = first + 1 + int(np.searchsorted(later, slot.end_index))
        yield slot, slice(first, stop)
        first = stop
