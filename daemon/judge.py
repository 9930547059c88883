"""An event compared with a tolerance profile. Pure: the same facts, the same verdict."""

from typing import Protocol

from daemon.indices import CurveStep, DipFigures, ReferenceCurve
from daemon.labels import class_of
from daemon.records import EventDetail, Judgement, Kind, LevelTime, Verdict
from daemon.staircase import (
    ROUNDING,
    EventFacts,
    Finding,
    Step,
    compare,
    compare_peak,
    without_window,
)
from daemon.tolerance import (
    ClassificationProfile,
    ImmunityProfile,
    Limits,
    Profile,
    SupplyProfile,
)
from daemon.tolerance_steps import Over, SupplyOver, SupplyUnder, Under

SEVERITY = (None, Verdict.WITHIN, Verdict.BEYOND_LIMIT, Verdict.MAY_STOP, Verdict.MAY_DAMAGE)


class Measured(Protocol):
    """What an event and a stored row of one have in common."""

    @property
    def kind(self) -> Kind: ...
    @property
    def value_pct(self) -> float: ...
    @property
    def duration_s(self) -> float | None: ...
    @property
    def level_times(self) -> tuple[LevelTime, ...]: ...
    @property
    def detail(self) -> EventDetail: ...


def facts_of(event: Measured) -> EventFacts:
    """The facts of an event as it stands now; its times are those of one-cycle rms.

    A transient counts by the width of its peak, where that is known: it may ring on for long.
    """
    lasted_s = event.duration_s
    if event.kind is Kind.TRANSIENT and event.detail.width_s is not None:
        lasted_s = event.detail.width_s
    return EventFacts(event.kind, event.value_pct, lasted_s, event.level_times, 1.0)


def judge(event: EventFacts, profile: Profile, nominal_v: float, frequency_hz: float) -> Judgement:
    """Compare one event with a profile, on a supply of this declared voltage and frequency.

    An open event is judged by what is known of it so far. There is no verdict where the profile
    says nothing of this kind of event.
    """
    if isinstance(profile, ClassificationProfile):
        label = class_of(profile, event.kind, event.value_pct, event.duration_s, frequency_hz)
        return Judgement(profile.id, None, None, label=label)
    steps = steps_of(profile, event.kind, nominal_v, frequency_hz)
    if steps:
        severity = _severity(event, profile, steps)
        finding = compare(without_window(event, frequency_hz), steps)
        return _judgement(profile, event.kind, finding, severity)
    if isinstance(profile, SupplyProfile):
        other = _other_quantity(event, profile, frequency_hz)
    else:
        is_peak = event.kind is Kind.TRANSIENT and profile.peak
        other = compare_peak(event, profile.peak) if is_peak else None
    return _judgement(profile, event.kind, other, None)


def _judgement(
    profile: Limits, kind: Kind, finding: Finding | None, severity: float | None
) -> Judgement:
    if finding is None:
        return Judgement(profile.id, None, None)
    verdict = Verdict.WITHIN if finding.limit is None else _beyond(profile, kind)
    return Judgement(
        profile.id, verdict, finding.limit, finding.margin_pct, finding.margin_s, severity
    )


def _beyond(profile: Limits, kind: Kind) -> Verdict:
    if not isinstance(profile, ImmunityProfile):
        return Verdict.BEYOND_LIMIT
    return Verdict.MAY_DAMAGE if kind in (Kind.SWELL, Kind.TRANSIENT) else Verdict.MAY_STOP


def steps_of(profile: Limits, kind: Kind, nominal_v: float, frequency_hz: float) -> list[Step]:
    """The steps that speak of this kind of event, farthest from 100 % first."""
    side: tuple[Under, ...] | tuple[Over, ...] = ()
    if kind in (Kind.DIP, Kind.INTERRUPTION):
        side = profile.under
    elif kind is Kind.SWELL:
        side = profile.over
    found = []
    for step in side:
        level, unit = step.level
        level_pct = level if unit == "%" else 100.0 * level / nominal_v
        time_s, time_words = step.time_s(frequency_hz), step.time_words(frequency_hz)
        share_pct = 100.0
        if isinstance(profile, SupplyProfile) and isinstance(step, SupplyUnder | SupplyOver):
            share_pct = profile.share_pct(step.share_pct)
        found.append(Step(level_pct, time_s, f"{level:g} {unit}", time_words, share_pct))
    return found


def _severity(event: EventFacts, profile: Limits, steps: list[Step]) -> float | None:
    """Se = (1 - V) / (1 - Vcurve(d)) of a dip, V and d its plain pair (IEEE 1564, from memory).

    Above 1 the pair lies outside the curve. A shaped dip may have more than 1 and be within.
    """
    is_dip = event.kind in (Kind.DIP, Kind.INTERRUPTION)
    if not is_dip or event.duration_s is None or not isinstance(profile, ImmunityProfile):
        return None
    if any(step.level_pct >= 100 for step in steps):  # volts of another supply: no curve for this
        return None
    curve = ReferenceCurve([CurveStep(step.time_s, step.level_pct) for step in steps])
    return curve.severity(DipFigures(event.value_pct, event.duration_s))


def _other_quantity(event: EventFacts, profile: SupplyProfile, nominal_hz: float) -> Finding | None:
    """Limits beside those of voltage."""
    if event.kind is Kind.DISTORTION and profile.distortion and profile.distortion.thd_pct:
        return _at_most(event.value_pct, profile.distortion.thd_pct, "distortion")
    if event.kind is Kind.UNBALANCE and profile.unbalance:
        return _at_most(event.value_pct, profile.unbalance.up_to_pct, "unbalance")
    if event.kind is Kind.FREQUENCY and profile.frequency:
        allowed = profile.frequency
        low_pct, high_pct = (100 * hz / nominal_hz for hz in (allowed.down_to_hz, allowed.up_to_hz))
        margin_pct = min(event.value_pct - low_pct, high_pct - event.value_pct)
        words = f"frequency between {allowed.down_to_hz:g} and {allowed.up_to_hz:g} Hz"
        return Finding(words if margin_pct < -100 * ROUNDING else None, margin_pct, None)
    return None


def _at_most(value_pct: float, limit_pct: float, noun: str) -> Finding:
    is_passed = value_pct > limit_pct * (1 + ROUNDING)
    limit = f"{noun} at most {limit_pct:g} %" if is_passed else None
    return Finding(limit, limit_pct - value_pct, None)


def severity_order(verdict: Verdict | None) -> int:
    """A number to sort by: the worse the verdict the larger."""
    return SEVERITY.index(verdict)


def is_serious(verdict: Verdict | None) -> bool:
    """Whether people are shown the event without asking for everything."""
    return verdict not in (None, Verdict.WITHIN)
