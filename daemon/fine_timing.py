"""When a dip or swell itself began and ended, in its waveform, finer than half-cycle rms can say.

At each end the cycle on the quiet side is taken as if it went on. Where the samples first leave
it, a scaled and delayed copy of that cycle is fitted to the next part of a cycle; the end lies
at the sample where the copy takes over as the better explanation. The search for the end runs
the same way backwards. A slow return has no such sample, and none is claimed.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.measure.expected import (
    Change,
    Cycle,
    best_switch,
    cut_cycle,
    fit_change,
    median_cycle,
)

Floats = NDArray[np.float64]

# Windows follow each other by half a cycle: a change lies at most that much before the first one
# beyond the threshold (or back inside it), and no later than its other end. A little is added.
EARLY_SHARE = 0.6
LATE_SHARE = 1.1
LEAVING_SHARE = 0.3  # of the largest deviation: here the samples have left the quiet cycle
FITTED_SHARE = 0.4  # of a cycle behind that point: half a cycle's dropout still fills it
LOOK_BACK_SHARE = 0.5  # of a cycle before that point: the change itself lies in it
ABRUPT_SHARE = 0.35  # of a step: what deviates more than this before it makes it no step
SIDE_SHARE = 0.8  # of the samples: the other end of a dropout may lie among the rest
SMALLEST_STEP = 0.02  # of the quiet cycle's peak
DROPOUT_RATIO = 0.1  # of the voltage before: less than this is a dropout, and has no phase
REFERENCE_CYCLES = 3


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Mains volts around one end of an event."""

    first_index: int
    volts: Floats


@dataclass(frozen=True, slots=True)
class Fundamental:
    """Where the fundamental stands: any one of its upward zero crossings, and its period."""

    crossing_index: float
    period: float  # in samples

    def angle_deg(self, index: float) -> float:
        """Phase at an index in degrees, from 0 up to 360."""
        return float(360 * (((index - self.crossing_index) / self.period) % 1.0))


@dataclass(frozen=True, slots=True)
class FineTiming:
    """What the waveform says of one dip or swell; None where it does not say."""

    start_index: float | None
    end_index: float | None
    start_angle_deg: float | None  # of the fundamental before the event
    end_angle_deg: float | None  # of the fundamental before the event, run on to its end
    phase_jump_deg: float | None  # at the start; positive: the voltage came early afterwards
    voltage_ratio: float | None  # amplitude just after the start over that before
    dropout_half_cycles: int | None  # None: voltage was left, or the length is not known


@dataclass(frozen=True, slots=True)
class _Step:
    index: float
    change: Change


def fine_timing(
    start: Samples,
    start_index: float,
    end: Samples | None,
    end_index: float | None,
    before: Fundamental,
    at_end: Fundamental | None = None,
) -> FineTiming:
    """Look for the two ends of an event in its waveform.

    :param start: samples from three cycles before `start_index`, better five, to two after it.
    :param start_index: start of the first one-cycle window beyond the threshold.
    :param end: samples from one cycle before `end_index` to three after it, better five; may be
        the same as `start`. None: the end was not seen.
    :param end_index: start of the first one-cycle window back inside the threshold.
    :param before: the fundamental before the event.
    :param at_end: the same near the end, for events longer than some ten cycles, over which an
        error of the period would add up. None: take `before`.
    """
    first = _find_first_step(start, start_index, before.period)
    last = None
    if end is not None and end_index is not None:
        last = _find_last_step(end, end_index, (at_end or before).period)
    start_at = None if first is None else first.index
    end_at = None if last is None else last.index
    return FineTiming(
        start_index=start_at,
        end_index=end_at,
        start_angle_deg=None if start_at is None else before.angle_deg(start_at),
        end_angle_deg=None if end_at is None else (at_end or before).angle_deg(end_at),
        phase_jump_deg=None if first is None else _jump_deg(first.change),
        voltage_ratio=None if first is None else abs(first.change.ratio),
        dropout_half_cycles=_dropout_half_cycles(first, last, before.period),
    )


def _jump_deg(change: Change) -> float | None:
    if change.ratio < DROPOUT_RATIO:
        return None
    return -360 * change.delay_turns


