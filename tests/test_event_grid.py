"""Dips, swells, interruptions of known shape: one event each, with its size, start and length."""

import math
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from daemon.records import Event, Kind
from tests.signals import (
    Harmonics,
    Ran,
    envelope,
    instants,
    make_setup,
    run,
    supply_wave,
    true_rms,
)

Floats = NDArray[np.float64]

RATE_HZ = 16000
MAGNITUDE_PCT = 0.2  # IEC 61000-4-30 class A, dip and swell magnitude in % of declared (memory)
IDEAL_PCT = 0.02  # our own aim on samples without noise
FIFTH: Harmonics = {5: (2, 30)}
LEAD = 0.15  # of a cycle the supply is ahead at the first sample: 48 samples at 50 Hz


@dataclass(frozen=True)
class Wanted:
    """One rectangle in a supply of 100 %."""

    start_s: float
    cycles: float
    level: float  # 1 is the declared voltage


def supply_with(
    wanted: list[Wanted], hz: float, nominal_hz: int = 50, harmonics: Harmonics | None = None
) -> Ran:
    stop_s = max(item.start_s + item.cycles / hz for item in wanted) + 1
    time_s = instants(RATE_HZ, stop_s)
    steps = [(item.start_s, item.start_s + item.cycles / hz, item.level) for item in wanted]
    volts = supply_wave(time_s * hz + LEAD, 230, harmonics) * envelope(time_s, steps)
    return run(volts, make_setup(RATE_HZ, frequency_hz=nominal_hz))


# IEC 61000-4-30 one-cycle windows on an ideal half-cycle grid, dip 90 %, swell 110 %, hysteresis
# 2 %, computed from the definition: (level, phase): residual in %, number of half cycles, for
# 0.5, 1, 1.5, 2 and 10 cycles. No event: None.
CYCLES = (0.5, 1, 1.5, 2, 10)
Cell = tuple[float, int] | None
TABLE: dict[tuple[float, float], list[Cell]] = {
    (0, 0): [(70.71, 2), (0, 3), (0, 4), (0, 5), (0, 21)],
    (0, 45): [(70.71, 2), (21.31, 3), (0, 4), (0, 5), (0, 21)],
    (0, 90): [(70.71, 3), (50.00, 4), (0, 5), (0, 6), (0, 22)],
    (0.4, 0): [(76.16, 2), (40, 3), (40, 4), (40, 5), (40, 21)],
    (0.4, 45): [(76.16, 2), (44.51, 3), (40, 4), (40, 5), (40, 21)],
    (0.4, 90): [(76.16, 3), (60.83, 4), (40, 5), (40, 6), (40, 22)],
    (0.7, 0): [(86.31, 2), (70, 3), (70, 4), (70, 5), (70, 21)],
    (0.7, 45): [(86.31, 2), (71.64, 3), (70, 4), (70, 5), (70, 21)],
    (0.7, 90): [(86.31, 1), (78.58, 2), (70, 3), (70, 4), (70, 20)],
    (0.85, 0): [None, (85, 1), (85, 2), (85, 3), (85, 19)],
    (0.85, 90): [None, (88.99, 2), (85, 3), (85, 4), (85, 20)],
    (0.89, 0): [None, (89, 1), (89, 2), (89, 3), (89, 19)],
    (0.89, 90): [None, None, (89, 2), (89, 3), (89, 19)],
}
SWELLS: list[tuple[float, float, float, Cell]] = [
    (1.15, 0, 0.5, None),
    (1.15, 0, 1, (115, 1)),
    (1.15, 0, 1.5, (115, 2)),
    (1.15, 90, 1, (111.44, 2)),
    (1.20, 0, 0.5, (110.45, 2)),
    (1.20, 0, 1, (120, 3)),
    (1.20, 0, 2, (120, 5)),
    (1.20, 90, 0.5, (110.45, 1)),
    (1.20, 90, 1, (115.33, 2)),
    (2.0, 0, 0.5, (158.11, 2)),
    (2.0, 0, 1, (200, 3)),
    (2.0, 90, 0.5, (158.11, 3)),
    (2.0, 90, 1, (180.28, 4)),
]
CELLS = [
    (level, phase, cycles, cell)
    for (level, phase), row in TABLE.items()
    for cycles, cell in zip(CYCLES, row, strict=True)
] + SWELLS


@pytest.fixture(scope="module")
def every_cell() -> dict[tuple[float, float, float], list[Event]]:
    """All cells of the table in one supply, two seconds apart."""
    wanted = [
        Wanted(2 + 2 * n + (phase / 360 - LEAD) / 50, cycles, level)
        for n, (level, phase, cycles, _) in enumerate(CELLS)
    ]
    ran = supply_with(wanted, 50)
    assert len(ran.events) == sum(cell is not None for *_, cell in CELLS)
    return {
        key[:3]: [event for event in ran.events if abs(event.start_s - want.start_s) < 0.5]
        for key, want in zip(CELLS, wanted, strict=True)
    }


