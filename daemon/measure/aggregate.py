"""Longer intervals made of basic ones (IEC 61000-4-30, 4.4 and 4.5; annex D for deviations).

A value of a longer interval is the root of the plain mean of the squares of what it is made of,
for the voltage as for distortion and each harmonic. A basic interval belongs to the ten-minute
slot in which it begins, so the one running at a tick counts for the old slot. At a tick a new
150/180-cycle interval begins; the one running is finished, of the new basic intervals, and
overlaps it. What is flagged flags all that it is part of, and so does a slot seen only in part.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from daemon.measure.flicker import ShortTerm, long_term
from daemon.measure.grid import TEN_MINUTES_S, TWO_HOURS_S, Slot, SlotSchedule
from daemon.records import BasicInterval

Floats = NDArray[np.float64]

INTERVALS_PER_SHORT = 15  # 150 cycles at 50 Hz, 180 at 60 Hz
TEN_MINUTES_PER_TWO_HOURS = 12
SUMMED_AT_ONCE = 15  # parts: one by one, calling numpy takes longer than what it does
N_PARTS = 54  # voltage, under, over, distortion, harmonics 1 to 50
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


class _Sums:
    """Means of squares of one interval under way."""

    def __init__(self, declared_v: float, start_index: float) -> None:
        self._declared_v = declared_v
        self.start_index = start_index
        self._n_summed = 0
        self._parts: list[BasicInterval | Aggregate] = []  # not summed yet
        self._seen = 0.0  # samples
        self._end_index = start_index  # of the latest part
        self._is_flagged = False
        # V^2: voltage, and what lies under and over the declared one; %^2: the rest.
        self._sums = np.zeros(N_PARTS)
        self._n_known = np.zeros(N_PARTS)

    @property
    def n(self) -> int:
        """Parts so far."""
        return self._n_summed + len(self._parts)

    @property
    def seen(self) -> float:
        """Samples in them."""
        self._sum_up()
        return self._seen

    @property
    def end_index(self) -> float:
        """Of the latest part."""
        return self._parts[-1].end_index if self._parts else self._end_index

    def add(self, part: BasicInterval | Aggregate) -> None:
        """Take the next part."""
        self._parts.append(part)
        if len(self._parts) == SUMMED_AT_ONCE:
            self._sum_up()

    def flag(self) -> None:
        """Something else than a part has flagged it."""
        self._is_flagged = True

    def _sum_up(self) -> None:
        parts, self._parts = self._parts, []
        if not parts:
            return
        heads = [self._head(part) for part in parts]
        squares = np.concatenate([heads, [part.harmonics_pct for part in parts]], axis=1)
        np.multiply(squares, squares, out=squares)
        is_unknown = np.isnan(squares)
        squares[is_unknown] = 0.0
        self._sums += squares.sum(axis=0)
        self._n_known += len(squares) - is_unknown.sum(axis=0)
        self._n_summed += len(parts)
        self._seen += sum(part.end_index - part.start_index for part in parts)
        self._end_index = parts[-1].end_index
        self._is_flagged |= any(part.flagged for part in parts)

    def _head(self, part: BasicInterval | Aggregate) -> tuple[float, float, float, float]:
        """Voltage, the same but at most and at least the declared one, distortion."""
        if isinstance(part, Aggregate):
            low_v = self._declared_v * (1 - part.under_pct / 100)
            high_v = self._declared_v * (1 + part.over_pct / 100)
        else:
            low_v = min(part.urms_v, self._declared_v)
            high_v = max(part.urms_v, self._declared_v)
        return part.urms_v, low_v, high_v, part.thd_pct

    def value(self, channel: int, end_index: float, *, is_whole: bool) -> Aggregate:
        self._sum_up()
        unknown = np.full(N_PARTS, np.nan)
        mean = np.divide(self._sums, self._n_known, where=self._n_known > 0, out=unknown)
        means = np.sqrt(mean)
        urms, low, high, thd = means[:4].tolist()
        return Aggregate(
            channel=channel,
            start_index=self.start_index,
            end_index=end_index,
            n_values=self.n,
            urms_v=urms,
            under_pct=max(0.0, 100 * (1 - low / self._declared_v)),
            over_pct=max(0.0, 100 * (high / self._declared_v - 1)),
            thd_pct=thd,
            harmonics_pct=means[4:],
            flagged=self._is_flagged or not is_whole,
        )


class ShortAggregates:
    """150/180-cycle values of one channel, about three seconds each."""

    def __init__(self, declared_v: float, schedule: SlotSchedule) -> None:
        self._declared_v = declared_v
        self._schedule = schedule
        self._slot_start: float | None = None
        self._open: list[_Sums] = []  # two around a tick, else one

    def feed(self, interval: BasicInterval) -> list[Aggregate]:
        """Take the next basic interval; give the value it completes."""
        slot_start = self._schedule.slot_at(interval.start_index, TEN_MINUTES_S).start_index
        if slot_start != self._slot_start or not self._open:
            self._open.append(_Sums(self._declared_v, interval.start_index))
        self._slot_start = slot_start
        for sums in self._open:
            sums.add(interval)
        if self._open[0].n < INTERVALS_PER_SHORT:  # the first one has the most
            return []
        full = [sums for sums in self._open if sums.n == INTERVALS_PER_SHORT]
        self._open = [sums for sums in self._open if sums.n < INTERVALS_PER_SHORT]
        return [sums.value(interval.channel, sums.end_index, is_whole=True) for sums in full]

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

    def feed(self, interval: BasicInterval) -> list[Aggregate]:
        """Take the next interval; give the slot before it when it is the first of another."""
        start = self._schedule.slot_at(interval.start_index, TEN_MINUTES_S).start_index
        done = []
        if self._open is None or start != self._open.start_index:
            done = self._close(interval.channel)
            self._open = _Sums(self._declared_v, start)
            self._inside_index = interval.start_index
        self._open.add(interval)
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
        self._open.add(value)
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
