"""Causes from shapes: synthetic ones, the simulator's scenarios, and what must stay unknown.

Shapes and their typical figures: literature on dip causes (from memory). The circuit with a loose
neutral is elementary.
"""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.cause import (
    Cause,
    Confidence,
    Facts,
    Hint,
    TransientFacts,
    facts_of,
    probable_cause,
)
from daemon.cause_shape import ChannelTrace, legs_correlation, rms_shape, second_harmonic
from daemon.records import Event, Kind, Waveform
from drivers.scenario import load_scenario
from drivers.synthesis import CHUNK, Synthesis
from tests.signals import PEAK, instants, make_setup, run
from tests.whole_material import CHECKOUT

Floats = NDArray[np.float64]

RATE_HZ = 8000


def supply(share: Floats, harmonics: Floats | float = 0.0) -> Floats:
    """50 Hz of 230 V times a share, with a second harmonic of some share of the fundamental."""
    angle = 2 * np.pi * 50 * instants(RATE_HZ, len(share) / RATE_HZ) + 0.4
    noise = np.random.default_rng(3).normal(0, 0.2, len(share))
    wave = share * np.sin(angle) + harmonics * np.sin(2 * angle + 0.5)
    return np.asarray(230 * PEAK * wave + noise)


def hint_of(volts: Floats) -> Hint:
    (event,) = run(volts, make_setup(RATE_HZ)).events
    return probable_cause(facts_of(event, [event], 230, 50))


def rectangle(residual: float, cycles: float, start_cycle: float = 100.3) -> Floats:
    cycle = 50 * instants(RATE_HZ, 5 + cycles / 50)
    return np.where((cycle >= start_cycle) & (cycle < start_cycle + cycles), residual, 1.0)


def slow_return(residual: float, tau_s: float, hold_s: float = 0.0, stop_s: float = 8) -> Floats:
    time_s = instants(RATE_HZ, stop_s)
    back = 1 - (1 - residual) * np.exp(-np.maximum(time_s - 2.007 - hold_s, 0) / tau_s)
    return np.where(time_s >= 2.007, back, 1.0)


@pytest.mark.parametrize("residual", [0.1, 0.4, 0.7, 0.86])
@pytest.mark.parametrize("cycles", [3, 5, 20, 60])
@pytest.mark.parametrize("start_cycle", [100.0, 100.17, 100.25, 100.4])
def test_rectangles_of_the_length_of_a_fault(
    residual: float, cycles: float, start_cycle: float
) -> None:
    found = hint_of(supply(rectangle(residual, cycles, start_cycle)))
    assert (found.cause, found.confidence) == (Cause.REMOTE_FAULT, Confidence.PROBABLE)
    # Numbers, of the voltage it fell to.
    assert f"to {100 * residual:.0f}." in found.evidence[0] or "to 9.9" in found.evidence[0]


def test_a_dip_of_one_cycle_is_less_sure() -> None:
    assert hint_of(supply(rectangle(0.8, 1, 100.0))).confidence is Confidence.POSSIBLE


@pytest.mark.parametrize(("first", "second"), [(0.4, 0.77), (0.75, 0.35), (0.6, 0.8)])
@pytest.mark.parametrize("cycles", [4.0, 6.3, 25.0])
def test_two_stages(first: float, second: float, cycles: float) -> None:
    cycle = 50 * instants(RATE_HZ, 6)
    share = np.where((cycle >= 100.3) & (cycle < 100.3 + cycles), first, 1.0)
    share = np.where((cycle >= 100.3 + cycles) & (cycle < 100.3 + 2 * cycles), second, share)
    found = hint_of(supply(share))
    assert (found.cause, found.confidence) == (Cause.MULTISTAGE_FAULT, Confidence.PROBABLE)
    assert f"it held {100 * first:.0f} % then {100 * second:.0f} % of declared" in found.evidence


