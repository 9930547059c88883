"""Slots on a sample axis whose clock is never quite right, and what is begun anew at their ticks.

IEC 61000-4-30 edition 3, 4.5 (class A; graded "from memory, high"): at each ten-minute tick of UTC
a new 10/12-cycle interval begins with the first crossing; the one under way is finished, overlaps
it and counts for the ten minutes before. The same holds for the 150/180-cycle interval.

Most tests let ten minutes of the grid pass in seconds: all that counts is samples between ticks.
"""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from daemon.measure.aggregate import TenMinuteAggregates, parts_of
from daemon.measure.channel import ChannelMeter, Supply
from daemon.measure.grid import Slot, SlotGrid, SlotSchedule
from daemon.pipeline import Pipeline
from daemon.plan import ChannelKind, ChannelSetup, PipelineSetup
from daemon.records import BasicIntervals, Output
from daemon.slow_events import SlowLimits
from drivers.source import Block
from tests.signals import blocks, envelope, flat, instants, make_setup, slots_from, supply_wave

Floats = NDArray[np.float64]
RATE_HZ = 8000
CYCLE = 160  # samples at 50 Hz
UPWARD = 159.5  # the first upward crossing of `supply_wave`: half a sample before the 161st

# Where slots lie


def test_slots_of_every_length_by_one_grid() -> None:
    # 12:00:00 UTC of some day is at sample 500, 1 kS/s.
    noon_s = 1_780_000_000 // 86_400 * 86_400 + 43_200
    schedule = SlotSchedule(SlotGrid(-math.inf, 500, noon_s, 1000))
    assert schedule.slot_at(499, 10) == Slot(-9_500, 500, is_cut=False)
    assert schedule.slot_at(500, 10) == Slot(500, 10_500, is_cut=False)
    # A crossing that rounding puts before the tick is at the tick.
    assert schedule.slot_at(499.995, 10) == Slot(500, 10_500, is_cut=False)
    assert schedule.slot_at(700_000, 600) == Slot(600_500, 1_200_500, is_cut=False)
    assert schedule.slot_at(499, 7200) == Slot(500 - 7_200_000, 500, is_cut=False)
    # Two hours begin at even hours of UTC, wherever the grid has its tick.
    later = SlotSchedule(SlotGrid(-math.inf, 500, noon_s + 600, 1000))
    assert later.slot_at(500, 7200) == Slot(-599_500, 6_600_500, is_cut=False)


def test_a_slot_under_way_ends_where_the_newest_grid_has_its_end() -> None:
    schedule = slots_from(0, 1000)
    assert schedule.slot_at(300_000, 600).end_index == 600_000
    # 50 millionths slow, known from 300 s on: 600 s are 599 970 samples, the rest of it 15 less.
    schedule.take(SlotGrid(300_000, 599_985, 600, 999.95))
    assert schedule.slot_at(100_000, 600) == Slot(0, 599_985, is_cut=False)
    assert schedule.slot_at(599_990, 600) == Slot(599_985, 599_985 + 599_970, is_cut=False)


@pytest.mark.parametrize("moved", [-30.0, 30.0])
def test_a_correction_at_a_tick_neither_repeats_nor_loses_a_slot(moved: float) -> None:
    schedule = slots_from(0, 1000)
    schedule.take(SlotGrid(600_010, 600_000 + moved, 600, 1000))
    first, second = schedule.slot_at(599_900, 600), schedule.slot_at(600_015, 600)
    # 30 ms later: the new slot had begun, and stays begun; earlier: it begins where that is known.
    assert first == Slot(0, 600_000, is_cut=False)
    assert second == Slot(600_000, 1_200_000 + moved, is_cut=False)


def test_a_correction_that_says_the_tick_is_over_begins_the_slot_at_once() -> None:
    schedule = slots_from(0, 1000)
    schedule.take(SlotGrid(599_990, 599_970, 600, 1000))
    assert schedule.slot_at(599_980, 600) == Slot(0, 599_990, is_cut=False)
    assert schedule.slot_at(599_990, 600) == Slot(599_990, 1_199_970, is_cut=False)


