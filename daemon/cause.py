"""What probably caused an event, from the voltage alone: a hint with its evidence, no finding.

The classes follow the literature (Styvaktakis, Bollen and Gu 2002; Kezunovic and Liao 2001; from
memory), the limits are our own. A voltage does not tell from which side a disturbance came, so no
hint says so, and "unknown" is a normal answer.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from daemon.cause_shape import (
    ChannelTrace,
    RmsShape,
    SecondHarmonic,
    legs_correlation,
    period_s,
    rms_shape,
    second_harmonic,
)
from daemon.measure.unbalance import is_neutral_shift
from daemon.records import Event, Kind, Waveform
from daemon.transient_shape import CAPACITOR_HZ, Transient

ABRUPT = 0.8  # of an edge in steps: a steep one
GRADUAL = 0.4  # less than this in steps: a slow one
SHORTEST_RETURN_S = 0.1
FAULT_S = 2.0  # protection clears faults faster than this, as a rule
SHORT_FAULT_CYCLES = 1.5  # below, a fuse may have blown, and a one-cycle window shows no plateau
LOAD_STEP_PCT = 20.0  # a load that pulls the voltage down by more than this would not be left on
ALIKE_PCT = 3.0  # spread of the phases when a three-phase motor starts
MOTOR_LOWEST_PCT = 70.0  # it seldom pulls the voltage lower
SECOND_HARMONIC_PCT = 2.0
FADING = 0.7  # late over early second harmonic
GOOD_FIT = 0.9
NEUTRAL_REPEATS = 4  # shifts in the ten minutes before
NEUTRAL_STEADY_S = 1.0  # a fault in the network does not last so long
LEGS_ALIKE = 0.8  # correlation of two legs, either sense: a sensor may be turned round
HIGH_PCT, LOW_PCT = 110.0, 90.0


class Cause(StrEnum):
    """Causes that a voltage can hint at."""

    REMOTE_FAULT = "a fault elsewhere in the network"
    MULTISTAGE_FAULT = "a fault that was cleared or changed in stages"
    MOTOR_START = "a motor that started"
    TRANSFORMER = "a transformer that was energised"
    CAPACITOR = "a capacitor bank that was switched"
    LOAD_STEP = "a load that was switched"
    LOOSE_NEUTRAL = "a loose or interrupted neutral"
    UNKNOWN = "unknown"


class Confidence(StrEnum):
    """Never a certainty."""

    PROBABLE = "probable"
    POSSIBLE = "possible"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Hint:
    """A cause, how sure, and what it was read from."""

    cause: Cause
    confidence: Confidence
    evidence: tuple[str, ...]
    advice: str = ""
    is_urgent: bool = False


@dataclass(frozen=True, slots=True)
class TransientFacts:
    """What is known of a transient."""

    oscillation_hz: float | None
    deviation_pct: float
    looks_like_capacitor: bool


@dataclass(frozen=True, slots=True, eq=False)
class Facts:
    """All that the hint is drawn from."""

    kind: Kind
    declared_v: float
    frequency_hz: float
    start_s: float
    end_s: float | None  # None: not seen
    value_v: float
    own: ChannelTrace | None
    waveforms: tuple[Waveform, ...] = ()
    others: tuple[ChannelTrace, ...] = ()
    are_legs: bool | None = None  # of one split-phase supply; None: cannot be told
    transient: TransientFacts | None = None
    neutral_shifts_before: int = 0  # in the ten minutes before this one


def facts_of(
    event: Event,
    group: Sequence[Event],
    declared_v: float,
    frequency_hz: float,
    transient: Transient | None = None,
) -> Facts:
    """The facts of a finished event.

    :param group: events on other channels at the same time; the event itself may be among them.
    """
    others = _one_for_each_channel(event, group)
    end_s = None if event.duration_s is None else event.start_s + event.duration_s
    return Facts(
        kind=event.kind,
        declared_v=declared_v,
        frequency_hz=frequency_hz,
        start_s=event.start_s,
        end_s=end_s if event.complete else None,
        value_v=event.value,
        own=_trace_of(event),
        waveforms=event.waveforms,
        others=tuple(trace for one in others if (trace := _trace_of(one)) is not None),
        are_legs=_are_legs(event, others),
        transient=None if transient is None else _transient_facts(transient),
    )


def _one_for_each_channel(event: Event, group: Sequence[Event]) -> list[Event]:
    """Of each other channel the event that began nearest to this one."""
    traced = [one for one in group if one.channel != event.channel and one.trace is not None]
    traced.sort(key=lambda one: abs(one.start_s - event.start_s), reverse=True)
    return list({one.channel: one for one in traced}.values())


def _trace_of(event: Event) -> ChannelTrace | None:
    if event.trace is None:
        return None
    return ChannelTrace(event.channel, event.trace.start_s, event.trace.urms_v.astype(np.float64))


def _transient_facts(transient: Transient) -> TransientFacts:
    return TransientFacts(
        transient.oscillation_hz, transient.deviation_pct, transient.looks_like_capacitor
    )


def _are_legs(event: Event, others: Sequence[Event]) -> bool | None:
    if len(others) != 1 or not event.waveforms or not others[0].waveforms:
        return None
    found = legs_correlation(event.waveforms[0], others[0].waveforms[0])
    return None if found is None else abs(found) > LEGS_ALIKE


def probable_cause(facts: Facts) -> Hint:
    """The most likely cause of one event. Cheap, and meant for finished events only."""
    neutral = _loose_neutral(facts)
    if neutral is not None:
        return neutral
    if facts.kind is Kind.TRANSIENT:
        return _of_transient(facts)
    if facts.kind is Kind.RAPID_VOLTAGE_CHANGE:
        return _of_rapid_change(facts)
    if facts.kind is Kind.INTERRUPTION:
        return _unknown(
            "the voltage was gone: something between the source and here opened, by itself or by "
            "hand; the voltage does not tell what"
        )
    if facts.kind not in (Kind.DIP, Kind.SWELL):
        return _unknown(
            "this kind of event has many causes, and the voltage alone does not tell which it was"
        )
    if facts.own is None or facts.end_s is None:
        return _unknown("its start or end was not seen")
    span_s, is_swell = (facts.start_s, facts.end_s), facts.kind is Kind.SWELL
    shape = rms_shape(facts.own, span_s, facts.declared_v, is_swell=is_swell)
    if shape is None:
        return _unknown("too little of the voltage before or after it was kept")
    return _of_swell(facts, shape, span_s) if is_swell else _of_dip(facts, shape, span_s)


def _unknown(*evidence: str) -> Hint:
    return Hint(Cause.UNKNOWN, Confidence.UNKNOWN, evidence)


# Two legs that move against each other


def _loose_neutral(facts: Facts) -> Hint | None:
    if facts.own is None or len(facts.others) != 1 or facts.are_legs is False:
        return None
    own_v, other_v = _change(facts.own, facts), _change(facts.others[0], facts)
    if own_v is None or other_v is None:
        return None
    (own_before, own_change), (other_before, other_change) = own_v, other_v
    if not is_neutral_shift(own_change, other_change, facts.declared_v):
        return None
    now_pct = [
        100 * (own_before + own_change) / facts.declared_v,
        100 * (other_before + other_change) / facts.declared_v,
    ]
    evidence = (
        f"{facts.own.channel} moved by {own_change:+.1f} V and {facts.others[0].channel} by "
        f"{other_change:+.1f} V at the same time",
        f"their sum moved by {abs(own_change + other_change):.1f} V only: neither a load nor the "
        "network does that on a sound neutral",
        *_repeats(facts.neutral_shifts_before),
    )
    is_urgent = max(now_pct) > HIGH_PCT and min(now_pct) < LOW_PCT
    lasted_s = np.inf if facts.end_s is None else facts.end_s - facts.start_s
    is_sure = facts.neutral_shifts_before >= NEUTRAL_REPEATS or lasted_s >= NEUTRAL_STEADY_S
    confidence = Confidence.PROBABLE if is_sure else Confidence.POSSIBLE
    return Hint(Cause.LOOSE_NEUTRAL, confidence, evidence, _NEUTRAL_ADVICE, is_urgent)


_NEUTRAL_ADVICE = (
    "A bad neutral can destroy equipment and start a fire. Have a licensed electrician check it at "
    "once and tell the network operator; they decide, this monitor cannot. Until then switch off "
    "what can be switched off."
)


def _repeats(count: int) -> tuple[str, ...]:
    return (f"{count} more such shifts in the ten minutes before",) if count else ()


def _change(trace: ChannelTrace, facts: Facts) -> tuple[float, float] | None:
    """Voltage before the event and its change during it, in V."""
    cycle_s = period_s(trace, facts.frequency_hz)
    end_s = np.inf if facts.end_s is None else facts.end_s
    before = trace.urms_v[trace.start_s < facts.start_s - 1.25 * cycle_s]
    during = trace.urms_v[(trace.start_s >= facts.start_s) & (trace.start_s < end_s)]
    if len(before) < 3 or len(during) == 0:
        return None
    return float(np.median(before)), float(np.median(during) - np.median(before))


# Transients and changes


def _of_transient(facts: Facts) -> Hint:
    seen = facts.transient
    if seen is None or seen.oscillation_hz is None:
        return _unknown("an impulse, or a shape that nothing is known of")
    rings = f"it rings at {seen.oscillation_hz:.0f} Hz, by up to {seen.deviation_pct:.0f} % of peak"
    if seen.looks_like_capacitor:
        marks = "it began towards zero, and the voltage was slightly higher afterwards"
        return Hint(Cause.CAPACITOR, Confidence.PROBABLE, (rings, marks))
    low_hz, high_hz = CAPACITOR_HZ
    if low_hz <= seen.oscillation_hz <= high_hz:
        missing = "it did not begin towards zero, or the voltage was not higher afterwards"
        return Hint(Cause.CAPACITOR, Confidence.POSSIBLE, (rings, missing))
    return _unknown(rings, f"capacitor banks ring at {low_hz:.0f} to {high_hz:.0f} Hz")


def _of_rapid_change(facts: Facts) -> Hint:
    share = 100 * facts.value_v / facts.declared_v
    evidence = (
        f"the voltage moved by {facts.value_v:.1f} V ({share:.1f} % of declared) from one steady "
        "second to another, and reached no dip or swell",
    )
    if facts.end_s is None:
        return _unknown("its end was not seen")
    return Hint(Cause.LOAD_STEP, Confidence.POSSIBLE, evidence)


# Dips and swells


def _of_swell(facts: Facts, shape: RmsShape, span_s: tuple[float, float]) -> Hint:
    evidence = _edges(shape)
    lower = [
        trace.channel
        for trace in facts.others
        if (moved := _change(trace, facts)) is not None and moved[1] < -0.1 * facts.declared_v
    ]
    lasted_s = span_s[1] - span_s[0]
    if lower and lasted_s > FAULT_S:
        long = f"{', '.join(lower)} was low meanwhile, for longer than a fault is left in place"
        is_urgent = facts.value_v > HIGH_PCT / 100 * facts.declared_v
        return Hint(
            Cause.LOOSE_NEUTRAL, Confidence.POSSIBLE, (*evidence, long), _NEUTRAL_ADVICE, is_urgent
        )
    if lower:
        dipped = f"{', '.join(lower)} dipped at the same time, as in a fault to earth"
        return Hint(Cause.REMOTE_FAULT, Confidence.POSSIBLE, (*evidence, dipped))
    is_steep = shape.abrupt_start >= ABRUPT and shape.abrupt_end >= ABRUPT
    if is_steep and shape.depth_pct <= LOAD_STEP_PCT:
        return Hint(Cause.LOAD_STEP, Confidence.POSSIBLE, evidence)
    return _unknown(*evidence)


def _of_dip(facts: Facts, shape: RmsShape, span_s: tuple[float, float]) -> Hint:
    if shape.abrupt_start < ABRUPT:
        return _unknown("the voltage fell gradually", *_edges(shape))
    if shape.abrupt_end >= ABRUPT:
        return _of_steep_dip(facts, shape, span_s[1] - span_s[0])
    if shape.abrupt_end <= GRADUAL and shape.return_s >= SHORTEST_RETURN_S:
        return _of_slow_return(facts, shape, span_s)
    return _unknown(*_edges(shape), "part of the return was steep, part slow")


def _of_steep_dip(facts: Facts, shape: RmsShape, lasted_s: float) -> Hint:
    evidence = (*_edges(shape), f"it lasted {lasted_s:.3f} s")
    if len(shape.plateaux_pct) > 1:
        levels = " then ".join(f"{level:.0f} %" for level in shape.plateaux_pct)
        stages = (*evidence, f"it held {levels} of declared")
        return Hint(Cause.MULTISTAGE_FAULT, Confidence.PROBABLE, stages)
    if lasted_s <= FAULT_S:
        is_clear = lasted_s * facts.frequency_hz > SHORT_FAULT_CYCLES
        confidence = Confidence.PROBABLE if is_clear else Confidence.POSSIBLE
        return Hint(Cause.REMOTE_FAULT, confidence, evidence)
    if shape.depth_pct <= LOAD_STEP_PCT:
        return Hint(Cause.LOAD_STEP, Confidence.POSSIBLE, evidence)
    return _unknown(*evidence, "too long for a fault, too deep for a load")


def _of_slow_return(facts: Facts, shape: RmsShape, span_s: tuple[float, float]) -> Hint:
    trace = facts.own
    second = None
    if trace is not None:
        cycle_s = period_s(trace, facts.frequency_hz)
        second = second_harmonic(facts.waveforms, span_s, cycle_s)
    spread_pct = _spread_pct(facts, shape)
    evidence = (*_edges(shape), *_slow(shape), *_second(second), *_spread(spread_pct))
    if second is not None and _is_inrush(second):
        fits = shape.decay is not None and shape.decay.r_squared >= GOOD_FIT
        confidence = Confidence.PROBABLE if fits else Confidence.POSSIBLE
        return Hint(Cause.TRANSFORMER, confidence, evidence)
    is_usual = shape.extreme_pct >= MOTOR_LOWEST_PCT and second is not None
    is_alike = spread_pct is None or spread_pct <= ALIKE_PCT
    confidence = Confidence.PROBABLE if is_usual and is_alike else Confidence.POSSIBLE
    return Hint(Cause.MOTOR_START, confidence, evidence)


def _is_inrush(second: SecondHarmonic) -> bool:
    added_pct = second.early_pct - second.before_pct
    return (
        added_pct >= SECOND_HARMONIC_PCT
        and second.late_pct - second.before_pct <= FADING * added_pct
    )


def _spread_pct(facts: Facts, shape: RmsShape) -> float | None:
    """How far the channels' lowest voltages lie apart, in % of declared."""
    lowest = [shape.extreme_pct]
    for trace in facts.others:
        end_s = np.inf if facts.end_s is None else facts.end_s
        during = trace.urms_v[(trace.start_s >= facts.start_s) & (trace.start_s < end_s)]
        if len(during):
            lowest.append(100 * float(during.min()) / facts.declared_v)
    return max(lowest) - min(lowest) if len(lowest) > 1 else None