@pytest.mark.parametrize(("level", "phase", "cycles", "cell"), CELLS)
def test_a_rectangle_reads_as_the_definition_says(
    every_cell: dict[tuple[float, float, float], list[Event]],
    level: float,
    phase: float,
    cycles: float,
    cell: Cell,
) -> None:
    events = every_cell[(level, phase, cycles)]
    if cell is None:
        assert events == []
        return
    (event,) = events
    # The table has two decimals; the aim on ideal samples is 0.02 %. Changes too small to stop the
    # phase tracking pull the grid by up to a third of a sample, which costs a half covered window
    # 0.04 %: far inside the 0.2 % of class A.
    is_held = level < 0.9 or level == 2
    assert event.value_pct == pytest.approx(cell[0], abs=IDEAL_PCT if is_held else 0.05)
    assert event.duration_s is not None
    # Exact in half cycles: a hundredth is far below one, far above that third of a sample.
    assert 100 * event.duration_s == pytest.approx(cell[1], abs=0.01)
    assert event.kind is (
        Kind.SWELL if level > 1 else Kind.DIP if cell[0] >= 5 else Kind.INTERRUPTION
    )


@pytest.mark.parametrize("level", [0, 0.4, 0.7, 0.7873, 0.7875, 0.83, 0.8323, 0.85, 0.89])
def test_dips_from_a_crossing_count_as_the_closed_form_says(level: float) -> None:
    # 2d+1 half cycles while a half covered window reads below 90 %, that is sqrt((1+r^2)/2) < 0.9;
    # 2d while it also reads below 92 %, else 2d-1. Elementary: both roots follow from the formula.
    cycles = [1, 1.5, 2, 2.5, 3, 5, 10, 30, 150]
    starts = np.cumsum([2, *(np.ceil(np.array(cycles) / 50) + 1)]) - LEAD / 50
    ran = supply_with([Wanted(s, d, level) for s, d in zip(starts, cycles, strict=False)], 50)
    extra = 1 if level < math.sqrt(2 * 0.81 - 1) else 0 if level < math.sqrt(2 * 0.8464 - 1) else -1
    lengths = [100 * (event.duration_s or 0) for event in ran.events]
    assert lengths == pytest.approx([2 * d + extra for d in cycles], abs=0.01)
    assert [event.value_pct for event in ran.events] == pytest.approx(
        [100 * level] * len(cycles), abs=IDEAL_PCT
    )


def test_half_cycles_lost_at_a_hundred_phases() -> None:
    # A half-cycle loss at phase p leaves, in the best placed one-cycle window, the energy of the
    # other half cycle: sqrt(1/2), whatever p is, because sin^2 repeats each half cycle; the window
    # has to hold it whole, which every half-cycle grid has one for.
    phases = np.arange(100) * 1.8
    wanted = [Wanted(2 + n + (p / 360 - LEAD) / 50, 0.5, 0.0) for n, p in enumerate(phases)]
    ran = supply_with(wanted, 50)
    assert len(ran.events) == 100
    # An edge between samples moves by at most half a sample: 0.5/320 of the cycle's energy at the
    # crest counts twice that, 0.22 % of the rms.
    assert [event.value_pct for event in ran.events] == pytest.approx([70.711] * 100, abs=0.25)
    on_samples = [
        event.value_pct for event, p in zip(ran.events, phases, strict=True) if p % 9 == 0
    ]
    assert on_samples == pytest.approx([70.711] * 20, abs=IDEAL_PCT)


# What each event's level may be: far enough from 90 and 110 % that the 2 % of fifth harmonic, and
# the ends of a dip inside one window, leave no doubt whether there is one.
LEVELS = [0, 0.01, 0.1, 0.3, 0.5, 0.6, 0.7, 0.8, 0.85, 0.88, 1.12, 1.2, 1.3, 1.4]
HALF_CYCLES = st.integers(4, 62)