@pytest.mark.parametrize("hours", [-5, 0, 5])
def test_where_the_clock_was_set_the_slot_is_cut_off(hours: int) -> None:
    schedule = slots_from(0, 1000)
    # At sample 700 000 it is not 11:40 into the run's first hour but 14:10, some hours off.
    tick_s = 3600 * hours + 1200
    schedule.take(SlotGrid(700_000, 700_000 + 350_000, tick_s, 1000))
    assert schedule.slot_at(650_000, 600) == Slot(600_000, 700_000, is_cut=True)
    assert schedule.slot_at(700_000, 600) == Slot(450_000, 1_050_000, is_cut=False)
    # A stage that is behind still gets what was there.
    assert schedule.slot_at(650_000, 600) == Slot(600_000, 700_000, is_cut=True)
    assert schedule.slot_at(1_050_000, 600) == Slot(1_050_000, 1_650_000, is_cut=False)


def test_grids_come_in_order() -> None:
    schedule = slots_from(0, 1000)
    schedule.take(SlotGrid(50, 0, 0, 1000))
    with pytest.raises(ValueError, match="before the one"):
        schedule.take(SlotGrid(49, 0, 0, 1000))
    pipeline = Pipeline(make_setup(RATE_HZ))
    pipeline.feed(Block(0, np.zeros((100, 1), np.float32)))
    with pytest.raises(ValueError, match="already been fed"):
        pipeline.take_grid(SlotGrid(99, 0, 0, RATE_HZ))


def test_a_year_of_corrections_takes_no_room() -> None:
    schedule = slots_from(0, 1000)
    for minute in range(20_001):
        schedule.take(SlotGrid(60_000 * minute, 0.01 * minute, 0, 1000))
    assert len(schedule._grids) < 200  # three hours
    # The tick at 1.2e9 has moved on by 200 samples and not come yet; the one before had moved by
    # ten minutes' less.
    assert schedule.slot_at(1.2e9, 600).start_index == pytest.approx(1.2e9 - 600_000 + 199.9)


GRIDS = st.lists(
    st.tuples(
        st.integers(1, 4000),  # samples since the one before
        st.one_of(st.floats(-4, 4), st.floats(-5000, 5000)),  # by which it moves the ticks
        st.floats(0.9995, 1.0005),  # of the nominal rate
    ),
    max_size=6,
)
Drawn = list[tuple[int, float, float]]
PER_SECOND = 100.0  # samples of the grid: ten minutes are 60 000, and 4 samples are 0.04 s


def drawn_grids(drawn: Drawn, stretch: int = 1) -> list[SlotGrid]:
    grids, from_index = [SlotGrid(-math.inf, 0, 0, PER_SECOND)], 0
    for step, moved, rate in drawn:
        from_index += step * stretch
        before = grids[-1]
        tick_s = round((from_index - before.tick_index) / before.sample_rate_hz) + before.tick_s
        tick_index = before.index_at(tick_s) + moved
        grids.append(SlotGrid(from_index, tick_index, tick_s, PER_SECOND * rate))
    return grids


@settings(max_examples=60, deadline=None, derandomize=True)
@given(drawn=GRIDS)
def test_slots_follow_each_other_and_do_not_depend_on_when_a_grid_was_handed_in(
    drawn: Drawn,
) -> None:
    grids = drawn_grids(drawn)
    whole = SlotSchedule(grids[0])
    for grid in grids[1:]:
        whole.take(grid)
    early, waiting = SlotSchedule(grids[0]), grids[1:]
    index, is_cut = 0.0, False
    while index < 26_000:
        while waiting and waiting[0].from_index <= index:
            early.take(waiting.pop(0))
        slot, known = whole.slot_at(index, 10), early.slot_at(index, 10)
        assert known.start_index == slot.start_index
        assert slot.start_index == index or is_cut or index == 0
        # Its end may still be moved by what is not known yet, but not into what was seen.
        assert known.end_index > index
        assert slot.end_index > index
        index, is_cut = slot.end_index, slot.is_cut


# Basic intervals at a tick


def starts_and_ends(volts: Floats, tick: float) -> tuple[list[float], list[float]]:
    meter = ChannelMeter(RATE_HZ, Supply(230, 50), 0, np.inf, slots_from(tick, RATE_HZ))
    whole = len(volts) // meter.frame_multiple * meter.frame_multiple
    parts = [meter.feed(volts[:whole]).intervals, meter.finish().intervals]
    return (
        [float(start) for part in parts for start in part.start_index],
        [float(end) for part in parts for end in part.end_index],
    )


STEADY = supply_wave(50 * instants(RATE_HZ, 3.05), 230)


