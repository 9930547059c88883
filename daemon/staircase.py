"""An event against the steps of a profile: which is passed, and what there is to spare.

The rule for steps L1 < L2 < ... < Ln, the last borne for ever: the longest unbroken time below
L(k+1) must not exceed the time of Lk, and no time at all is allowed below L1; swells are the
mirror image. Exactly on a level or a time is within, since equipment is tested at those points.
For a rectangle this is the same as reading the curve. For a shaped dip it is the "time below each
level" of IEEE 1346 and CIGRE TB 412 (from memory), where the plain pair of deepest voltage and
whole duration would see a rectangle that never was. Hysteresis has no part in it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from daemon.records import Kind, LevelTime
from daemon.tolerance_steps import Peak

ROUNDING = 1e-9  # relative: 100 * 216.2 / 230 and the like are not exact
SAMPLE_CYCLES = 0.0125  # times are whole samples: one of 4 kS/s at 50 Hz
HIGHEST_UNDER_PCT, LOWEST_OVER_PCT = 99, 101  # levels nearer to 100 % are not timed


@dataclass(frozen=True, slots=True)
class EventFacts:
    """What a verdict rests on.

    `value_pct` is the extreme one-cycle rms in % of the declared voltage; of a transient, the
    largest instantaneous voltage in % of the declared peak, and `duration_s` its width; of
    distortion and unbalance the % itself; of frequency, in % of the nominal one.
    `level_times` hold the levels of the 1 % grid that were passed, as rms over `window_cycles` saw
    them; 0 stands for times that no window has lengthened.
    """

    kind: Kind
    value_pct: float
    duration_s: float | None  # None while open
    level_times: tuple[LevelTime, ...] = ()
    window_cycles: float = 0.0

    @property
    def is_over(self) -> bool:
        """Whether farther from 100 % is higher."""
        return self.kind in (Kind.SWELL, Kind.TRANSIENT)


@dataclass(frozen=True, slots=True)
class Step:
    """A profile's step on the supply at hand."""

    level_pct: float
    time_s: float  # infinite: for ever
    level_words: str
    time_words: str
    share_pct: float = 100.0  # of a supply's means


@dataclass(frozen=True, slots=True)
class Finding:
    """The step that was passed by most, if one was, and the room that is left, below 0 if none.

    `margin_pct`: how much farther from 100 % the whole event could have been and still be within;
    below 0, by how much it would have had to be nearer to keep the step that `limit` names.
    `margin_s`: how much longer the event could have been beyond the level that is nearest to its
    time limit. None where nothing bounds it.
    """

    limit: str | None
    margin_pct: float | None
    margin_s: float | None


def without_window(event: EventFacts, frequency_hz: float) -> EventFacts:
    """The event with what the rms window may have added to its times taken off.

    A dip to 70 % for 25 cycles is a test level of IEC 61000-4-11, and one-cycle rms lies below 90 %
    for up to 25.37 cycles of it. A rectangle on a limit must not be beyond it; what is longer by
    a cycle still is, wherever on the wave it begins.
    """
    window_s = event.window_cycles / frequency_hz
    if not window_s:
        return event
    times = []
    for timed in event.level_times:
        longer = lengthening(event.value_pct, timed.level_pct)
        added_s = window_s * (longer + SAMPLE_CYCLES) if longer else 0.0
        times.append(LevelTime(timed.level_pct, max(timed.longest_s - added_s, 0.0)))
    return replace(event, level_times=tuple(times), window_cycles=0.0)


def lengthening(value_pct: float, level_pct: float) -> float:
    """The most by which rms over one cycle lengthens a rectangle's time beyond a level, in cycles.

    The square of the rms goes from 1 to V^2 as the window moves over the edge and is beyond L^2
    after the share f = (1 - L^2) / (1 - V^2) of the cycle's energy; on the way back it stays so for
    1 - f. Energy comes as 1 - cos: the longest time w between the two has the flat part (beyond
    half a cycle the steep one) in its middle, w - |sin(2 pi w)| / (2 pi) = 1 - 2 f.
    """
    whole = 1.0 - (value_pct / 100.0) ** 2
    if whole == 0.0:
        return 0.0
    excess = 1.0 - 2.0 * (1.0 - (level_pct / 100.0) ** 2) / whole
    low, high = 0.0, 1.0
    for _ in range(20 if 0.0 < excess < 1.0 else 0):  # to 1e-6 of a cycle
        middle = (low + high) / 2.0
        if middle - abs(math.sin(2.0 * math.pi * middle)) / (2.0 * math.pi) < excess:
            low = middle
        else:
            high = middle
    return low if excess < 1.0 else 1.0


def compare(event: EventFacts, steps: Sequence[Step]) -> Finding:
    """Hold the event against the steps, farthest from 100 % first; there is at least one."""
    margin_pct = _margin_pct(event, steps)
    word = "above" if event.is_over else "below"
    if _is_beyond(event.value_pct, steps[0].level_pct, event.is_over):
        lasted_s = _time_beyond_s(event, steps[0].level_pct)
        return Finding(_never(word, steps[0]), margin_pct, -lasted_s if lasted_s else None)
    worst, limit, margin_s, passed_pct = 0.0, "", None, margin_pct
    for step, nearer in pairwise(steps):
        time_s = _time_beyond_s(event, nearer.level_pct)
        if time_s / step.time_s > worst:
            worst, margin_s = time_s / step.time_s, step.time_s - time_s
            limit = f"{word} {nearer.level_words} for at most {step.time_words}"
            room_pct = _room_pct(event, step, nearer)
            passed_pct = margin_pct if room_pct is None else room_pct
    if worst > 1.0 + ROUNDING:  # by how much the step that is named was passed, not another one
        return Finding(limit, passed_pct, margin_s)
    return Finding(None, margin_pct, margin_s)