@pytest.mark.parametrize("residual", [0.72, 0.8, 0.85])
@pytest.mark.parametrize("tau_s", [0.3, 0.6, 1.5])
@pytest.mark.parametrize("hold_s", [0.0, 0.06])
def test_motor_start(residual: float, tau_s: float, hold_s: float) -> None:
    # After five time constants 0.2 % of the voltage is missing.
    found = hint_of(supply(slow_return(residual, tau_s, hold_s, 4 + 6 * tau_s)))
    assert (found.cause, found.confidence) == (Cause.MOTOR_START, Confidence.PROBABLE)
    assert any("to come back inside" in line for line in found.evidence)


def test_a_motor_that_pulls_lower_than_they_do_is_less_sure() -> None:
    assert hint_of(supply(slow_return(0.5, 0.5))).confidence is Confidence.POSSIBLE


@pytest.mark.parametrize("tau_s", [0.3, 0.8])
@pytest.mark.parametrize("second_pct", [4.0, 8.0])
def test_transformer_energising(tau_s: float, second_pct: float) -> None:
    share = slow_return(0.8, tau_s)
    # The second harmonic decays with the dip.
    found = hint_of(supply(share, second_pct / 100 * (1 - share) / 0.2))
    assert (found.cause, found.confidence) == (Cause.TRANSFORMER, Confidence.PROBABLE)
    assert any(line.startswith("second harmonic 0.0 % before") for line in found.evidence)
    assert any(line.startswith("exponentially, with") for line in found.evidence)


def test_a_steady_second_harmonic_is_no_inrush() -> None:
    share = slow_return(0.8, 0.5)
    assert hint_of(supply(share, np.full(len(share), 0.04))).cause is Cause.MOTOR_START


def test_second_harmonic_and_time_constant_by_number() -> None:
    share = slow_return(0.7, 0.5)
    volts = supply(share, 0.06 * (1 - share) / 0.3)
    (event,) = run(volts, make_setup(RATE_HZ)).events
    assert event.trace is not None
    assert event.duration_s is not None
    span = (event.start_s, event.start_s + event.duration_s)
    second = second_harmonic(event.waveforms, span, 0.02)
    assert second is not None
    # 6 % decaying by e every 0.5 s: from 30 to 80 ms after the start, 5.4 % on average.
    assert second.early_pct == pytest.approx(5.4, abs=0.15)
    assert second.before_pct < 0.2
    trace = ChannelTrace("L1", event.trace.start_s, event.trace.urms_v.astype(np.float64))
    shape = rms_shape(trace, span, 230, is_swell=False)
    assert shape is not None
    assert shape.decay is not None
    # The trace ends soon after the dip; where the return is going to end is part of the fit, in
    # steps of a quarter of what is missing: 10 % of the time constant.
    assert shape.decay.time_constant_s == pytest.approx(0.5, rel=0.1)
    # Until it is back at 92 %; a twentieth of the 30 % still counts as the bottom, and the window
    # is a cycle long.
    from_s = 0.5 * math.log(1 / 0.95)
    assert shape.return_s == pytest.approx(0.5 * math.log(30 / 8) - from_s, abs=0.03)


def test_a_gradual_fall_is_unknown() -> None:
    time_s = instants(RATE_HZ, 8)
    share = 1 - 0.25 * np.clip(time_s - 2, 0, 2) / 2 + 0.25 * np.clip(time_s - 5, 0, 1)
    found = hint_of(supply(share))
    assert found.cause is Cause.UNKNOWN
    assert found.evidence[0] == "the voltage fell gradually"


def test_long_and_shallow_may_be_a_load_long_and_deep_is_unknown() -> None:
    shallow = hint_of(supply(rectangle(0.87, 200)))
    assert (shallow.cause, shallow.confidence) == (Cause.LOAD_STEP, Confidence.POSSIBLE)
    assert hint_of(supply(rectangle(0.5, 200))).cause is Cause.UNKNOWN