def _dropout_half_cycles(first: _Step | None, last: _Step | None, period: float) -> int | None:
    if first is None or last is None or abs(first.change.ratio) > DROPOUT_RATIO:
        return None
    return round(2 * (last.index - first.index) / period)


def _find_first_step(samples: Samples, coarse_index: float, period: float) -> _Step | None:
    early = coarse_index - EARLY_SHARE * period
    return _find_step(samples, early, coarse_index + LATE_SHARE * period, period)


def _find_last_step(samples: Samples, coarse_index: float, period: float) -> _Step | None:
    """The same backwards: sample n of the mirrored signal lies at -n."""
    last_index = samples.first_index + len(samples.volts) - 1
    mirrored = Samples(-last_index, samples.volts[::-1])
    early = -(coarse_index + LATE_SHARE * period)
    step = _find_step(mirrored, early, EARLY_SHARE * period - coarse_index, period)
    return None if step is None else _Step(-step.index, step.change)


def _find_step(samples: Samples, early: float, late: float, period: float) -> _Step | None:
    """Where samples leave the cycle before `early`, if they do it at once and before `late`."""
    quiet = _quiet_cycle(samples, early, period)
    index = np.arange(int(early), int(late) + 1, dtype=np.float64)
    volts = _cut(samples, index)
    if quiet is None or volts is None:
        return None
    away = volts - quiet.at(index)
    left_at = _leaves(away, period)
    peak_v = float(np.abs(quiet.volts).max())
    if left_at is None or np.abs(away).max() < SMALLEST_STEP * peak_v:
        return None
    return _locate(samples, quiet, index[0] + left_at)


def _quiet_cycle(samples: Samples, stop: float, period: float) -> Cycle | None:
    """What most of the cycles before `stop` agree upon."""
    room = int((stop - samples.first_index - 4) / period)
    n_cycles = min(room, REFERENCE_CYCLES)
    if n_cycles < 1:
        return None
    if n_cycles < REFERENCE_CYCLES:
        return cut_cycle(samples.volts, samples.first_index, stop - period, period)
    begin = stop - n_cycles * period
    return median_cycle(samples.volts, samples.first_index, begin, period, n_cycles)


def _cut(samples: Samples, index: Floats) -> Floats | None:
    first = int(index[0]) - samples.first_index
    if first < 0 or first + len(index) > len(samples.volts):
        return None
    return samples.volts[first : first + len(index)]


def _leaves(away: Floats, period: float) -> int | None:
    """First sample from which the deviation is large for most of a sixteenth of a cycle."""
    length = max(2, int(period / 16))
    is_large = np.abs(away) >= LEAVING_SHARE * np.abs(away).max()
    counts = np.convolve(is_large, np.ones(length), mode="valid")
    starts = np.flatnonzero((counts >= 0.75 * length) & is_large[: len(counts)])
    return int(starts[0]) if len(starts) else None


def _locate(samples: Samples, quiet: Cycle, left_at: float) -> _Step | None:
    period = quiet.period
    behind = np.arange(left_at, left_at + FITTED_SHARE * period)
    fitted = _cut(samples, behind)
    around = np.arange(
        np.floor(left_at - LOOK_BACK_SHARE * period), left_at + FITTED_SHARE * period
    )
    volts = _cut(samples, around)
    if fitted is None or volts is None:
        return None
    change = fit_change(fitted, behind, quiet)
    old, new = volts - quiet.at(around), volts - quiet.changed_at(around, change)
    # Squares, not sizes: near a zero crossing the two differ by little, and every bit counts.
    switch = best_switch(old**2, new**2)
    step_v = float(np.abs(new - old).max())
    if switch == 0 or not _is_abrupt(old[:switch], new[switch:], step_v):
        return None
    return _Step(float(around[0]) + switch - 0.5, change)


def _is_abrupt(before: Floats, after: Floats, step_v: float) -> bool:
    """Whether both sides of a step are small against it, but for some samples."""
    if len(after) == 0:
        return False
    sides = (float(np.quantile(np.abs(side), SIDE_SHARE)) for side in (before, after))
    return max(sides) < ABRUPT_SHARE * step_v
