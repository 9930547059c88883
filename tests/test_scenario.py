"""Scenario files: limits, messages, schedules, and what they say will happen."""

import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate

from drivers.errors import OptionError
from drivers.scenario import Scenario, load_scenario, parse_scenario
from drivers.synthesis import CHUNK, Synthesis
from drivers.timeline import Timeline
from drivers.truth import Thresholds, TrueEvent, lowest_cycle, recovery_time_s, truth
from drivers.waveform import Recovery, Steps

SCENARIOS = Path(__file__).parent.parent / "config" / "scenarios"
FILES = sorted(SCENARIOS.glob("*.yaml"))
SUPPLY = {"nominal_v": 230, "frequency_hz": 50}
RMS_KINDS = ("dip", "swell", "interruption")


def scenario(*timeline: dict[str, object], **supply: object) -> Scenario:
    raw = {"duration_s": 60, "supply": {**SUPPLY, **supply}, "timeline": list(timeline)}
    return parse_scenario(raw, "test")


def message(text: str, tmp_path: Path) -> str:
    path = tmp_path / "bad.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(OptionError) as caught:
        load_scenario(path)
    assert str(path) in str(caught.value)
    return str(caught.value)


def supply_lines(*lines: str) -> str:
    return "\n".join(("supply: {nominal_v: 230, frequency_hz: 50}", "timeline:", *lines))


def test_every_fault_of_a_file_is_in_one_message(tmp_path: Path) -> None:
    text = message(
        """
colour: red
duration_s: 30
supply: {nominal_v: yes, frequency_hz: 500, wiring: delta}
converter: {bits: 4}
timeline:
  - {kind: dip, at_s: 5, duration_s: 1, residual_pct: 130}
  - {kind: dip, at_s: 50, duration_s: 1, residual_pct: 30, inputs: [L9]}
  - {kind: sag, at_s: 5}
  - {kind: distortion, at_s: 5, duration_s: 5, harmonics: [{order: 1, pct: 4}]}
""",
        tmp_path,
    )
    for part in (
        "colour: unknown key",
        "supply.nominal_v is True: must be a number",
        "supply.frequency_hz is 500: must be less than or equal to 70",
        "supply.wiring is 'delta'",
        "converter.bits is 4: must be greater than or equal to 8",
        "timeline[0].residual_pct is 130: must be less than or equal to 100",
        "timeline[1]: inputs has 'L9'",
        "at_s is 50.0, must be below duration_s 30.0",
        "timeline[2].kind is 'sag': must be one of dip, distortion,",
        "timeline[3].harmonics[0].order is 1: must be greater than or equal to 2",
    ):
        assert part in text
    assert text.count("\n") == 9, text


@pytest.mark.parametrize(
    ("entry", "expected"),
    [
        ("{kind: dip, at_s: 5, residual_pct: 3}", "give one of duration_s and duration_cycles"),
        ("{at_s: 5}", "timeline[0].kind: is missing"),
        ("17", "timeline[0] is 17: must be a table"),
        (
            "{kind: dip, at_s: 5, duration_s: .nan, residual_pct: 3}",
            "timeline[0].duration_s is nan: must be",
        ),
        (
            "{kind: two_stage, at_s: 5, first: {residual_pct: 4, duration_s: 1}}",
            "timeline[0].second: is missing",
        ),
        ("{kind: lost_samples, at_s: 5}", "give one of n_samples and duration_s"),
        (
            "{kind: frequency, at_s: 5, duration_s: 5, offset_hz: 1, inputs: [L1]}",
            "timeline[0].inputs is ['L1']: must be left out",
        ),
        ("{kind: stuck_input, at_s: 1, duration_s: 1, inputs: L1}", "is 'L1': must be a list"),
        ("{kind: stuck_input, at_s: 1, duration_s: 1, inputs: []}", "is []: must not be empty"),
        ("{kind: stuck_input, at_s: 1, duration_s: 1, inputs: [L1, L1]}", "names one twice"),
        ("{kind: swell, at_s: 5, duration_s: 5, magnitude_pct: 120, repeat_every_s: 4}", "5.040"),
        ("{kind: stuck_input, at_s: 1, duration_s: 1, repeat_count: 2}", "needs repeat_every_s"),
    ],
)
def test_a_faulty_entry_is_named(entry: str, expected: str, tmp_path: Path) -> None:
    assert expected in message(supply_lines(f"  - {entry}"), tmp_path)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("supply: {nominal_v: 230\ntimeline: [\n", ", line 2: is not readable YAML"),
        ("a: 1\nb: !!python/object/apply:os.getcwd []\n", ", line 2: is not readable YAML"),
        ("seed: 1\nsupply: {nominal_v: 1, nominal_v: 2}\n", "the key nominal_v is there twice"),
        ("a: \x01", "is not readable YAML"),
        ("a: 2020-99-99", "is not readable YAML"),
        ("a: " + "[" * 3000, "is nested too deeply"),
        ("[1, 2]", "must be a table"),
        ("", "must be a table"),
        ("timeline: []", "supply: is missing"),
    ],
)
def test_a_file_that_is_no_scenario(text: str, expected: str, tmp_path: Path) -> None:
    assert expected in message(text, tmp_path)