@pytest.mark.parametrize(
    ("nominal_hz", "hz"), [(50, 50.0), (50, 49.7), (50, 47.0), (50, 53.0), (60, 60.0), (60, 60.3)]
)
def test_a_grid_of_events_at_any_phase(nominal_hz: int, hz: float) -> None:
    random = np.random.default_rng(nominal_hz * 1000 + int(10 * hz))
    wanted, start_s = [], 2.0
    for level in LEVELS * 5:
        cycles = float(random.integers(4, 63)) / 2
        wanted.append(Wanted(start_s + random.uniform(0, 1 / hz), cycles, level))
        start_s += cycles / hz + random.uniform(0.35, 0.6)
    ran = supply_with(wanted, hz, nominal_hz, FIFTH)
    check_one_event_each(ran, wanted, hz, FIFTH)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    hz=st.floats(45, 55),
    events=st.lists(
        st.tuples(st.sampled_from(LEVELS), HALF_CYCLES, st.floats(0, 1), st.floats(0.3, 0.8)),
        min_size=1,
        max_size=4,
    ),
)
def test_any_events_at_any_frequency(
    hz: float, events: list[tuple[float, int, float, float]]
) -> None:
    wanted, start_s = [], 1.5
    for level, halves, phase, pause_s in events:
        wanted.append(Wanted(start_s + phase / hz, halves / 2, level))
        start_s += halves / 2 / hz + 1 / hz + pause_s
    check_one_event_each(supply_with(wanted, hz, 50, FIFTH), wanted, hz, FIFTH)


def check_one_event_each(ran: Ran, wanted: list[Wanted], hz: float, harmonics: Harmonics) -> None:
    assert len(ran.events) == len(wanted)
    # IEC 61000-4-30 class A (from memory): 0.2 % of declared, and half a cycle at each end. A
    # length of whole half cycles differs from the read one by whole half cycles, so one cycle is a
    # sharp bar; a hundredth of a cycle for the grid's own drift while a dip hides the phase.
    for event, want in zip(ran.events, wanted, strict=True):
        level_pct = true_rms(100 * want.level, harmonics)
        assert event.value_pct == pytest.approx(level_pct, abs=MAGNITUDE_PCT)
        assert event.start_s == pytest.approx(want.start_s, abs=1 / hz)
        assert event.duration_s == pytest.approx(want.cycles / hz, abs=1.01 / hz)
        assert event.complete
        assert event.kind is kind_of(level_pct)
        assert event.start_s - 1 / hz <= event.extreme_s <= event.start_s + (event.duration_s or 0)


def kind_of(level_pct: float) -> Kind:
    if level_pct > 110:
        return Kind.SWELL
    return Kind.INTERRUPTION if level_pct < 5 else Kind.DIP


@pytest.mark.parametrize("hz", [47.0, 50.0, 53.0])
def test_a_dip_away_from_nominal_frequency(hz: float) -> None:
    ran = supply_with([Wanted(2, 10, 0.7)], hz)
    (event,) = ran.events
    # 0.05 %: our aim there, because the window follows the frequency.
    assert event.value_pct == pytest.approx(70, abs=0.05)
    assert event.duration_s == pytest.approx(10 / hz, abs=1 / hz)


def test_a_two_stage_dip_is_one_event() -> None:
    time_s = instants(RATE_HZ, 4)
    share = envelope(time_s, [(2, 2.1, 0.7), (2.1, 2.2, 0.4)])
    (event,) = run(supply_wave(time_s * 50, 230) * share, make_setup(RATE_HZ)).events
    assert event.value_pct == pytest.approx(40, abs=IDEAL_PCT)
    # Both ends from a crossing: half a window reads 86.3 and 76.2 %, so 2d+1 half cycles.
    assert event.duration_s == pytest.approx(0.21, abs=0.0001)


def window_rms_pct(old: float, new: float, turn_deg: float, edge: float) -> float:
    """rms in % over one cycle whose part up to `edge` (cycles) is old, the rest new and turned."""
    a, b = 2 * math.pi * edge, 2 * math.pi
    turn = math.radians(turn_deg)
    before = a / 2 - math.sin(2 * a) / 4
    after = (b - a) / 2 - (math.sin(2 * (b + turn)) - math.sin(2 * (a + turn))) / 4
    return 100 * math.sqrt((old**2 * before + new**2 * after) / math.pi)


@pytest.mark.parametrize("turn_deg", [-60, -30, 30, 60])
@pytest.mark.parametrize("edge", [0, 0.125, 0.25, 0.375])
@pytest.mark.parametrize("returns", [True, False])
def test_a_dip_with_a_phase_jump_is_one_event(turn_deg: float, edge: float, returns: bool) -> None:
    time_s = instants(RATE_HZ, 5)
    start_s, stop_s = 2 + edge / 50, 2.2 + edge / 50
    stays = (time_s < stop_s) if returns else True
    turn = np.where((time_s >= start_s) & stays, turn_deg / 360, 0)
    volts = supply_wave(time_s * 50 + turn, 230) * envelope(time_s, [(start_s, stop_s, 0.7)])
    (event,) = run(volts, make_setup(RATE_HZ)).events
    # The window that holds the jump can read less than 70 %: that is the definition, not an error.
    # The windows on the old grid at the start of the dip, in closed form; at its end the same
    # windows may dip below 70 % as well where the phase comes back, so only a bound holds there.
    lowest = min(70.0, window_rms_pct(1, 0.7, turn_deg, edge))
    if returns:
        assert 60 <= event.value_pct <= lowest + MAGNITUDE_PCT
    else:
        assert event.value_pct == pytest.approx(lowest, abs=MAGNITUDE_PCT)
    # The jump itself moves the grid by up to a sixth of a cycle, which adds to the one cycle.
    assert event.duration_s == pytest.approx(0.2, abs=0.02 * (1 + abs(turn_deg) / 360))