# Evidence in words


def _edges(shape: RmsShape) -> tuple[str, ...]:
    verb = "rose" if shape.extreme_pct > shape.before_pct else "fell"
    return (
        f"it {verb} from {shape.before_pct:.1f} to {shape.extreme_pct:.1f} % of declared, "
        f"{100 * shape.abrupt_start:.0f} % of that in steps",
        f"{100 * shape.abrupt_end:.0f} % of its return to {shape.after_pct:.1f} % came in steps",
    )


def _slow(shape: RmsShape) -> tuple[str, ...]:
    took = (
        f"from the lowest voltage it took {shape.return_s:.2f} s to come back inside the threshold"
    )
    if shape.decay is None or shape.decay.r_squared < GOOD_FIT:
        return (took,)
    tau = shape.decay
    return (took, f"exponentially, with {tau.time_constant_s:.2f} s (R² {tau.r_squared:.2f})")


def _second(second: SecondHarmonic | None) -> tuple[str, ...]:
    if second is None:
        return ("no waveform long enough to look for a second harmonic",)
    return (
        f"second harmonic {second.before_pct:.1f} % before, {second.early_pct:.1f} % at first, "
        f"{second.late_pct:.1f} % later",
    )


def _spread(spread_pct: float | None) -> tuple[str, ...]:
    if spread_pct is None:
        return ()
    return (f"the channels' lowest voltages lie {spread_pct:.1f} % of declared apart",)