def test_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(OptionError, match=r"nothing\.yaml: cannot be read: No such file"):
        load_scenario(tmp_path / "nothing.yaml")
    with pytest.raises(OptionError, match="cannot be read: Is a directory"):
        load_scenario(tmp_path)


def test_a_file_that_is_far_too_long(tmp_path: Path) -> None:
    assert "is longer than 1000000 bytes" in message("#" * 1_000_001, tmp_path)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_shipped_scenarios_can_be_told_apart(path: Path) -> None:
    """All but the demonstration end, and no two events on one input come closer than 1.5 s."""
    shipped = load_scenario(path)
    assert (shipped.duration_s is None) == (path.stem == "demo")
    assert shipped.duration_s is None or 60 <= shipped.duration_s <= 180
    for name in shipped.supply.inputs:
        events = [e for e in truth(shipped, 600.0) if e.input_name == name]
        for before, after in pairwise(events):
            assert after.start_s - (before.start_s + before.duration_s) >= 1.5


def test_the_demonstration_is_lively_and_never_ends() -> None:
    demo = load_scenario(SCENARIOS / "demo.yaml")
    first_minute = [event.kind for event in truth(demo, 60.0)]
    assert first_minute.count("dip") >= 4
    assert {"swell", "interruption", "transient", "distortion"} <= set(first_minute)
    later = [e for e in truth(demo, 3720.0) if e.start_s >= 3600.0]
    assert [e.kind for e in later] == [e.kind for e in truth(demo, 120.0)]


def test_the_quiet_scenario_holds_nothing() -> None:
    assert truth(load_scenario(SCENARIOS / "quiet.yaml"), 1e6) == ()


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_truth_is_what_one_cycle_rms_finds(path: Path) -> None:
    """Brute force: the rms of one nominal cycle at every sample, by the definition of rms.

    Tolerance: the drift of the frequency (0.03 Hz of 50) makes a nominal cycle up to 0.06 % too
    long or short, which ripples the rms by up to 0.06 % and noise by about 0.01 %; an edge is
    smeared over one cycle. So 0.15 % of nominal and one cycle.
    """
    shipped = load_scenario(path)
    rate_hz, nominal_v = 7200.0, shipped.supply.nominal_v  # 144 or 120 samples a cycle
    synthesis = Synthesis.of(shipped, rate_hz)
    until_s = shipped.duration_s or 100.0
    volts = np.concatenate([synthesis.chunk(k) for k in range(int((until_s + 1) * 7200 / CHUNK))])
    cycle = round(rate_hz / shipped.supply.frequency_hz)
    for event in truth(shipped, until_s):
        if event.kind not in RMS_KINDS:
            continue
        column = shipped.supply.inputs.index(event.input_name)
        begin = round((event.start_s - 0.5) * rate_hz)
        end = round((event.start_s + event.duration_s + 0.7) * rate_hz)
        squares = np.cumsum(volts[begin:end, column].astype(np.float64) ** 2)
        rms_v = np.sqrt((squares[cycle:] - squares[:-cycle]) / cycle)
        extreme_v, length = _brute(rms_v, event, nominal_v)
        assert extreme_v == pytest.approx(event.value, abs=0.0015 * nominal_v)
        assert length / rate_hz == pytest.approx(event.duration_s, abs=cycle / rate_hz)


def _brute(
    rms_v: np.ndarray[tuple[int], np.dtype[np.float64]], event: TrueEvent, nominal_v: float
) -> tuple[float, int]:
    if event.kind == "swell":
        beyond = np.flatnonzero(rms_v > 1.10 * nominal_v)
        back = np.flatnonzero(rms_v <= 1.08 * nominal_v)
        extreme_v = float(rms_v.max())
    else:
        beyond = np.flatnonzero(rms_v < 0.90 * nominal_v)
        back = np.flatnonzero(rms_v >= 0.92 * nominal_v)
        extreme_v = float(rms_v.min())
    return extreme_v, int(back[back > beyond[0]][0] - beyond[0])