@pytest.mark.parametrize(
    ("tick", "anew"),
    [
        (10_000.0, 10_079.5),  # in the middle of the interval from 9759.5 to 11 359.5
        (10_239.5, 10_239.5),  # a crossing exactly at the tick is the first
        (10_240.5, 10_399.5),  # the crossing was just before it
        (9_760.5, 9_919.5),  # the interval has just begun: nine cycles are in both
        (11_199.0, 11_199.5),  # the last cycle but one
        (11_300.0, 11_359.5),  # the last cycle: nothing overlaps
        (9_759.5, 9_759.5),  # where an interval begins anyway
        (-500.0, 159.5),  # long ago
    ],
)
def test_a_new_interval_begins_with_the_first_crossing_after_a_tick(
    tick: float, anew: float
) -> None:
    starts, ends = starts_and_ends(STEADY, tick)
    old = [UPWARD + 10 * CYCLE * n for n in range(15) if UPWARD + 10 * CYCLE * n < tick]
    new = [anew + 10 * CYCLE * n for n in range(15) if anew + 10 * CYCLE * (n + 1.1) < len(STEADY)]
    # A steady sine's crossings are known to a thousandth of a sample.
    assert starts == pytest.approx(old + new, abs=1e-3)
    # The one under way is finished: all are ten cycles.
    assert np.subtract(ends, starts) == pytest.approx(np.full(len(starts), 1600.0), abs=1e-3)


def test_at_60_hz_intervals_of_twelve_cycles() -> None:
    wave = supply_wave(60 * instants(RATE_HZ, 2), 120)
    meter = ChannelMeter(RATE_HZ, Supply(120, 60), 0, np.inf, slots_from(5000.0, RATE_HZ))
    found = meter.feed(wave).intervals
    # Upward crossings each 133.33 samples from 132.83 on: the first from 5000 on is the 38th.
    crossing = [CYCLE_60 * n - 0.5 for n in (1, 13, 25, 37, 38, 50, 62, 74, 86)]
    assert found.start_index[:9] == pytest.approx(crossing, abs=1e-3)


CYCLE_60 = RATE_HZ / 60


def test_the_interval_under_way_counts_for_the_ten_minutes_before() -> None:
    # 230 V up to the tick, then 215 V: of the seven intervals before it the last has 0.2 of its
    # cycles at 230 V and 0.8 at 215 V.
    step = np.where(instants(RATE_HZ, 3.05) * RATE_HZ < 10_080, 1, 215 / 230)
    pipeline = Pipeline(make_setup(RATE_HZ, slot_origin_index=10_080))
    out = pipeline.feed(Block(0, (STEADY * step).astype(np.float32)[:, None]))
    out.ten_minute += pipeline.finish().ten_minute
    (value,) = out.ten_minute
    assert value.start_index == 10_080 - 600 * RATE_HZ
    expected_v = math.sqrt((6.2 * 230**2 + 0.8 * 215**2) / 7)
    assert value.urms_v == pytest.approx(expected_v, abs=0.01)  # 0.005 % of 230 V
    assert value.flagged  # 1.2 s of 600 were seen


def test_lost_samples_across_a_tick() -> None:
    # Lost: 9000 to 12 000; the tick is at 10 000. Five intervals end before, the next begin with
    # the first upward crossing after, and nothing overlaps.
    pipeline = Pipeline(make_setup(RATE_HZ, slot_origin_index=10_000))
    out = pipeline.feed(Block(0, STEADY[:9000].astype(np.float32)[:, None]))
    found = pipeline.feed(Block(12_000, STEADY[12_000:].astype(np.float32)[:, None]))
    end = pipeline.finish()
    parts = [*out.intervals, *found.intervals, *end.intervals]
    starts = [part.start_index for part in parts]
    expected = [UPWARD + 1600 * n for n in range(5)] + [12_159.5 + 1600 * n for n in range(7)]
    assert starts == pytest.approx(expected, abs=1e-3)
    (value,) = [*found.ten_minute, *end.ten_minute]
    assert (value.start_index, value.flagged) == (10_000 - 600 * RATE_HZ, True)


