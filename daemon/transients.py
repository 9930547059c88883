"""Transients of one channel: deviations from the cycle before that do not last.

Quiet samples cost one difference with the cycle before. Where that exceeds half the threshold,
an episode begins, and it ends with the first whole cycle that is either like the one before the
episode again (a transient, or a disturbance of less than two cycles) or like its own successor
(a step to another waveform: a dip, a swell, a phase jump, a load with other harmonics). So both
sides of a step are known before anything is called a transient, and since the next comparison
starts from that whole cycle, nothing is echoed one cycle later.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.measure.expected import (
    Cycle,
    Explained,
    Tolerance,
    band_around,
    cut_cycle,
    explain,
    fit_change,
    interpolate,
    median_cycle,
    outside,
)
from daemon.measure.fundamental import Crossings
from daemon.measure.rolling import Rolling
from daemon.repetition import (
    NOTCHING_CYCLES,
    Notches,
    Notching,
    NotchWatch,
    Storm,
    StormCounter,
    find_notches,
)
from daemon.resolution import resolution
from daemon.transient_shape import Lobes, Transient, find_lobes, looks_like_capacitor

Floats = NDArray[np.float64]
Finding = Transient | Notching | Storm

LEVEL_SHARE = 0.5  # of the threshold: an episode begins at a deviation of this size
GUARD_SHARE = 0.05  # of a cycle: the slow beginning of a transient belongs to no reference
LONGEST_CYCLES = 12  # an episode without a whole good cycle for this long is looked at as it is
WIDEST_SHARE = 1 / 8  # of a cycle at half height: what is wider is a change of the waveform
STEP_SHARE = 0.15  # of a step: next to it, only what deviates by more than this is a transient
PLAY_S = 40e-6  # a steep edge may come this much early or late; at least one sample
BASE_SHARE = 0.5  # of the declared peak: a smaller cycle is no measure for notches
UNTOUCHED_CYCLES = 3.5  # a transient pulls at the tracked phase for up to this long before it
KEPT_CYCLES = 4
PHASE_CYCLES = 40  # crossings kept beyond the oldest sample
DIFFERENCES = 16_384  # samples compared at once: they stay in the processor's cache
NO_PLACES = np.empty(0, np.intp)
MOST_CROSSINGS = 180  # only when there are so many, it is looked how many can go


@dataclass(frozen=True, slots=True)
class _Ending:
    """How an episode ended."""

    end: int  # first sample after it
    after: Cycle | None  # the new expected cycle; None: the old one again
    resume: int  # where the search goes on
    is_clean: bool  # samples from `end` up to `resume` are a good cycle
    notches: Notches | None = None  # of the new cycle


@dataclass(frozen=True, slots=True, eq=False)
class _Episode:
    """The samples of an episode and what became of them."""

    first: int  # run index of the first sample
    volts: Floats
    explained: Explained
    crossing: int  # place of a zero crossing to count phase from
    rise_pct: float  # by how much the fundamental is higher afterwards


class TransientDetector:
    """Feeds on the frames of one unbroken segment and the crossings its meter found in them.

    :param declared_v: rms; the threshold is in % of its peak.
    :param threshold_pct: smallest deviation that is told.
    """

    def __init__(
        self, sample_rate_hz: float, declared_v: float, frequency_hz: float, threshold_pct: float
    ) -> None:
        self._rate_hz = sample_rate_hz
        self._nominal_period = sample_rate_hz / frequency_hz
        self._peak_v = float(np.sqrt(2)) * declared_v
        self._threshold_v = threshold_pct / 100 * self._peak_v
        self._level_v = LEVEL_SHARE * self._threshold_v
        self._tolerance = Tolerance(self._level_v, max(1, round(PLAY_S * sample_rate_hz)))
        self._resolution = resolution(sample_rate_hz)
        self._memory = Rolling()
        self._volts = self._memory.values  # from `_first` on
        self._change = np.empty(DIFFERENCES)  # memory for differences
        self._first = 0  # run index of the first sample kept
        self._crossing = np.empty(0)
        self._period = np.empty(0)
        self._is_upward = np.empty(0, np.bool_)
        self._checked = -1  # run index up to which everything is settled
        self._clean_from = 0.0  # samples from here to `_checked` are good ones
        self._held: Cycle | None = None  # reference while there is no clean cycle of samples
        self._is_verified = False  # two cycles have agreed since the segment began
        self._notches = NotchWatch(self._peak_v)
        self._base: Cycle | None = None  # a good cycle without notches
        self._storm = StormCounter(sample_rate_hz)

    def feed(self, first_index: int, volts: Floats, crossings: Crossings) -> list[Finding]:
        """Take one frame and the crossings that came with it, both in the numbering of the run.

        :returns: what has become certain. A notching or a storm is told when it is recognised,
            with no end, and once more when it is over.
        """
        if len(self._volts) == 0 and self._checked < 0:
            self._first = first_index
        self._memory.extend(len(volts))[:] = volts
        self._volts = self._memory.values
        self._crossing = np.concatenate([self._crossing, crossings.index])
        self._period = np.concatenate([self._period, crossings.period])
        self._is_upward = np.concatenate([self._is_upward, crossings.is_upward])
        if len(self._crossing) == 0:
            return []
        last = self._first + len(self._volts) - 1
        return self._advance(min(int(self._crossing[-1]), last), is_last=False)

    def finish(self, crossings: Crossings) -> list[Finding]:
        """The segment is over; `crossings` are the ones its meter had left."""
        found = self.feed(self._first + len(self._volts), np.empty(0), crossings)
        if self._checked >= 0:
            found += self._advance(self._first + len(self._volts) - 1, is_last=True)
        period = self._nominal_period if self._checked < 0 else float(self._period[-1])
        found += self._notches.close(max(self._checked, 0), period)
        return [*found, *self._storm.close()]

    def _advance(self, stop: int, *, is_last: bool) -> list[Finding]:
        if self._checked < 0:
            self._clean_from = float(self._first)
            self._checked = self._first + int(np.ceil(self._period[0])) + 2
        found: list[Finding] = []
        triggers = self._triggers(stop)
        while True:
            later = triggers[triggers >= self._checked] if len(triggers) else triggers
            if len(later) == 0:
                self._checked = max(self._checked, stop)
                break
            start = int(later[0])
            before = self._reference(start)
            ending = self._ending(start, before, stop, is_last=is_last)
            if ending is None:
                self._checked = start
                break
            found += self._look_into(start, before, ending)
        if not self._is_verified:
            found += self._verify()
        if self._notches.is_open:
            found += self._notches.reach(self._checked, self._period_at(self._checked))
        found += self._storm.reach(self._checked)
        self._forget()
        return found

    def _triggers(self, stop: int) -> NDArray[np.intp]:
        """Samples that are not what the cycle before says, with some play in time."""
        start = self._checked
        if stop <= start:
            return NO_PLACES
        lag = round(self._period_at((start + stop) / 2))
        found = [
            self._differing(first, min(first + DIFFERENCES, stop), lag)
            for first in range(start, stop, DIFFERENCES)
        ]
        index = found[0] if len(found) == 1 else np.concatenate(found)
        if len(index) == 0:
            return index
        return index[np.abs(self._beyond_cycle(index, -1)) >= self._level_v]

    def _differing(self, start: int, stop: int, lag: int) -> NDArray[np.intp]:
        """Samples that differ from those `lag` samples before."""
        now, then = (
            slice(at - self._first, at - self._first + stop - start) for at in (start, start - lag)
        )
        change = self._change[: stop - start]
        np.subtract(self._volts[now], self._volts[then], out=change)
        # Two passes, no copies: nearly always they are all there is to do.
        if change.max() < self._level_v and change.min() > -self._level_v:
            return NO_PLACES
        return np.flatnonzero(np.abs(change) >= self._level_v) + start

    def _beyond_cycle(self, index: NDArray[np.intp], n_cycles: int) -> Floats:
        """Deviation from the samples some cycles away, beyond some play in time."""
        away = index - self._first + n_cycles * np.interp(index, self._crossing, self._period)
        play = self._tolerance.play
        near = np.stack([interpolate(self._volts, away + step) for step in range(-play, play + 1)])
        return outside(self._volts[index - self._first], near.min(axis=0), near.max(axis=0))

    def _reference(self, start: int) -> Cycle | None:
        """The last clean cycle before an episode."""
        period = float(self._period[self._undisturbed(start)])
        if not self._is_verified and start - self._first < 2 * period:
            return None
        begin = max(start - GUARD_SHARE * period - period, self._clean_from)
        if begin + period > start and self._held is not None:
            return self._held
        if begin - self._clean_from >= period and not self._notches.is_open:
            # One cycle further back: not even the slow beginning of a change is in it.
            base = cut_cycle(self._volts, self._first, begin - period, period)
            # What little is left in a deep dip is too rough to be scaled up again.
            if base.fundamental_v() >= BASE_SHARE * self._peak_v:
                self._base = base
        return cut_cycle(self._volts, self._first, begin, period)

    def _ending(
        self, start: int, before: Cycle | None, stop: int, *, is_last: bool
    ) -> _Ending | None:
        """Where the episode ends; None when more samples have to be seen."""
        period = self._period_at(start)
        longest = start + int(LONGEST_CYCLES * period)
        index = np.arange(start, min(stop, longest))
        whole = int(period) - 2
        returned = None if before is None else self._first_return(index, before, whole)
        steady = self._first_steady(index[: max(0, len(index) - whole - 4)], whole)
        if steady is not None and (returned is None or steady[0] + whole / 2 < returned):
            end = start + steady[0]
            after = cut_cycle(self._volts, self._first, end, self._period_at(end))
            return _Ending(end, after, end + whole, is_clean=True, notches=steady[1])
        if returned is not None:
            return _Ending(start + returned, None, start + returned + whole, is_clean=True)
        if longest > stop and not is_last:
            return None
        return self._unsettled(start, int(index[-1]) + 1 if len(index) else start + 1)

    def _first_return(self, index: NDArray[np.intp], before: Cycle, whole: int) -> int | None:
        low, high = band_around(before.at(index.astype(np.float64)), self._tolerance.play)
        beyond = outside(self._volts[index - self._first], low, high)
        return _first_run(np.abs(beyond) < self._level_v, whole)

    def _first_steady(
        self, index: NDArray[np.intp], whole: int
    ) -> tuple[int, Notches | None] | None:
        """The first cycle like its successor; one with notches is followed by ten such cycles."""
        agrees = np.abs(self._beyond_cycle(index, 1)) < self._level_v
        at = _first_run(agrees, whole)
        if at is None:
            return None
        notches = self._find_notches(float(index[0] + at))
        if notches is None or self._notches.is_open:
            return at, notches
        lasting = _first_run(agrees, (NOTCHING_CYCLES - 1) * whole)
        if lasting is None:
            return None
        # By the last of them the period is known again if it changed at the same time.
        last = float(index[0] + lasting + (NOTCHING_CYCLES - 2) * whole)
        return lasting, self._find_notches(last)

    def _unsettled(self, start: int, end: int) -> _Ending:
        """No good cycle: go by what most of the cycles agree upon."""
        period = self._period_at(start)
        n_cycles = int((end - start) / period) - 1
        if n_cycles < 3:
            return _Ending(end, None, end, is_clean=False)
        after = median_cycle(self._volts, self._first, start, period, n_cycles)
        return _Ending(end, after, end, is_clean=False)

    def _look_into(self, start: int, before: Cycle | None, ending: _Ending) -> list[Finding]:
        """What happened in one episode; afterwards the search goes on behind it."""
        period = self._period_at(start)
        old = before or ending.after
        crossing = self._undisturbed(start)
        self._checked = max(ending.resume, start + 1)
        self._clean_from = ending.end
        self._held = None if ending.is_clean else ending.after or before
        if old is None:
            return []
        first = self._first if not self._is_verified else int(start - GUARD_SHARE * period)
        self._is_verified = True
        stop = min(ending.end + int(GUARD_SHARE * period), self._first + len(self._volts))
        index = np.arange(first, stop, dtype=np.float64)
        volts = self._volts[first - self._first : stop - self._first]
        explained = explain(volts, index, old, ending.after, self._tolerance)
        rise_pct = self._rise_pct(old, ending)
        episode = _Episode(first, volts, explained, crossing, rise_pct)
        found: list[Finding] = []
        for lobes in self._lobes(explained, period):
            if not self._is_drift(first + lobes.peak, old):
                found += self._storm.feed(self._transient(lobes, episode))
        if ending.after is not None and ending.is_clean:
            found += self._notches.settle(ending.notches, start, period)
        return found

    def _find_notches(self, start: float) -> Notches | None:
        # The tracker may have moved its phase just here, which makes single periods wrong.
        place = int(np.searchsorted(self._crossing, start))
        period = float(np.median(self._period[max(0, place - 5) : place + 6]))
        cycle = cut_cycle(self._volts, self._first, start, period)
        return find_notches(cycle, self._base, self._level_v, self._threshold_v)

    def _lobes(self, explained: Explained, period: float) -> list[Lobes]:
        threshold_v = max(self._threshold_v, STEP_SHARE * explained.step_v)
        found = find_lobes(explained, self._level_v, threshold_v, period)
        return [lobes for lobes in found if lobes.width <= WIDEST_SHARE * period]

    def _is_drift(self, peak: int, before: Cycle) -> bool:
        """Whether a cycle of another size or phase passes through a deviation and around it."""
        half = int(before.period / 2)
        first = max(peak - half, self._first)
        stop = min(peak + half, self._first + len(self._volts))
        index = np.arange(first, stop, dtype=np.float64)
        volts = self._volts[first - self._first : stop - self._first]
        local = before.changed_at(index, fit_change(volts, index, before))
        return float(abs(volts - local)[peak - first]) < self._level_v

    def _rise_pct(self, old: Cycle, ending: _Ending) -> float:
        """By how many % the fundamental is higher after an episode; 0 when that is not known."""
        if not ending.is_clean or ending.resume + 1 >= self._first + len(self._volts):
            return 0.0
        after = ending.after or cut_cycle(self._volts, self._first, ending.end, old.period)
        was_v = old.fundamental_v()
        return 100 * (after.fundamental_v() / was_v - 1) if was_v > 0 else 0.0

    def _transient(self, lobes: Lobes, episode: _Episode) -> Transient:
        first, during = episode.first, episode.volts[lobes.start : lobes.stop]
        width_s = lobes.width / self._rate_hz
        hertz = None if lobes.oscillation is None else lobes.oscillation * self._rate_hz
        expected_v = float(episode.explained.expected_v[lobes.start])
        return Transient(
            start_index=first + lobes.start,
            peak_index=first + lobes.peak,
            peak_v=float(during[np.argmax(np.abs(during))]),
            deviation_v=lobes.deviation_v,
            deviation_pct=100 * abs(lobes.deviation_v) / self._peak_v,
            width_s=width_s,
            duration_s=(lobes.last_half + 1 - lobes.start) / self._rate_hz,
            point_on_wave_deg=self._angle_deg(first + lobes.peak, episode.crossing),
            oscillation_hz=hertz,
            looks_like_capacitor=looks_like_capacitor(
                lobes, expected_v, self._peak_v, self._rate_hz, episode.rise_pct
            ),
            peak_loss_pct=self._resolution.peak_loss_pct(width_s, hertz),
            is_resolved=self._resolution.is_resolved(width_s, hertz),
        )

    def _undisturbed(self, start: int) -> int:
        """Place of the latest crossing that what happens from `start` on has not moved."""
        period = self._period_at(start)
        reach = UNTOUCHED_CYCLES * period
        latest = start - reach if start - self._clean_from >= reach + period else start
        return max(0, int(np.searchsorted(self._crossing, latest, side="right")) - 1)

    def _angle_deg(self, index: int, place: int) -> float:
        """Phase at an index of the fundamental as it was at one of the crossings."""
        turns = (index - self._crossing[place]) / self._period[place]
        if not self._is_upward[place]:
            turns += 0.5
        return float(360 * (turns % 1.0))

    def _period_at(self, index: float) -> float:
        return float(np.interp(index, self._crossing, self._period))

    def _verify(self) -> list[Finding]:
        """Once after the start of a segment: is the waveform notched from the outset?"""
        period = self._period_at(self._checked)
        if self._checked - self._first < 2 * period:
            return []
        self._is_verified = True
        cycle = cut_cycle(self._volts, self._first, self._checked - period - 3, period)
        notches = find_notches(cycle, None, self._level_v, self._threshold_v)
        return [*self._notches.settle(notches, self._first, period)]

    def _forget(self) -> None:
        keep_from = int(self._checked - KEPT_CYCLES * self._nominal_period)
        drop = min(max(0, keep_from - self._first), len(self._volts))
        if not self._is_verified:
            return
        self._memory.drop(drop)
        self._volts = self._memory.values
        self._first += drop
        if len(self._crossing) < MOST_CROSSINGS:
            return
        oldest = self._first - PHASE_CYCLES * self._nominal_period
        known = max(0, int(np.searchsorted(self._crossing, oldest)))
        known = min(known, len(self._crossing) - 1)
        self._crossing, self._period = self._crossing[known:], self._period[known:]
        self._is_upward = self._is_upward[known:]


def _first_run(flags: NDArray[np.bool_], length: int) -> int | None:
    """Where the first unbroken run of at least `length` begins."""
    edges = np.concatenate([[-1], np.flatnonzero(~flags), [len(flags)]])
    runs = np.diff(edges) - 1
    long_enough = np.flatnonzero(runs >= length)
    return int(edges[long_enough[0]]) + 1 if len(long_enough) else None
