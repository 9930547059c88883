"""An event compared with a tolerance profile. Pure: the same facts, the same verdict.

The rule for steps L1 < L2 < ... < Ln, the last borne for ever: the longest unbroken time below
L(k+1) must not exceed the time of Lk, and no time at all is allowed below L1; swells are the
mirror image. Exactly on a level or a time is within, since equipment is tested at those points.
For a rectangle this is the same as reading the curve. For a shaped dip it is the "time below each
level" of IEEE 1346 and CIGRE TB 412 (from memory), where the plain pair of deepest voltage and
whole duration would see a rectangle that never was. Hysteresis has no part in it.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

from daemon.records import Event, Judgement, Kind, LevelTime, Verdict
from daemon.tolerance import ImmunityProfile, Limits, Over, Peak, Profile, Under

ROUNDING = 1e-9  # relative: 100 * 216.2 / 230 and the like are not exact
HIGHEST_UNDER_PCT, LOWEST_OVER_PCT = 99, 101  # levels nearer to 100 % are not timed
SEVERITY = (None, Verdict.WITHIN, Verdict.BEYOND_LIMIT, Verdict.MAY_STOP, Verdict.MAY_DAMAGE)


@dataclass(frozen=True, slots=True)
class EventFacts:
    """What a verdict rests on.

    `value_pct` is the extreme one-cycle rms in % of the declared voltage; of a transient, the
    largest instantaneous voltage in % of the declared peak, and `duration_s` its width.
    `level_times` hold the levels of the 1 % grid that were passed.
    """

    kind: Kind
    value_pct: float
    duration_s: float | None  # None while open
    level_times: tuple[LevelTime, ...] = ()


@dataclass(frozen=True, slots=True)
class _Step:
    """A profile's step on the supply at hand."""

    level_pct: float
    time_s: float
    level_words: str
    time_words: str


def facts_of(event: Event) -> EventFacts:
    """The facts of an event as it stands now."""
    return EventFacts(event.kind, event.value_pct, event.duration_s, event.level_times)


def judge(event: EventFacts, profile: Profile, nominal_v: float, frequency_hz: float) -> Judgement:
    """Compare one event with a profile, on a supply of this declared voltage and frequency.

    An open event is judged by what is known of it so far. There is no verdict where the profile
    says nothing of this kind of event.
    """
    verdict, limit = None, None
    if isinstance(profile, ImmunityProfile) and event.kind is Kind.TRANSIENT and profile.peak:
        limit = _passed_peak(event, profile.peak)
        verdict = Verdict.MAY_DAMAGE if limit else Verdict.WITHIN
    elif isinstance(profile, Limits):
        steps = _steps(_side(profile, event.kind), nominal_v, frequency_hz)
        limit = _passed(event, steps)
        beyond = _beyond(profile, event.kind)
        verdict = (beyond if limit else Verdict.WITHIN) if steps else None
    return Judgement(profile.id, verdict, limit)


def _side(profile: Limits, kind: Kind) -> tuple[Under, ...] | tuple[Over, ...]:
    """The steps that speak of this kind of event, farthest from 100 % first."""
    if kind in (Kind.DIP, Kind.INTERRUPTION):
        return profile.under
    return profile.over if kind is Kind.SWELL else ()


def _beyond(profile: Limits, kind: Kind) -> Verdict:
    if not isinstance(profile, ImmunityProfile):
        return Verdict.BEYOND_LIMIT
    return Verdict.MAY_DAMAGE if kind is Kind.SWELL else Verdict.MAY_STOP


def _steps(
    side: tuple[Under, ...] | tuple[Over, ...], nominal_v: float, frequency_hz: float
) -> list[_Step]:
    found = []
    for step in side:
        level, unit = step.level
        level_pct = level if unit == "%" else 100.0 * level / nominal_v
        time_s, time_words = step.time_s(frequency_hz), step.time_words(frequency_hz)
        found.append(_Step(level_pct, time_s, f"{level:g} {unit}", time_words))
    return found


def _passed(event: EventFacts, steps: list[_Step]) -> str | None:
    """The limit that was passed by most, in words; None when all were kept."""
    is_over = event.kind is Kind.SWELL
    if steps and _is_beyond(event.value_pct, steps[0].level_pct, is_over):
        return f"never {'above' if is_over else 'below'} {steps[0].level_words}"
    worst, limit = 1.0 + ROUNDING, None
    for step, next_step in pairwise(steps):
        ratio = _time_beyond_s(event, next_step.level_pct, is_over) / step.time_s
        if ratio > worst:
            word = "above" if is_over else "below"
            worst, limit = ratio, f"{word} {next_step.level_words} for at most {step.time_words}"
    return limit


def _is_beyond(value_pct: float, level_pct: float, is_over: bool) -> bool:
    if is_over:
        return value_pct > level_pct * (1.0 + ROUNDING)
    return value_pct < level_pct * (1.0 - ROUNDING)


def _time_beyond_s(event: EventFacts, level_pct: float, is_over: bool) -> float:
    """Longest unbroken time beyond a level; between two timed levels the longer of theirs.

    Without timed levels, or with a level too near to 100 % to be timed, the event is taken for a
    rectangle of its value and duration.
    """
    if not _is_beyond(event.value_pct, level_pct, is_over):
        return 0.0
    is_timed = level_pct >= LOWEST_OVER_PCT if is_over else level_pct <= HIGHEST_UNDER_PCT
    if not (event.level_times and is_timed):
        return event.duration_s or 0.0
    if is_over:
        lower = [t for t in event.level_times if 100.0 < t.level_pct <= level_pct + ROUNDING]
        return max(lower, key=lambda t: t.level_pct).longest_s if lower else 0.0
    upper = [t for t in event.level_times if level_pct - 100 * ROUNDING <= t.level_pct < 100.0]
    return min(upper, key=lambda t: t.level_pct).longest_s if upper else 0.0


def _passed_peak(event: EventFacts, points: tuple[Peak, ...]) -> str | None:
    """The envelope of instantaneous voltage: straight lines in % over the logarithm of time.

    Beyond its last point the last level goes on; the steps for rms have their own events.
    """
    width_s = event.duration_s or 0.0
    allowed_pct = points[0].up_to_pct if width_s <= points[0].at_most_s else points[-1].up_to_pct
    for left, right in pairwise(points):
        if left.at_most_s < width_s <= right.at_most_s:
            share = math.log(width_s / left.at_most_s) / math.log(right.at_most_s / left.at_most_s)
            allowed_pct = left.up_to_pct + share * (right.up_to_pct - left.up_to_pct)
    if not _is_beyond(event.value_pct, allowed_pct, True):
        return None
    return f"peak at most {allowed_pct:.0f} % for {width_s:.3g} s"


def severity_order(verdict: Verdict | None) -> int:
    """A number to sort by: the worse the verdict the larger."""
    return SEVERITY.index(verdict)


def is_serious(verdict: Verdict | None) -> bool:
    """Whether people are shown the event without asking for everything."""
    return verdict not in (None, Verdict.WITHIN)
