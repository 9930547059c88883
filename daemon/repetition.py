"""Transients that come in numbers: notches in every cycle, and storms of single ones."""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from daemon.measure.expected import Cycle, fit_change
from daemon.transient_shape import Transient

Floats = NDArray[np.float64]

SMOOTH_ORDERS = 9  # harmonics a cycle may have before its narrow features count as notches
FIT_ROUNDS = 12
NOTCHED_SHARE = 0.4  # of a cycle: what deviates for longer is distortion, not notches
WIDEST_SHARE = 1 / 10  # of a cycle: a wider notch is no notch
GAP_SHARE = 0.02  # of a cycle: notches this close are one
NOTCHING_CYCLES = 10
STORM_AFTER = 10  # single transients told within STORM_S; the rest are counted
STORM_S = 60.0


@dataclass(frozen=True, slots=True)
class Notches:
    """Notches of one cycle."""

    per_cycle: int
    depth_v: float  # of the deepest


@dataclass(frozen=True, slots=True)
class Notching:
    """Notches at the same places in every cycle, for ten cycles or more."""

    start_index: int
    end_index: int | None  # None while it goes on
    count: int  # so far
    depth_v: float
    depth_pct: float  # of the declared peak
    per_cycle: int


@dataclass(frozen=True, slots=True)
class Storm:
    """Transients beyond those told one by one."""

    start_index: int
    end_index: int | None  # start of the last one; None while it goes on
    count: int  # so far
    worst: Transient  # of the largest deviation
    highest: Transient  # of the voltage farthest from zero: what a limit of peaks asks for


def find_notches(
    cycle: Cycle, base: Cycle | None, level_v: float, threshold_v: float
) -> Notches | None:
    """Narrow deviations of a cycle; None when it has none, or such as are no notches.

    :param base: a cycle without notches, of any size and phase; None: the low harmonics of the
        cycle itself, which wide notches distort.
    :param level_v: a deviation beyond this counts as a notch when
    :param threshold_v: one of them reaches this.
    """
    n_points = max(16, round(cycle.period))
    place = np.arange(n_points, dtype=np.float64) / n_points
    index = cycle.start_index + place * cycle.period
    volts = cycle.at(index)
    if base is None:
        smooth = _smooth(volts)
    else:
        smooth = base.changed_at(index, fit_change(volts, index, base))
    away = np.abs(volts - smooth)
    is_notch = away >= level_v
    if away.max() < threshold_v or np.mean(is_notch) > NOTCHED_SHARE:
        return None
    places = np.flatnonzero(is_notch)
    gaps = np.diff(places, append=places[0] + n_points)
    last_ones = np.flatnonzero(gaps > GAP_SHARE * n_points)
    lengths = np.diff(last_ones, prepend=last_ones[-1:] - len(places))
    if lengths.max(initial=0) > WIDEST_SHARE * n_points:
        return None
    return Notches(len(last_ones), float(away.max()))


@lru_cache(maxsize=8)
def _low_waves(n_points: int) -> Floats:
    """A constant and the low harmonics over one cycle; shape (n_points, 2 orders + 1)."""
    angle = 2 * np.pi / n_points * np.outer(np.arange(n_points), np.arange(SMOOTH_ORDERS + 1))
    return np.concatenate([np.cos(angle), np.sin(angle[:, 1:])], axis=1)


def _smooth(volts: Floats) -> Floats:
    """The low harmonics of one cycle, by least absolute deviation: notches have no say."""
    waves = _low_waves(len(volts))
    floor = 1e-3 * float(np.abs(volts).max()) + 1e-12
    weight = np.ones(len(volts))
    smooth = volts
    for _ in range(FIT_ROUNDS):
        weighted = waves.T * weight
        smooth = waves @ np.linalg.solve(weighted @ waves, weighted @ volts)
        weight = 1 / np.maximum(np.abs(volts - smooth), floor)
    return smooth


class NotchWatch:
    """Turns what each new expected cycle looks like into one event for each spell of notching."""

    def __init__(self, declared_peak_v: float) -> None:
        self._declared_peak_v = declared_peak_v
        self._open: Notching | None = None
        self._is_told = False

    @property
    def is_open(self) -> bool:
        """Whether the expected waveform is notched."""
        return self._open is not None

    def settle(self, notches: Notches | None, index: int, period: float) -> list[Notching]:
        """From `index` on the waveform has these notches."""
        if notches is None:
            return self.close(index, period)
        if self._open is None:
            percent = 100 * notches.depth_v / self._declared_peak_v
            self._open = Notching(index, None, 0, notches.depth_v, percent, notches.per_cycle)
            self._is_told = False
        elif notches.depth_v > self._open.depth_v:
            percent = 100 * notches.depth_v / self._declared_peak_v
            self._open = replace(self._open, depth_v=notches.depth_v, depth_pct=percent)
        return []

    def reach(self, index: int, period: float) -> list[Notching]:
        """Samples up to `index` have been seen: tell what has lasted for long enough."""
        if self._open is None or self._is_told:
            return []
        now = self._counted(self._open, index, period)
        if now.count < NOTCHING_CYCLES * now.per_cycle:
            return []
        self._is_told = True
        return [now]

    def close(self, index: int, period: float) -> list[Notching]:
        """The notches ended, or the segment did."""
        left, self._open = self._open, None
        if left is None:
            return []
        ended = replace(self._counted(left, index, period), end_index=index)
        return [ended] if ended.count >= NOTCHING_CYCLES * ended.per_cycle else []

    def _counted(self, now: Notching, index: int, period: float) -> Notching:
        # Half a cycle's slack: the ends of a spell are known to a fraction of a cycle only.
        cycles = (index - now.start_index) / period
        return replace(now, count=round(cycles * now.per_cycle))


class StormCounter:
    """Lets a few transients a minute through one by one and counts the others."""

    def __init__(self, sample_rate_hz: float) -> None:
        self._reach = STORM_S * sample_rate_hz
        self._latest: list[int] = []  # starts of the newest ones let through
        self._open: Storm | None = None
        self._last_index = 0

    def feed(self, transient: Transient) -> list[Transient | Storm]:
        """Take the next transient: it is told by itself, or opens a storm, or is counted."""
        start = transient.start_index
        done = self.reach(start)
        self._last_index = start
        if self._open is not None:
            self._open = self._with(self._open, transient)
            return done
        self._latest = [index for index in self._latest if index > start - self._reach]
        if len(self._latest) < STORM_AFTER:
            self._latest.append(start)
            return [*done, transient]
        self._open = Storm(start, None, 1, transient, transient)
        return [*done, self._open]

    def reach(self, index: int) -> list[Transient | Storm]:
        """No transient up to `index`: a storm is over after a minute without one."""
        if self._open is None or index <= self._last_index + self._reach:
            return []
        return self.close()

    def close(self) -> list[Transient | Storm]:
        """Tell an open storm as it stands; its end is the last transient's start."""
        left, self._open = self._open, None
        self._latest = []
        return [] if left is None else [replace(left, end_index=self._last_index)]

    def _with(self, storm: Storm, transient: Transient) -> Storm:
        is_worse = abs(transient.deviation_v) > abs(storm.worst.deviation_v)
        is_higher = abs(transient.peak_v) > abs(storm.highest.peak_v)
        return replace(
            storm,
            count=storm.count + 1,
            worst=transient if is_worse else storm.worst,
            highest=transient if is_higher else storm.highest,
        )