def test_part_steep_part_slow_is_unknown() -> None:
    time_s = instants(RATE_HZ, 6)
    tail = 1 - 0.2 * np.exp(-np.maximum(time_s - 2.2, 0) / 0.4)
    share = np.where(time_s < 2, 1.0, np.where(time_s < 2.2, 0.6, tail))
    assert hint_of(supply(share)).cause is Cause.UNKNOWN


def test_an_interruption_is_unknown_and_so_is_an_end_not_seen() -> None:
    assert hint_of(supply(rectangle(0, 20))).cause is Cause.UNKNOWN
    volts = supply(rectangle(0.7, 20))
    cut = hint_of(volts[: round(2.2 * RATE_HZ)])
    assert cut.evidence == ("its start or end was not seen",)


@pytest.mark.parametrize("kind", [Kind.DISTORTION, Kind.FREQUENCY, Kind.FLICKER, Kind.UNBALANCE])
def test_kinds_that_tell_nothing(kind: Kind) -> None:
    facts = Facts(kind, 230, 50, 1.0, 2.0, 8.0, None)
    assert probable_cause(facts).cause is Cause.UNKNOWN


def test_rapid_change_may_be_a_load() -> None:
    facts = Facts(Kind.RAPID_VOLTAGE_CHANGE, 230, 50, 1.0, 1.0, 9.2, None)
    found = probable_cause(facts)
    assert (found.cause, found.confidence) == (Cause.LOAD_STEP, Confidence.POSSIBLE)
    assert "9.2 V (4.0 % of declared)" in found.evidence[0]
    assert probable_cause(replace(facts, end_s=None)).cause is Cause.UNKNOWN


@pytest.mark.parametrize(
    ("seen", "cause", "confidence"),
    [
        (TransientFacts(600, 60, True), Cause.CAPACITOR, Confidence.PROBABLE),
        (TransientFacts(600, 60, False), Cause.CAPACITOR, Confidence.POSSIBLE),
        (TransientFacts(2500, 60, False), Cause.UNKNOWN, Confidence.UNKNOWN),
        (TransientFacts(None, 120, False), Cause.UNKNOWN, Confidence.UNKNOWN),
        (None, Cause.UNKNOWN, Confidence.UNKNOWN),
    ],
)
def test_transients(seen: TransientFacts | None, cause: Cause, confidence: Confidence) -> None:
    facts = Facts(Kind.TRANSIENT, 230, 50, 1.0, 1.01, 200, None, transient=seen)
    found = probable_cause(facts)
    assert (found.cause, found.confidence) == (cause, confidence)


# Split phase: 120 V legs, loads of 10 and 20 ohms, neutral of some resistance. Elementary:
# shift = (120/10 - 120/20) / (1/10 + 1/20 + 1/Rn). Rn in ohms: legs in V.
NEUTRALS = {0.02: (119.88, 120.12), 0.1: (119.41, 120.59), 0.5: (117.21, 122.79),
            2.0: (110.77, 129.23), math.inf: (80.0, 160.0)}  # fmt: skip


def leg(name: str, before_v: float, during_v: float, span: tuple[float, float]) -> ChannelTrace:
    start_s = np.arange(0, 6, 1 / 120)
    inside = (start_s >= span[0]) & (start_s < span[1])
    return ChannelTrace(name, start_s, np.where(inside, during_v, before_v))


def legs(a_v: float, b_v: float, end_s: float = 4.0, repeats: int = 0) -> Hint:
    span = (2.0, end_s)
    own, other = leg("L1", 120, a_v, span), leg("L2", 120, b_v, span)
    facts = Facts(Kind.DIP, 120, 60, *span, a_v, own, others=(other,))
    return probable_cause(replace(facts, neutral_shifts_before=repeats))


