"""Every scenario that comes with the program: what is found is what the scenario holds.

The truth comes from the scenario's parameters in closed form, not from samples.
"""

import math
from dataclasses import dataclass
from pathlib import Path

import pytest

from daemon.pipeline import Pipeline
from daemon.records import Event
from daemon.setup import pipeline_setup
from drivers.clock import ManualClock
from drivers.disturbances import Disturbance, OscillatoryTransient
from drivers.errors import SourceEnded
from drivers.registry import find_driver
from drivers.scenario import Scenario, load_scenario
from drivers.truth import Thresholds, TrueEvent, truth
from tests.whole_material import CHECKOUT, settings_in

SCENARIOS = sorted((CHECKOUT / "config" / "scenarios").glob("*.yaml"))
WATCHED_S = {"demo": 180.0}  # it comes back every two minutes, for ever
RATE_HZ = 16_000  # of the simulated driver, if nothing else is said
AGGREGATE_S = 3.0  # distortion is judged on 150/180-cycle values (IEC 61000-4-30)
SLOT_S = 10.0  # frequency is judged on 10 s values (IEC 61000-4-30)


@dataclass(frozen=True)
class Tolerance:
    """How far a detected event may be from the truth."""

    start_s: float
    duration_s: float
    value: float


def tolerance(true: TrueEvent, scenario: Scenario, *, recovers: bool) -> Tolerance:
    """IEC 61000-4-30 class A: residual voltage 0.2 % of declared, duration one cycle.

    A motor start comes back so slowly that the truth's end, the instant at which the supply is
    back, and the first one-cycle rms that is back can lie another cycle apart. Distortion is an
    rms of subgroups that take some noise with them: 0.1 percentage points. A frequency wanders
    with the supply, which the truth leaves out, and is measured to 10 mHz.
    """
    supply = scenario.supply
    cycle_s = 1.0 / supply.frequency_hz
    if true.kind == "distortion":
        return Tolerance(AGGREGATE_S, 2 * AGGREGATE_S, 0.1)
    if true.kind == "frequency":
        return Tolerance(SLOT_S, SLOT_S, supply.frequency_wander_hz + 0.01)
    cycles = 2 if recovers else 1
    # An edge falls between two samples: 0.1 ms. With nothing to lock to, half cycles run on at the
    # last good frequency, from which the supply wanders meanwhile.
    drift_s = true.duration_s * supply.frequency_wander_hz / supply.frequency_hz
    return Tolerance(cycle_s + 1e-4, cycles * cycle_s + drift_s + 1e-4, 0.002 * supply.nominal_v)


def found_in(path: Path, scenario: Scenario, until_s: float) -> list[Event]:
    """Play it through the whole measurement, as it would run on a circuit."""
    supply = scenario.supply
    settings = settings_in(
        path.parent,
        {
            "name": "simulated",
            "scenario": path.name,
            "pace": "as_fast_as_possible",
            "duration_s": until_s,
        },
        supply={
            "nominal_v": supply.nominal_v,
            "frequency_hz": round(supply.frequency_hz),
            "profile": "iti-2000",
            "wiring": supply.wiring.replace("single", "single_phase"),
        },
    )
    source = find_driver("simulated")(settings.driver, ManualClock())
    pipeline = Pipeline(pipeline_setup(settings, source.open()))
    events: dict[int, Event] = {}
    while True:
        try:
            block = source.read(1.0)
        except SourceEnded:
            break
        assert block is not None
        events |= {event.number: event for event in pipeline.feed(block).events}
    source.close()
    events |= {event.number: event for event in pipeline.finish().events}
    return list(events.values())


def stuck_spans(scenario: Scenario) -> list[tuple[float, float]]:
    """When an input sticks: what the held value looks like is chance, so the truth leaves it out.

    An event that it causes may begin an aggregate before it.
    """
    return [
        (entry.at_s - AGGREGATE_S, entry.at_s + 2.0 + AGGREGATE_S)
        for entry in scenario.timeline
        if entry.kind == "stuck_input"
    ]


