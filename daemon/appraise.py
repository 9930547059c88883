"""What is said of an event beyond its measured values: verdict, labels, uncertainty, cause."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from daemon.calibration import ChannelCalibration
from daemon.cause import Cause, Hint, TransientFacts, facts_of, probable_cause
from daemon.judge import facts_of as judged_facts
from daemon.judge import judge
from daemon.labels import labels_of
from daemon.records import Event, JudgedEvent, Kind
from daemon.settings import Settings
from daemon.timebase import RateEstimate
from daemon.tolerance import Profile
from daemon.uncertainty import (
    NO_GAIN,
    Budget,
    Chain,
    change_budget,
    duration_budget,
    flicker_budget,
    frequency_budget,
    rms_budget,
    thd_budget,
    transient_budget,
    unbalance_budget,
)
from drivers.registry import find_driver
from drivers.source import SourceInfo

VOLTAGE_KINDS = (Kind.DIP, Kind.SWELL, Kind.INTERRUPTION)
NEUTRAL_WINDOW_S = 600.0  # shifts of a suspected neutral within this long are counted together
TOGETHER_S = 0.1
URGENT = "urgent"  # flag: someone may come to harm, so say it at once
SYNCHRONISED_PPM = 5.0  # of a computer's clock that follows a time source (common practice)
FINE_END_S = 0.001  # how well an end is found in the waveform: fine timing's own limit
RECORDER = "the recorder's own errors"
SIMULATED = "simulated"  # the driver that has no errors of its own


@dataclass(frozen=True, slots=True)
class Stamp:
    """When an event began."""

    start_utc_s: float
    clock: str  # how far that can be trusted
    clock_ppm: float | None = None  # limit of the sampling clock's error; None: not known


def clock_ppm(rate: RateEstimate | None, clock: str) -> float | None:
    """By how much the sampling clock may be off.

    All times are counted in samples at the nominal rate, so that what the rate was measured to be
    off counts in full. A computer that follows no time source is no yardstick.

    :param clock: the state of the computer's clock.
    """
    if rate is None or clock == "free":
        return None
    return abs(rate.ppm) + rate.uncertainty_ppm + SYNCHRONISED_PPM


class Appraiser:
    """Knows the profile, the supply and the input; looks at one event at a time."""

    def __init__(self, settings: Settings, info: SourceInfo, profile: Profile) -> None:
        self._profile = profile
        self._declared_v = settings.supply.nominal_v
        self._frequency_hz = float(settings.supply.frequency_hz)
        self._chains = {name: _chain(settings, info, name) for name in _names(settings, info)}
        self._lines = [self._chains[name] for name in _line_names(settings, info)]
        self._neutral_shifts_s: list[float] = []  # when a loose neutral was suspected before
        # The scale of a recording or a simulation is part of the configuration, not measured.
        self._is_scale_given = not find_driver(settings.driver.name).is_hardware
        self._is_simulated = settings.driver.name == SIMULATED

    def appraise(self, event: Event, together: Sequence[Event], stamp: Stamp) -> JudgedEvent:
        """Everything for the database.

        :param together: the events of its group, as far as they are known now.
        """
        judgement = judge(judged_facts(event), self._profile, self._declared_v, self._frequency_hz)
        category, cell = labels_of(event, self._frequency_hz)
        hint = self._hint(event, together)
        if hint is not None and hint.is_urgent:
            event = replace(event, flags=(*event.flags, URGENT))
        budgets = self._budgets(event, stamp)
        return JudgedEvent(
            event=self._with_accuracy(event, budgets),
            judgement=judgement,
            start_utc_s=stamp.start_utc_s,
            clock=stamp.clock,
            category=category,
            cell=cell,
            uncertainty=self._expanded(budgets.value),
            duration_uncertainty_s=self._expanded(budgets.duration),
            cause=None if hint is None else _cause_words(hint),
            evidence=None if hint is None else _evidence_words(hint),
        )

    def _hint(self, event: Event, together: Sequence[Event]) -> Hint | None:
        """Only of what is over."""
        if event.duration_s is None:
            return None
        start_s = event.start_s
        self._neutral_shifts_s = [
            earlier for earlier in self._neutral_shifts_s if start_s - NEUTRAL_WINDOW_S <= earlier
        ]
        facts = replace(
            facts_of(event, together, self._declared_v, self._frequency_hz),
            transient=self._transient(event),
            # The other leg's event of the same moment is no shift of its own.
            neutral_shifts_before=sum(
                earlier < start_s - TOGETHER_S for earlier in self._neutral_shifts_s
            ),
        )
        hint = probable_cause(facts)
        is_counted = any(abs(start_s - one) <= TOGETHER_S for one in self._neutral_shifts_s)
        if hint.cause is Cause.LOOSE_NEUTRAL and not is_counted:
            self._neutral_shifts_s.append(start_s)
        return hint

    def _transient(self, event: Event) -> TransientFacts | None:
        detail = event.detail
        if event.kind is not Kind.TRANSIENT or detail.deviation_v is None:
            return None
        return TransientFacts(
            detail.oscillation_hz,
            100 * abs(detail.deviation_v) / (2**0.5 * self._declared_v),
            bool(detail.looks_like_capacitor),
        )

    def _budgets(self, event: Event, stamp: Stamp) -> "_Budgets":
        if event.kind is Kind.UNBALANCE:  # of all three lines, not of a channel
            return _Budgets(unbalance_budget(event.value, self._declared_v, self._lines))
        chain = self._chains.get(event.channel)
        if chain is None:
            return _Budgets()
        chain = replace(chain, clock_ppm=0.0 if self._is_simulated else stamp.clock_ppm)
        duration = fine = None
        detail = event.detail
        if event.duration_s is not None and event.kind in VOLTAGE_KINDS:
            duration = duration_budget(event.duration_s, chain)
            if detail.start_fine_s is not None and detail.end_fine_s is not None:
                lasted_s = detail.end_fine_s - detail.start_fine_s
                fine = duration_budget(lasted_s, chain, FINE_END_S)
        return _Budgets(self._value_budget(event, chain), duration, fine)

    def _value_budget(self, event: Event, chain: Chain) -> Budget | None:
        """None where none can be drawn up."""
        detail = event.detail
        if event.kind in VOLTAGE_KINDS:
            return rms_budget(event.value, chain)
        if event.kind is Kind.RAPID_VOLTAGE_CHANGE:
            return change_budget(event.value, self._declared_v, chain)
        if event.kind is Kind.FREQUENCY:
            return frequency_budget(event.value, self._declared_v, chain)
        if event.kind is Kind.DISTORTION:
            return thd_budget(event.value, self._declared_v, chain)
        if event.kind is Kind.FLICKER:
            return flicker_budget(event.value)
        if event.kind is Kind.TRANSIENT and detail.deviation_v and detail.width_s:
            return (
                transient_budget(detail.deviation_v, detail.width_s, detail.oscillation_hz, chain)
                if detail.is_resolved
                else None
            )
        return None

    def _expanded(self, budget: Budget | None) -> float | None:
        """At k = 2; None without a budget, or where the scale itself is not known."""
        if budget is None or not math.isfinite(budget.expanded):
            return None
        return None if self._is_scale_unknown(budget) else budget.expanded

    def _is_scale_unknown(self, budget: Budget) -> bool:
        return NO_GAIN in budget.unknown and not self._is_scale_given

    def _with_accuracy(self, event: Event, budgets: "_Budgets") -> Event:
        """The event, with what belongs to the uncertainty beside its two figures."""
        fine_s, without = self._expanded(budgets.fine), self._without(budgets)
        if fine_s is None and without is None:
            return event
        detail = replace(event.detail, fine_uncertainty_s=fine_s, uncertainty_without=without)
        return replace(event, detail=detail)

    def _without(self, budgets: "_Budgets") -> str | None:
        """What nobody measured, so that no uncertainty includes it."""
        known = [budget for budget in (budgets.value, budgets.duration) if budget is not None]
        missing = list(dict.fromkeys(name for budget in known for name in budget.unknown))
        if not missing or self._is_simulated:
            return None
        return RECORDER if self._is_scale_given else ", ".join(missing)


@dataclass(frozen=True, slots=True)
class _Budgets:
    """Of the value, of the duration by half cycles, and of that by the waveform's own ends."""

    value: Budget | None = None
    duration: Budget | None = None
    fine: Budget | None = None