@pytest.mark.parametrize("resistance", NEUTRALS)
def test_the_circuit_with_a_loose_neutral(resistance: float) -> None:
    a_v, b_v = NEUTRALS[resistance]
    shift_v = 6 / (0.15 + 1 / resistance)
    assert (120 - a_v, b_v - 120) == pytest.approx((shift_v, shift_v), abs=0.006)
    found = legs(a_v, b_v)
    # 0.1 ohm is what a sound neutral may have: 0.5 % of the voltage is no sign.
    assert (found.cause is Cause.LOOSE_NEUTRAL) == (resistance >= 0.5)
    assert found.is_urgent == (resistance == math.inf)
    if found.cause is Cause.LOOSE_NEUTRAL:
        assert "licensed electrician" in found.advice
        assert "network operator" in found.advice
        assert "moved by 0.0 V only" in found.evidence[1]


def test_a_short_shift_is_told_at_once_and_surer_when_it_comes_back() -> None:
    assert legs(100, 140, end_s=2.3).confidence is Confidence.POSSIBLE
    again = legs(100, 140, end_s=2.3, repeats=4)
    assert again.confidence is Confidence.PROBABLE
    assert "4 more such shifts in the ten minutes before" in again.evidence
    assert legs(100, 140).confidence is Confidence.PROBABLE


@pytest.mark.parametrize(("a_v", "b_v"), [(95, 120.8), (95, 95), (95, 112), (140, 150)])
def test_loads_and_the_network_move_legs_otherwise(a_v: float, b_v: float) -> None:
    assert legs(a_v, b_v).cause is not Cause.LOOSE_NEUTRAL


def star_without_neutral(end_s: float) -> Hint:
    """The swell of L2, where loads of 10, 20 and 20 ohms at 230 V lost their neutral.

    Millman: the star point moves by 0.05 / 0.2 of the voltage of L1, so L1 is left with 0.75 of it
    and the others have sqrt(0.75^2 + 0.75) = 1.1456 of theirs.
    """
    span = (2.0, end_s)
    own = leg("L2", 230, 230 * math.sqrt(0.75**2 + 0.75), span)
    others = (leg("L1", 230, 230 * 0.75, span), replace(own, channel="L3"))
    return probable_cause(Facts(Kind.SWELL, 230, 50, *span, 263.5, own, others=others))


def test_a_fault_to_earth_that_is_not_cleared_may_be_the_neutral() -> None:
    short, long = star_without_neutral(2.3), star_without_neutral(4.5)
    assert (short.cause, short.is_urgent) == (Cause.REMOTE_FAULT, False)
    assert (long.cause, long.confidence) == (Cause.LOOSE_NEUTRAL, Confidence.POSSIBLE)
    assert long.is_urgent
    assert "licensed electrician" in long.advice


def test_two_of_three_phases_are_no_legs() -> None:
    index = np.arange(1600)
    wave = [
        Waveform(0, 8000, np.sin(2 * np.pi * (index / 160 - turn)).astype(np.float32))
        for turn in (0.0, 1 / 3, 0.5)
    ]
    assert legs_correlation(wave[0], wave[1]) == pytest.approx(-0.5, abs=1e-4)
    assert legs_correlation(wave[0], wave[2]) == pytest.approx(-1, abs=1e-4)
    late = Waveform(5000, 8000, wave[1].volts)
    assert legs_correlation(wave[0], late) is None
    span = (2.0, 2.3)
    own, other = leg("L1", 230, 190, span), leg("L2", 230, 270, span)
    facts = Facts(Kind.DIP, 230, 50, *span, 190, own, others=(other,), are_legs=False)
    assert probable_cause(facts).cause is not Cause.LOOSE_NEUTRAL


# The simulator's own scenarios


