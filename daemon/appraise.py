"""What is said of an event beyond its measured values: verdict, labels, uncertainty, cause."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from daemon.calibration import ChannelCalibration
from daemon.cause import Cause, Hint, TransientFacts, facts_of, probable_cause
from daemon.judge import facts_of as judged_facts
from daemon.judge import judge
from daemon.labels import labels_of
from daemon.records import Event, JudgedEvent, Kind
from daemon.settings import Settings
from daemon.tolerance import Profile
from daemon.uncertainty import (
    Chain,
    duration_budget,
    frequency_budget,
    rms_budget,
    thd_budget,
    transient_budget,
)
from drivers.registry import find_driver
from drivers.source import SourceInfo

VOLTAGE_KINDS = (Kind.DIP, Kind.SWELL, Kind.INTERRUPTION)
NEUTRAL_WINDOW_S = 600.0  # shifts of a suspected neutral within this long are counted together
TOGETHER_S = 0.1
URGENT = "urgent"  # flag: someone may come to harm, so say it at once


@dataclass(frozen=True, slots=True)
class Stamp:
    """When an event began."""

    start_utc_s: float
    clock: str  # how far that can be trusted


class Appraiser:
    """Knows the profile, the supply and the input; looks at one event at a time."""

    def __init__(self, settings: Settings, info: SourceInfo, profile: Profile) -> None:
        self._profile = profile
        self._declared_v = settings.supply.nominal_v
        self._frequency_hz = float(settings.supply.frequency_hz)
        self._chains = {name: _chain(settings, info, name) for name in _names(settings, info)}
        self._neutral_shifts_s: list[float] = []  # when a loose neutral was suspected before
        # The scale of a recording or a simulation is part of the configuration, not measured.
        self._is_scale_given = not find_driver(settings.driver.name).is_hardware

    def appraise(self, event: Event, together: Sequence[Event], stamp: Stamp) -> JudgedEvent:
        """Everything for the database.

        :param together: the events of its group, as far as they are known now.
        """
        judgement = judge(judged_facts(event), self._profile, self._declared_v, self._frequency_hz)
        category, cell = labels_of(event, self._frequency_hz)
        hint = self._hint(event, together)
        if hint is not None and hint.is_urgent:
            event = replace(event, flags=(*event.flags, URGENT))
        return JudgedEvent(
            event=event,
            judgement=judgement,
            start_utc_s=stamp.start_utc_s,
            clock=stamp.clock,
            category=category,
            cell=cell,
            uncertainty=self._uncertainty(event),
            duration_uncertainty_s=self._duration_uncertainty_s(event),
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

    def _uncertainty(self, event: Event) -> float | None:
        """Expanded (k = 2), in the event's unit; None where no budget can be drawn up."""
        chain = self._chains.get(event.channel)
        if chain is None or (chain.gain_pct is None and not self._is_scale_given):
            return None
        detail = event.detail
        if event.kind in VOLTAGE_KINDS:
            return rms_budget(event.value, chain).expanded
        if event.kind is Kind.FREQUENCY:
            return frequency_budget(event.value, self._declared_v, chain).expanded
        if event.kind is Kind.DISTORTION:
            return thd_budget(event.value, self._declared_v, chain).expanded
        if event.kind is Kind.TRANSIENT and detail.deviation_v and detail.width_s:
            found = transient_budget(
                detail.deviation_v, detail.width_s, detail.oscillation_hz, chain
            ).expanded
            return found if detail.is_resolved else None
        return None

    def _duration_uncertainty_s(self, event: Event) -> float | None:
        chain = self._chains.get(event.channel)
        if chain is None or event.duration_s is None or event.kind not in VOLTAGE_KINDS:
            return None
        return duration_budget(event.duration_s, chain).expanded


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