def by_chance(event: Event, spans: list[tuple[float, float]]) -> bool:
    return any(begin <= event.start_s <= end for begin, end in spans)


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_found_is_what_the_scenario_holds(path: Path) -> None:
    scenario = load_scenario(path)
    until_s = WATCHED_S.get(path.stem) or scenario.duration_s
    assert until_s is not None
    expected = truth(scenario, until_s)
    left = [
        event
        for event in found_in(path, scenario, until_s)
        if not by_chance(event, stuck_spans(scenario))
    ]
    for true in expected:
        match = closest(true, left)
        assert match is not None, f"not found: {true}"
        left.remove(match)
        check(match, true, scenario, until_s)
    assert not left, f"not in the scenario: {left}"


def closest(true: TrueEvent, events: list[Event]) -> Event | None:
    same = [
        event for event in events if (event.kind, event.channel) == (true.kind, true.input_name)
    ]
    return min(same, key=lambda event: abs(event.start_s - true.start_s), default=None)


def check_transient(event: Event, true: TrueEvent, scenario: Scenario) -> None:
    """Its first sample beyond a tenth of the peak lies within a millisecond of where it began.

    Between two samples some of a narrow peak is lost: the event says how much at most. A ring of
    these scenarios begins at its peak, and its first sample comes up to a whole interval later: by
    then cos(2 pi f t) exp(-t / decay) has fallen further than that. What the supply's own noise
    adds is within 2 %.
    """
    deviation_v, loss_pct = event.detail.deviation_v, event.detail.peak_loss_pct
    assert deviation_v is not None
    assert loss_pct is not None
    assert event.start_s == pytest.approx(true.start_s, abs=1e-3), true
    loss_pct = max(loss_pct, *(ring_loss_pct(true, entry) for entry in scenario.timeline))
    assert (0.98 - loss_pct / 100) * true.value <= abs(deviation_v) <= 1.02 * true.value, true


def ring_loss_pct(true: TrueEvent, entry: Disturbance) -> float:
    """How much of its peak a ring loses within one sample; 0 if the event is not of this entry."""
    if not isinstance(entry, OscillatoryTransient) or true.duration_s != entry.decay_s:
        return 0.0
    interval_s = 1 / RATE_HZ
    turn = 2 * math.pi * entry.frequency_hz * interval_s
    return 100 * (1 - math.cos(turn) * math.exp(-interval_s / entry.decay_s))


def check(event: Event, true: TrueEvent, scenario: Scenario, until_s: float) -> None:
    if true.kind == "transient":
        check_transient(event, true, scenario)
        return
    recovers = any(
        entry.kind == "motor_start" and 0 <= (true.start_s - entry.at_s) % 120 < 1.5
        for entry in scenario.timeline
    )
    allowed = tolerance(true, scenario, recovers=recovers)
    assert event.start_s == pytest.approx(true.start_s, abs=allowed.start_s), true
    assert event.value == pytest.approx(true.value, abs=allowed.value), true
    if true.start_s + true.duration_s + allowed.duration_s < until_s:
        assert event.complete, true
        assert event.duration_s == pytest.approx(true.duration_s, abs=allowed.duration_s), true


def test_the_scenarios_hold_every_kind_that_is_detected() -> None:
    """What the test above has been through: an empty truth would agree with everything."""
    held = {
        true.kind
        for path in SCENARIOS
        for true in truth(load_scenario(path), load_scenario(path).duration_s or 180.0)
    }
    assert held == {"dip", "swell", "interruption", "distortion", "frequency", "transient"}


def test_truth_and_settings_have_the_same_thresholds() -> None:
    capture = settings_in(
        CHECKOUT, {"name": "simulated", "scenario": "config/scenarios/demo.yaml"}
    ).capture
    thresholds = Thresholds()
    for key in ("dip_pct", "swell_pct", "interruption_pct", "hysteresis_pct"):
        assert getattr(capture, key) == getattr(thresholds, key), key
    assert capture.distortion_pct == thresholds.distortion_pct
    assert capture.frequency_pct == thresholds.frequency_pct