def scenario_hints(name: str, stop_s: float) -> list[tuple[Event, Hint]]:
    scenario = load_scenario(CHECKOUT / "config" / "scenarios" / name)
    made = Synthesis.of(scenario, RATE_HZ)
    n_chunks = math.ceil(stop_s * RATE_HZ / CHUNK)
    volts = np.concatenate([made.chunk(number) for number in range(n_chunks)])
    supply_of = scenario.supply
    nominal_v, hz = supply_of.nominal_v, round(supply_of.frequency_hz)
    setup = make_setup(RATE_HZ, nominal_v, hz, tuple(supply_of.inputs))
    events = run(volts, setup).events
    return [
        (event, probable_cause(facts_of(event, _group(event, events), nominal_v, hz)))
        for event in events
    ]


def _group(event: Event, events: Sequence[Event]) -> list[Event]:
    return [one for one in events if one.group == event.group]


def near(
    found: list[tuple[Event, Hint]], at_s: float, channel: str | None = None, within_s: float = 1.2
) -> Hint:
    hints = [
        hint
        for event, hint in found
        if abs(event.start_s - at_s) <= within_s and channel in (None, event.channel)
    ]
    assert len(hints) == 1
    return hints[0]


def test_demonstration() -> None:
    found = scenario_hints("demo.yaml", 48)
    causes = {at_s: near(found, at_s).cause for at_s in (3, 8, 13, 18, 23, 28, 34, 45)}
    assert causes == {
        3: Cause.REMOTE_FAULT,
        8: Cause.REMOTE_FAULT,
        13: Cause.REMOTE_FAULT,
        18: Cause.LOAD_STEP,
        23: Cause.UNKNOWN,
        28: Cause.UNKNOWN,
        34: Cause.MOTOR_START,
        45: Cause.MULTISTAGE_FAULT,
    }


def test_split_phase() -> None:
    found = scenario_hints("split-phase.yaml", 55)
    assert near(found, 5).cause is Cause.MOTOR_START
    assert near(found, 15).cause is Cause.REMOTE_FAULT
    for channel in ("L1", "L2"):
        assert near(found, 25, channel).cause is Cause.REMOTE_FAULT
        assert near(found, 35, channel).cause is Cause.UNKNOWN
        neutral = near(found, 50, channel)
        assert (neutral.cause, neutral.confidence) == (Cause.LOOSE_NEUTRAL, Confidence.PROBABLE)
        assert neutral.is_urgent


def test_three_phases() -> None:
    found = scenario_hints("three-phase.yaml", 52)
    assert near(found, 5, "L2").cause is Cause.REMOTE_FAULT
    assert near(found, 20, "L1").cause is Cause.REMOTE_FAULT
    for channel in ("L2", "L3"):
        swell = near(found, 20, channel)
        assert (swell.cause, swell.confidence) == (Cause.REMOTE_FAULT, Confidence.POSSIBLE)
        assert "L1 dipped at the same time" in swell.evidence[-1]
    for channel in ("L1", "L2", "L3"):
        motor = near(found, 38, channel)
        assert (motor.cause, motor.confidence) == (Cause.MOTOR_START, Confidence.PROBABLE)
        assert any("lie 0." in line for line in motor.evidence)
    assert near(found, 48, "L3").cause is Cause.MULTISTAGE_FAULT


def test_a_channel_counts_once_however_often_it_is_in_the_group() -> None:
    found = [event for event, _ in scenario_hints("split-phase.yaml", 55)]
    legs_of = [event for event in found if abs(event.start_s - 50) < 1.2]
    low = next(event for event in legs_of if event.channel == "L1")
    earlier = replace(next(event for event in found if event.channel == "L2"), group=low.group)
    facts = facts_of(low, [*legs_of, earlier], 120, 60)
    assert len(facts.others) == 1
    assert facts.are_legs
    assert probable_cause(facts).cause is Cause.LOOSE_NEUTRAL


def test_nothing_is_ever_certain() -> None:
    assert {word.value for word in Confidence} == {"probable", "possible", "unknown"}
    assert all(hint.evidence for _, hint in scenario_hints("split-phase.yaml", 20))