def test_every_ten_minutes_of_a_steady_supply_has_the_same_number_of_intervals() -> None:
    """49.99 Hz: 29 994 cycles in 600 s are 2999.4 intervals. Begun anew, each slot has 3000.

    Not begun anew it would be 3000, 2999, 3000, 2999, 3000: the remainder would wander.
    """
    # The same with a tenth of that: slots of 60 s at 49.99 Hz are 299.94 intervals: 300 each.
    per_s = RATE_HZ / 10
    schedule = slots_from(0.0, per_s)
    meter = ChannelMeter(RATE_HZ, Supply(230, 50), 0, np.inf, schedule)
    tens = TenMinuteAggregates(230, schedule)
    wave, counts = supply_wave(49.99 * instants(RATE_HZ, 190), 230), []
    for start in range(0, len(wave), RATE_HZ):
        found = meter.feed(wave[start : start + RATE_HZ]).intervals
        n = len(found.start_index)
        volts, shares = np.full(n, 230.0), np.zeros((n, 50))
        parts = BasicIntervals(
            0, found.start_index, found.end_index, volts, volts, 0 * volts, shares, volts < 0
        )
        counts += [(value.n_values, value.flagged) for value in tens.feed(parts_of(parts, 230))]
    assert counts == [(300, False)] * 3


# Any split, across ticks and changes of the grid

EVERYTHING_ON = replace(
    make_setup(4000, channels=("L1", "L2", "N"), slow_limits=SlowLimits(5, 0.1, 0.3, 2.0)),
    transient_pct=20.0,
    rapid_change_pct=3.0,
    neutral_earth_v=5.0,
)
EVERYTHING_ON = replace(
    EVERYTHING_ON,
    channels=(
        *EVERYTHING_ON.channels[:2],
        ChannelSetup("N", 2, 1.0, 0.0, ChannelKind.NEUTRAL_TO_EARTH),
    ),
)


def eventful() -> Floats:
    """Flicker from 12 s on (the meter leaves out what is before), a dip and a swell."""
    time_s = instants(4000, 24)
    volts = supply_wave(49.9 * time_s + 0.15, 230) * (1 + 0.01 * np.sin(2 * np.pi * 9 * time_s))
    first = envelope(time_s, [(6.2, 6.4, 0.5), (20.9, 21.0, 1.2)])
    return np.stack([volts * first, volts * 1.02, volts * 0.04], axis=1)


STREAM = eventful()


def run_with(grids: Sequence[SlotGrid], cuts: list[int], lead: int) -> list[Output]:
    """Each grid is handed in at most `lead` samples before the one it counts from."""
    pipeline, waiting, outputs = Pipeline(EVERYTHING_ON), list(grids), []
    for block in blocks(STREAM, cuts):
        stop = block.first_index + len(block.volts)
        while waiting and waiting[0].from_index < stop + lead:
            pipeline.take_grid(waiting.pop(0))
        outputs.append(pipeline.feed(block))
    return [*outputs, pipeline.finish()]


def slow_values(outputs: list[Output]) -> list[object]:
    """All that depends on slots, as bytes, each channel on its own."""
    intervals = [part for out in outputs for part in out.intervals]
    tens = [part for out in outputs for part in out.ten_minute]
    return [
        flat(tuple(sorted(intervals, key=lambda part: (part.channel, part.end_index)))),
        flat(tuple(part for out in outputs for part in out.frequencies)),
        flat(tuple(sorted(tens, key=lambda part: (part.channel, part.start_index)))),
        flat(tuple(event for out in outputs for event in out.events)),
        flat(tuple(found for out in outputs for found in out.findings)),
    ]


CUTS = st.lists(st.integers(1, len(STREAM) - 1), max_size=12)


@settings(max_examples=6, deadline=None, derandomize=True)
@given(cuts=CUTS, drawn=GRIDS, lead=st.integers(0, 50_000))
def test_any_split_gives_the_same_across_ticks_and_grids(
    cuts: list[int], drawn: Drawn, lead: int
) -> None:
    # Ten minutes in 15 s of samples, ten seconds in a quarter of a second.
    first = SlotGrid(0, 7_777, 600, PER_SECOND)
    grids = [first, *drawn_grids(drawn, stretch=8)[1:]]
    whole = slow_values(run_with(grids, [], len(STREAM)))
    assert slow_values(run_with(grids, cuts, lead)) == whole