def test_truth_of_a_plain_dip() -> None:
    """Closed form: the powers of fundamental, harmonics, constant part and noise add up."""
    (event,) = truth(
        scenario(
            {"kind": "dip", "at_s": 5, "duration_cycles": 5, "residual_pct": 40},
            harmonics=[{"order": 3, "pct": 3}, {"order": 5, "pct": 4}],
            dc_pct=2,
            noise_pct=1,
        ),
        60.0,
    )
    assert (event.kind, event.input_name, event.start_s) == ("dip", "L1", 5.0)
    assert event.duration_s == pytest.approx(0.1, abs=1e-12)
    assert event.value == pytest.approx(math.sqrt(92.0**2 * (1.0025 + 0.0004) + 2.3**2), rel=1e-12)


@pytest.mark.parametrize(
    ("entry", "kinds"),
    [
        ({"kind": "dip", "duration_s": 1, "residual_pct": 95}, []),
        ({"kind": "dip", "duration_s": 1, "residual_pct": 4.9}, ["interruption"]),
        ({"kind": "interruption", "duration_s": 1}, ["interruption"]),
        ({"kind": "interruption", "duration_s": 1, "residual_pct": 5.1}, ["dip"]),
        ({"kind": "swell", "duration_s": 1, "magnitude_pct": 109.9}, []),
        ({"kind": "swell", "duration_s": 1, "magnitude_pct": 110.1}, ["swell"]),
        ({"kind": "motor_start", "residual_pct": 91, "time_constant_s": 1}, []),
        ({"kind": "motor_start", "residual_pct": 70, "time_constant_s": 1}, ["dip"]),
        ({"kind": "impulsive_transient", "peak_pct": 19, "width_s": 0.001}, []),
        ({"kind": "impulsive_transient", "peak_pct": -21, "width_s": 0.001}, ["transient"]),
        ({"kind": "notching", "depth_pct": 40, "width_s": 0.0005, "duration_s": 1}, ["transient"]),
        ({"kind": "frequency", "offset_hz": 0.4, "duration_s": 30}, []),
        ({"kind": "frequency", "offset_hz": -0.6, "duration_s": 30}, ["frequency"]),
        ({"kind": "distortion", "duration_s": 9, "harmonics": [{"order": 5, "pct": 4}]}, []),
        ({"kind": "lost_samples", "n_samples": 5}, []),
        ({"kind": "stuck_input", "duration_s": 1}, []),
    ],
)
def test_truth_lists_only_what_passes_a_threshold(
    entry: dict[str, object], kinds: list[str]
) -> None:
    assert [event.kind for event in truth(scenario({"at_s": 5, **entry}), 60.0)] == kinds


def test_thresholds_can_be_moved() -> None:
    shallow = scenario({"kind": "dip", "at_s": 5, "duration_s": 1, "residual_pct": 93})
    assert [e.kind for e in truth(shallow, 60.0, Thresholds(dip_pct=95.0))] == ["dip"]


def test_truth_of_two_stages() -> None:
    """The lowest level and the whole time, unless the second stage is back above 92 %."""

    def event(first_pct: float, second_pct: float) -> TrueEvent:
        stages = {
            "first": {"duration_s": 0.1, "residual_pct": first_pct},
            "second": {"duration_s": 0.4, "residual_pct": second_pct},
        }
        (found,) = truth(scenario({"kind": "two_stage", "at_s": 5, **stages}), 60.0)
        return found

    whole = event(40, 75)
    assert (whole.kind, whole.start_s, whole.duration_s) == ("dip", 5.0, 0.5)
    assert whole.value == pytest.approx(92.0, rel=1e-12)
    assert event(40, 91).duration_s == pytest.approx(0.5)  # within the hysteresis
    assert event(40, 93).duration_s == pytest.approx(0.1)
    late = event(95, 60)
    assert late.start_s == pytest.approx(5.1)
    assert late.duration_s == pytest.approx(0.4)


def test_truth_of_a_motor_start_in_closed_form() -> None:
    """1 - 0.3 exp(-t / 0.5) reaches 0.92 at 0.5 ln(0.3 / 0.08), after the hold."""
    start = {"kind": "motor_start", "residual_pct": 70, "hold_s": 0.04, "time_constant_s": 0.5}
    (event,) = truth(scenario({"at_s": 5, **start}), 60.0)
    assert event.duration_s == pytest.approx(0.04 + 0.5 * math.log(0.3 / 0.08), abs=1e-9)
    assert event.value == pytest.approx(0.7 * 230.0, rel=1e-12)