@pytest.mark.parametrize("turn_deg", [-60, -30, 30, 60, 180])
def test_a_phase_jump_alone_is_no_event_and_the_grid_finds_the_new_phase(turn_deg: float) -> None:
    time_s = instants(RATE_HZ, 4)
    turn = np.where(time_s >= 2, turn_deg / 360, 0)
    ran = run(supply_wave(time_s * 50 + turn, 230), make_setup(RATE_HZ))
    assert ran.events == []
    index = ran.half_cycles[0].start_index
    late = index[index > 2.5 * RATE_HZ]
    expected = (np.round((late + 0.5) / 160 + turn_deg / 180) - turn_deg / 180) * 160 - 0.5
    assert late == pytest.approx(expected, abs=0.01)  # samples: steady again, so exact


@pytest.mark.parametrize("threshold_pct", [5, 10])
def test_interruptions_of_one_to_thirty_cycles(threshold_pct: float) -> None:
    hz = 49.7
    time_s = instants(RATE_HZ, 40)
    spans = [(2 + n + 0.3 / hz, 2 + n + (0.3 + n) / hz) for n in range(2, 31)]
    volts = supply_wave(time_s * hz, 230) * envelope(time_s, [(a, b, 0.0) for a, b in spans])
    ran = run(volts, make_setup(RATE_HZ, interruption=threshold_pct))
    assert [event.kind for event in ran.events] == [Kind.INTERRUPTION] * 29
    for event, (start_s, stop_s) in zip(ran.events, spans, strict=True):
        assert event.duration_s == pytest.approx(stop_s - start_s, abs=1.01 / hz)
        # Only windows wholly inside read below 5 %: within one cycle of the loss itself.
        assert event.below_interruption_s == pytest.approx(stop_s - start_s, abs=1.01 / hz)
        assert event.value_pct == pytest.approx(0, abs=0.001)
    spacing = np.diff(ran.half_cycles[0].start_index)
    # The phase runs on: never half a sample from the half cycle of 49.7 Hz.
    assert spacing == pytest.approx(np.full(len(spacing), RATE_HZ / hz / 2), abs=0.5)


def test_an_interruption_of_a_minute() -> None:
    hz = 49.7
    time_s = instants(RATE_HZ, 66)
    volts = supply_wave(time_s * hz, 230) * envelope(time_s, [(3, 63, 0.0)])
    ran = run(volts, make_setup(RATE_HZ))
    (event,) = ran.events
    assert event.kind is Kind.INTERRUPTION
    assert event.duration_s == pytest.approx(60, abs=1 / hz)
    half = ran.half_cycles[0]
    spacing = np.diff(half.start_index)
    # Ten cycles' slope carried on for 3000 cycles: the meeting of old and new grid may cost a few
    # degrees, here at most a sample (a degree) of one half cycle.
    assert spacing == pytest.approx(np.full(len(spacing), RATE_HZ / hz / 2), abs=1.0)
    assert half.period == pytest.approx(np.full(len(half.period), RATE_HZ / hz), abs=1.0)
    assert np.isfinite(half.urms_v).all()


def test_hysteresis_keeps_one_dip_open() -> None:
    time_s = instants(RATE_HZ, 11)
    levels = [(1, 3, 0.899), (3, 5, 0.905), (5, 7, 0.919), (7, 11, 0.921)]
    ran = run(supply_wave(time_s * 50, 230) * envelope(time_s, levels), make_setup(RATE_HZ))
    (event,) = ran.events
    # Ends with the step to 92.1 % at 7 s, the first level at or above 92 %; on a crossing, so the
    # first window at 7 s exactly. The window half way reads (91.9^2+92.1^2)/2: 92.0 % less 1e-4.
    assert event.start_s + (event.duration_s or 0) == pytest.approx(7.0, abs=0.0101)
    assert event.start_s == pytest.approx(1.0, abs=0.0101)
    assert event.value_pct == pytest.approx(89.9, abs=IDEAL_PCT)


@pytest.mark.parametrize(("level", "n_events"), [(0.901, 0), (0.899, 1), (1.099, 0), (1.101, 1)])
def test_the_edge_of_a_threshold(level: float, n_events: int) -> None:
    assert len(supply_with([Wanted(2, 20, level)], 50).events) == n_events