def _never(word: str, step: Step) -> str:
    if step.share_pct == 100:
        return f"never {word} {step.level_words}"
    return f"{word} {step.level_words} for at most {100 - step.share_pct:g} % of the means"


def _is_beyond(value_pct: float, level_pct: float, is_over: bool) -> bool:
    if is_over:
        return value_pct > level_pct * (1.0 + ROUNDING)
    return value_pct < level_pct * (1.0 - ROUNDING)


def _is_timed(event: EventFacts, level_pct: float) -> bool:
    """Whether the grid of levels reaches so near to 100 %; else the event is a rectangle."""
    if not event.level_times:
        return False
    return level_pct >= LOWEST_OVER_PCT if event.is_over else level_pct <= HIGHEST_UNDER_PCT


def _time_beyond_s(event: EventFacts, level_pct: float) -> float:
    """Longest unbroken time beyond a level; between two timed levels the longer of theirs.

    Without timed levels, or with a level too near to 100 % to be timed, the event is taken for a
    rectangle of its value and duration.
    """
    if not _is_beyond(event.value_pct, level_pct, event.is_over):
        return 0.0
    if not _is_timed(event, level_pct):
        return event.duration_s or 0.0
    if event.is_over:
        lower = [t for t in event.level_times if 100.0 < t.level_pct <= level_pct + ROUNDING]
        return max(lower, key=lambda t: t.level_pct).longest_s if lower else 0.0
    upper = [t for t in event.level_times if level_pct - 100 * ROUNDING <= t.level_pct < 100.0]
    return min(upper, key=lambda t: t.level_pct).longest_s if upper else 0.0


def _margin_pct(event: EventFacts, steps: Sequence[Step]) -> float:
    """How far the event could be moved away from 100 % before any step is passed."""
    towards = -1.0 if event.is_over else 1.0
    room = towards * (event.value_pct - steps[0].level_pct)
    for step, nearer in pairwise(steps):
        room_pct = _room_pct(event, step, nearer)
        room = room if room_pct is None else min(room, room_pct)
    return room


def _room_pct(event: EventFacts, step: Step, nearer: Step) -> float | None:
    """How far the event could be moved before this one step is passed; None: without bound."""
    held_pct = _held_pct(event, step.time_s, nearer.level_pct)
    if held_pct is None:
        return None
    return (-1.0 if event.is_over else 1.0) * (held_pct - nearer.level_pct)


def _held_pct(event: EventFacts, time_s: float, level_pct: float) -> float | None:
    """The level nearest to 100 % beyond which the event stayed no longer than a time.

    None when that holds for every level.
    """
    bound_s = time_s * (1.0 + ROUNDING)
    if not _is_timed(event, level_pct):
        return event.value_pct if (event.duration_s or 0.0) > bound_s else None
    held = event.value_pct
    for timed in sorted(event.level_times, key=lambda t: -abs(t.level_pct - 100.0)):
        if timed.longest_s > bound_s:
            return held
        held = min(held, timed.level_pct) if event.is_over else max(held, timed.level_pct)
    return None


def compare_peak(event: EventFacts, points: Sequence[Peak]) -> Finding:
    """Hold a transient against the envelope of instantaneous voltage.

    Straight lines in % over the logarithm of time. Beyond its last point the last level goes on;
    the steps for rms have their own events.
    """
    width_s = event.duration_s or 0.0
    allowed_pct = envelope_pct(points, width_s)
    longest_s = _longest_width_s(points, event.value_pct)
    margin_s = None if math.isinf(longest_s) else longest_s - width_s
    is_passed = _is_beyond(event.value_pct, allowed_pct, True)
    limit = f"peak at most {allowed_pct:.0f} % for {width_s:.3g} s" if is_passed else None
    return Finding(limit, allowed_pct - event.value_pct, margin_s)


def envelope_pct(points: Sequence[Peak], width_s: float) -> float:
    """The peak that may be reached for so long."""
    if width_s <= points[0].at_most_s:
        return points[0].up_to_pct
    for left, right in pairwise(points):
        if width_s <= right.at_most_s:
            share = math.log(width_s / left.at_most_s) / math.log(right.at_most_s / left.at_most_s)
            return left.up_to_pct + share * (right.up_to_pct - left.up_to_pct)
    return points[-1].up_to_pct


def _longest_width_s(points: Sequence[Peak], peak_pct: float) -> float:
    """How long a peak may last, 0 where it is never allowed."""
    if peak_pct <= points[-1].up_to_pct:
        return math.inf
    for left, right in pairwise(points):
        if right.up_to_pct < peak_pct <= left.up_to_pct:
            share = (left.up_to_pct - peak_pct) / (left.up_to_pct - right.up_to_pct)
            return left.at_most_s * math.pow(right.at_most_s / left.at_most_s, share)
    return 0.0