def test_those_streams_were_not_empty() -> None:
    outputs = run_with([SlotGrid(0, 7_777, 600, PER_SECOND)], [], 0)
    tens = [part for out in outputs for part in out.ten_minute]
    # Ticks at 7777 and 67 777.
    starts = [7_777 - 60_000, 7_777]
    assert [part.start_index for part in tens if part.channel == 0] == starts
    assert len([part for out in outputs for part in out.intervals]) > 300
    assert [part for out in outputs for part in out.frequencies]
    assert any(part.pst is not None for part in tens)
    assert len({event.kind for out in outputs for event in out.events}) >= 2


# Ten-minute values and the flickermeter


def one_line(setup: PipelineSetup, first: SlotGrid, later: Sequence[SlotGrid]) -> Output:
    pipeline, whole = Pipeline(setup), Output()
    pipeline.take_grid(first)
    for grid in later:
        pipeline.take_grid(grid)
    # The first second is measured at once, then ten at a time: here the last ten are full.
    volts = supply_wave(50 * instants(RATE_HZ, 51), 230)
    for block in blocks(volts, list(range(RATE_HZ, len(volts), RATE_HZ))):
        out = pipeline.feed(block)
        whole.ten_minute += out.ten_minute
        whole.frequencies += out.frequencies
    return whole


def test_a_first_slot_too_short_for_flicker_keeps_nothing_waiting() -> None:
    # A tick after 2 s: the meter settles for longer than that. The next after 12 s and 22 s.
    per_s = RATE_HZ / 60
    out = one_line(make_setup(RATE_HZ), SlotGrid(0, 2 * RATE_HZ, 600, per_s), [])
    starts_s = [value.start_index / RATE_HZ for value in out.ten_minute]
    assert starts_s == pytest.approx([-8, 2, 12, 22, 32])
    assert [value.pst is None for value in out.ten_minute] == [True, True, False, False, False]


def test_where_the_clock_becomes_synchronised_a_short_slot_is_flagged() -> None:
    # Ten minutes in ten seconds; at 25 s it turns out to be 4 s later than thought.
    per_s = RATE_HZ / 60
    first = SlotGrid(0, 2 * RATE_HZ, 600, per_s)
    later = SlotGrid(25 * RATE_HZ, 28 * RATE_HZ, 3600, per_s)
    out = one_line(replace(make_setup(RATE_HZ), lamp_v=None), first, [later])
    found = [(round(value.start_index / RATE_HZ, 6), value.flagged) for value in out.ten_minute]
    # 22 s to 25 s, and what is left from 25 s on of a slot that began at 18 s by the new time.
    assert found == [
        (-8, True),
        (2, False),
        (12, False),
        (22, True),
        (18, True),
        (28, False),
        (38, False),
    ]


def test_two_hours_and_their_plt() -> None:
    """Ten minutes in 4 s, two hours in 48 s; of the first the flickermeter settles for 12 s."""
    rate_hz = 4000
    pipeline, tens, twos = Pipeline(make_setup(rate_hz)), [], []
    pipeline.take_grid(SlotGrid(0, 0, 0, rate_hz / 150))
    time_s = instants(rate_hz, 104)
    wobble = 1 + 0.01 * np.sin(2 * np.pi * 9 * time_s) * (1 + 0.2 * np.sin(0.3 * time_s))
    for block in blocks(supply_wave(50 * time_s, 230) * wobble, [200_000]):
        out = pipeline.feed(block)
        tens += out.ten_minute
        twos += out.two_hour
    first, second = twos
    assert (first.start_index, second.start_index) == (0, 48 * rate_hz)
    assert first.plt is None
    inside = [value for value in tens if value.start_index >= 48 * rate_hz][:12]
    # Plt is the cube root of the mean cube of twelve Pst, rms the root of the mean square.
    cubes = [value.pst**3 for value in inside if value.pst is not None]
    assert len(cubes) == 12
    assert second.plt == pytest.approx(float(np.cbrt(np.mean(cubes))), rel=1e-9)
    squares = [value.urms_v**2 for value in inside]
    assert second.urms_v == pytest.approx(math.sqrt(np.mean(squares)), rel=1e-9)
    assert (first.flagged, second.flagged) == (True, True)  # too few Pinst, by this clock


def test_ten_seconds_in_which_the_clock_was_set_give_no_frequency() -> None:
    later = SlotGrid(25 * RATE_HZ, 28 * RATE_HZ, 3600, RATE_HZ)
    out = one_line(make_setup(RATE_HZ), SlotGrid(0, 0, 0, RATE_HZ), [later])
    assert [value.start_index / RATE_HZ for value in out.frequencies] == [0, 10, 28, 38]