def test_first_cycle_of_a_recovery_against_quadrature() -> None:
    shape = Recovery(residual=0.6, hold_s=0.005, time_constant_s=0.1)
    mean_square, _ = integrate.quad(
        lambda t: float(shape.factor_at(np.array([t]))[0]) ** 2 / 0.02, 0.0, 0.02, points=[0.005]
    )
    # 1e-9: the accuracy scipy's quadrature claims here
    assert lowest_cycle(shape, 0.02) == pytest.approx(math.sqrt(mean_square), rel=1e-9)
    reached_s = recovery_time_s(shape, 0.92)
    assert shape.factor_at(np.array([reached_s]))[0] == pytest.approx(0.92, rel=1e-12)


def test_truth_adds_harmonics_of_one_order_as_phasors() -> None:
    """3 % and 4 % at right angles are 5 %, with 12 % of another order 13 %."""
    extra = [{"order": 5, "pct": 4, "phase_deg": 90}, {"order": 7, "pct": 12}]
    episode = {"kind": "distortion", "at_s": 5, "duration_s": 15, "harmonics": extra}
    (event,) = truth(scenario(episode, harmonics=[{"order": 5, "pct": 3}]), 60.0)
    assert event.value == pytest.approx(13.0, rel=1e-12)


def test_truth_names_every_input_that_is_touched() -> None:
    dip = {"kind": "dip", "at_s": 5, "duration_s": 1, "residual_pct": 50, "inputs": ["L2", "L3"]}
    events = truth(scenario(dip, wiring="three_phase"), 60.0)
    assert [(event.input_name, event.start_s) for event in events] == [("L2", 5.0), ("L3", 5.0)]


def test_repetitions_keep_their_number_their_distance_and_their_lateness() -> None:
    dip = {"kind": "dip", "at_s": 5, "duration_s": 0.1, "residual_pct": 50}
    repeat = {"repeat_every_s": 7, "repeat_count": 4, "jitter_s": 2}
    starts = np.array([event.start_s for event in truth(scenario({**dip, **repeat}), 60.0)])
    late_s = starts - (5.0 + 7.0 * np.arange(4))
    assert np.all((late_s >= 0.0) & (late_s <= 2.0))
    assert len(set(late_s)) == 4


def test_overlaps_are_found_from_either_side() -> None:
    """What overlaps an interval does not depend on how time is cut into intervals."""
    dip = {"kind": "dip", "at_s": 5, "duration_s": 3, "residual_pct": 50}
    timeline = Timeline.of(scenario({**dip, "repeat_every_s": 10, "jitter_s": 4}), 16_000.0)
    (entry,) = timeline.disturbances
    everything = entry.starts(timeline.grid, 0.0, 500.0)
    assert len(everything) == 50
    for from_s in np.arange(0.0, 490.0, 1.7):
        found = entry.starts(timeline.grid, from_s, from_s + 1.7)
        assert found == [s for s in everything if s < from_s + 1.7 and s + 3.0 > from_s]


def test_frequency_excursions_leave_their_phase_behind() -> None:
    """Closed form: offset times the time spent in it, in turns."""
    change = {"kind": "frequency", "at_s": 2, "duration_s": 3, "offset_hz": 0.7}
    repeat = {"repeat_every_s": 10, "repeat_count": 2}
    grid = Timeline.of(scenario({**change, **repeat}), 16_000.0).grid
    t_s = np.array([1.0, 3.0, 6.0, 13.0, 30.0, 1e6])
    gained_s = np.array([0.0, 1.0, 3.0, 4.0, 6.0, 6.0])
    # 1e-8 turns: 5e7 turns in double precision
    assert grid.turns_at(t_s) - 50.0 * t_s == pytest.approx(0.7 * gained_s, abs=1e-8)
    # one by one, as pieces of a waveform are asked for
    singly = [float(grid.turns_at(np.array([t]))[0]) for t in t_s]
    assert singly == grid.turns_at(t_s).tolist()


def test_a_jump_of_phase_lasts_as_long_as_its_dip() -> None:
    dip = {"kind": "dip", "at_s": 1, "duration_s": 0.2, "residual_pct": 50, "phase_jump_deg": 90}
    timeline = Timeline.of(scenario(dip), 16_000.0)
    shape = timeline.disturbances[0].shape
    assert isinstance(shape, Steps)
    assert (shape.jump_turns, shape.length_s) == (0.25, 0.2)