def is_warned_of(judged: JudgedEvent) -> bool:
    """Once for a group: its first event stands for the others."""
    event = judged.event
    return URGENT in event.flags and event.number == event.group


def _cause_words(hint: Hint) -> str:
    """An unknown cause is said to be unknown; the evidence says why."""
    is_known = hint.cause is not Cause.UNKNOWN
    return f"{hint.confidence.value}: {hint.cause.value}" if is_known else hint.cause.value


def _evidence_words(hint: Hint) -> str:
    return "; ".join([*hint.evidence, *([hint.advice] if hint.advice else [])])


def _names(settings: Settings, info: SourceInfo) -> list[str]:
    if settings.channels is None:
        return list(info.inputs)
    return [channel.name for channel in settings.channels]


def _line_names(settings: Settings, info: SourceInfo) -> list[str]:
    if settings.channels is None:
        return list(info.inputs)
    return [channel.name for channel in settings.channels if channel.kind == "line"]


def _chain(settings: Settings, info: SourceInfo, name: str) -> Chain:
    calibrated = _calibration_of(settings, name)
    channels = {channel.name: channel for channel in settings.channels or ()}
    gain = abs(channels[name].gain_v_per_v) if name in channels else 1.0
    return Chain(
        sample_rate_hz=info.sample_rate_hz,
        frequency_hz=float(settings.supply.frequency_hz),
        bits=info.bits,
        full_scale_v=gain * info.full_scale_v,
        bandwidth_hz=info.bandwidth_hz,
        gain_pct=None if calibrated is None else 2 * calibrated.gain_uncertainty_pct,
        noise_v=None if calibrated is None else calibrated.noise_v,
        jitter_s=info.jitter_s,
    )


def _calibration_of(settings: Settings, name: str) -> ChannelCalibration | None:
    if settings.calibration is None:
        return None
    return settings.calibration.content.channel(name)
