"""The whole way from blocks to records: splits, gaps, flags, groups, quiet supplies."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from daemon.pipeline import Pipeline, frame_length
from daemon.plan import ChannelSetup
from daemon.records import Kind, Waveform
from daemon.slow_events import SlowLimits
from drivers.source import Block
from tests.signals import (
    STATE_2,
    Harmonics,
    Ran,
    blocks,
    envelope,
    flat,
    instants,
    make_setup,
    run,
    run_blocks,
    supply_wave,
)

Floats = NDArray[np.float64]
RATE_HZ = 8000
LEAD = 0.15  # of a cycle the supply is ahead at the first sample


def eventful(duration_s: float) -> Floats:
    """Two channels: a dip on both, a swell on one, an interruption open at the end, harmonics."""
    time_s = instants(RATE_HZ, duration_s)
    end_s = duration_s
    first = envelope(time_s, [(1.2, 1.33, 0.5), (2.6, 2.7, 1.3), (end_s - 0.4, end_s, 0.0)])
    second = envelope(time_s, [(1.25, 1.4, 0.8)])
    volts = supply_wave(49.87 * time_s + LEAD, 230, STATE_2)
    return np.stack([volts * first, volts * second], axis=1)


SETUP = replace(
    make_setup(RATE_HZ, channels=("L1", "L2"), slow_limits=SlowLimits(5, 0.1, 1.0)),
    transient_pct=20.0,
    rapid_change_pct=3.0,
)
STREAM = eventful(4)
STREAM[round(1.9 * RATE_HZ) + np.arange(3), 0] += [120, 240, 120]  # a short impulse
GAP_AT, GAP_N = 21000, 777  # just after the swell


def with_gap(cuts: list[int]) -> list[Block]:
    before = blocks(STREAM[:GAP_AT], [cut for cut in cuts if cut < GAP_AT])
    after = blocks(
        STREAM[GAP_AT + GAP_N :],
        [cut - GAP_AT - GAP_N for cut in cuts if cut > GAP_AT + GAP_N],
        GAP_AT + GAP_N,
    )
    return before + after


def final(ran: Ran) -> list[object]:
    """Everything, events as they were handed on last, as bytes."""
    parts = (ran.half_cycles, ran.intervals, ran.frequencies, ran.gaps, tuple(ran.events))
    return [flat(part) for part in parts]


WHOLE = final(run(STREAM, SETUP))
WHOLE_WITH_GAP = final(run_blocks(with_gap([]), SETUP))
CUTS = st.lists(st.integers(1, len(STREAM) - 1), max_size=30)


@settings(max_examples=20, deadline=None, derandomize=True)
@given(cuts=CUTS)
def test_any_split_gives_the_same_bit_by_bit(cuts: list[int]) -> None:
    assert final(run_blocks(blocks(STREAM, cuts), SETUP)) == WHOLE


@settings(max_examples=20, deadline=None, derandomize=True)
@given(cuts=CUTS)
def test_any_split_around_lost_samples_gives_the_same(cuts: list[int]) -> None:
    assert final(run_blocks(with_gap(cuts), SETUP)) == WHOLE_WITH_GAP


@pytest.mark.parametrize("size", [1, 7, 160, 8000, 8001])
def test_blocks_of_one_size_give_the_same(size: int) -> None:
    cuts = list(range(size, len(STREAM), size))
    parts = blocks(STREAM, cuts)
    assert len(parts) == -(-len(STREAM) // size)
    assert final(run_blocks(parts, SETUP)) == WHOLE
    assert final(run_blocks(with_gap(cuts), SETUP)) == WHOLE_WITH_GAP


def test_the_split_stream_was_not_empty() -> None:
    ran = run(STREAM, SETUP)
    assert [(event.kind, event.channel) for event in ran.events] == [
        (Kind.DIP, "L1"),
        (Kind.DIP, "L2"),
        (Kind.TRANSIENT, "L1"),
        (Kind.SWELL, "L1"),
        (Kind.INTERRUPTION, "L1"),
    ]
    assert ran.events[0].group == ran.events[1].group  # they overlap
    assert len({event.group for event in ran.events}) == 4


def test_order_of_time_in_every_stream() -> None:
    ran = run_blocks(with_gap([]), SETUP)
    for half in ran.half_cycles:
        assert (np.diff(half.start_index) > 0).all()
    for channel in (0, 1):
        starts = [part.start_index for part in ran.intervals if part.channel == channel]
        assert starts == sorted(starts)


# Lost samples


def test_a_gap_is_told_once_and_no_window_spans_it() -> None:
    ran = run_blocks(with_gap([]), SETUP)
    (gap,) = ran.gaps
    assert (gap.first_index, gap.n_samples) == (GAP_AT, GAP_N)
    for half in ran.half_cycles:
        ends = half.start_index + half.period
        spans = (half.start_index < GAP_AT + GAP_N - 0.5) & (ends > GAP_AT - 0.5)
        assert not spans.any()
    for part in ran.intervals:
        assert part.end_index <= GAP_AT or part.start_index >= GAP_AT + GAP_N - 1


def test_every_gap_is_told_with_its_length() -> None:
    volts = supply_wave(50 * instants(RATE_HZ, 3), 230)
    gaps = [(3000, 1), (9000, 400), (9600, 1), (20000, 100)]
    parts, start = [], 0
    for first, n in gaps:
        parts += blocks(volts[start:first], [start + 11] if start else [], start)
        start = first + n
    parts += blocks(volts[start:], [], start)
    ran = run_blocks(parts, make_setup(RATE_HZ))
    assert [(gap.first_index, gap.n_samples) for gap in ran.gaps] == gaps
    assert ran.events == []


def test_a_stream_that_begins_late_has_a_gap_at_its_start() -> None:
    volts = supply_wave(50 * instants(RATE_HZ, 1), 230)
    ran = run_blocks(blocks(volts, [], first_index=500), make_setup(RATE_HZ))
    assert [(gap.first_index, gap.n_samples) for gap in ran.gaps] == [(0, 500)]
    assert ran.half_cycles[0].start_index[0] >= 499


def test_synchronisation_restarts_after_a_gap() -> None:
    # 12.3 cycles are missing: the grid after the gap follows the new phase from its first window.
    volts = supply_wave(50 * instants(RATE_HZ, 4), 230)
    parts = blocks(volts[:16000], []) + blocks(volts[17968:], [], 17968)
    ran = run_blocks(parts, make_setup(RATE_HZ))
    index = ran.half_cycles[0].start_index
    # Half cycles of 80 samples, crossings half a sample early; a hundredth is far below both.
    assert index == pytest.approx(np.round((index + 0.5) / 80) * 80 - 0.5, abs=0.01)
    assert ran.half_cycles[0].urms_v == pytest.approx(np.full(len(index), 230.0), abs=0.023)
    assert all(part.urms_v == pytest.approx(230, abs=0.023) for part in ran.intervals)


def test_an_event_open_at_a_gap_or_the_end_stays_incomplete() -> None:
    time_s = instants(RATE_HZ, 4)
    volts = supply_wave(50 * time_s, 230) * envelope(time_s, [(1.9, 2.5, 0.6), (3.5, 4, 0.3)])
    parts = blocks(volts[:16000], []) + blocks(volts[20000:], [], 20000)
    dip, last = run_blocks(parts, make_setup(RATE_HZ)).events
    for event, start_s, percent in ((dip, 1.9, 60), (last, 3.5, 30)):
        assert not event.complete
        assert event.duration_s is None
        assert event.start_s == pytest.approx(start_s, abs=0.02)
        assert event.value_pct == pytest.approx(percent, abs=0.2)


def test_a_gap_costs_its_ten_second_slot() -> None:
    volts = supply_wave(50.02 * instants(RATE_HZ, 31), 230)
    parts = blocks(volts[:100000], []) + blocks(volts[104000:], [], 104000)
    ran = run_blocks(parts, make_setup(RATE_HZ))
    good = [part for part in ran.frequencies if not part.flagged]
    assert [part.start_index for part in good] == [0, 160000]
    assert [part.frequency_hz for part in good] == pytest.approx([50.02, 50.02], abs=0.001)


# Runs with nothing, or little, to lock to


@pytest.mark.parametrize("level", [0.0, 1.0, 100.0, 230.0])
def test_direct_voltage_only(level: float) -> None:
    ran = run(np.full(RATE_HZ * 3, level), make_setup(RATE_HZ))
    half = ran.half_cycles[0]
    # No zero crossings at all: windows of one nominal cycle each half cycle, reading the level.
    assert np.diff(half.start_index) == pytest.approx(np.full(len(half.period) - 1, 80.0))
    assert half.period == pytest.approx(np.full(len(half.period), 160.0))
    assert half.urms_v == pytest.approx(np.full(len(half.period), level), abs=1e-4)
    assert len(ran.events) == (level < 207)
    # Neither a frequency nor a share of the fundamental is known.
    assert all(np.isnan(part.thd_pct) for part in ran.intervals)
    assert all(np.isnan(part.frequency_hz) for part in ran.intervals)
    assert len(ran.frequencies) == 0


def test_a_run_that_begins_inside_an_interruption() -> None:
    time_s = instants(RATE_HZ, 6)
    volts = supply_wave(49.7 * time_s, 230) * envelope(time_s, [(0, 2.0, 0.0)])
    ran = run(volts, make_setup(RATE_HZ))
    (event,) = ran.events
    assert event.kind is Kind.INTERRUPTION
    assert event.start_s == pytest.approx(0, abs=0.02)
    assert event.duration_s == pytest.approx(2.0, abs=0.02)  # class A: one cycle
    assert np.isfinite(ran.half_cycles[0].urms_v).all()
    late = ran.half_cycles[0].start_index > 2.5 * RATE_HZ
    spacing = np.diff(ran.half_cycles[0].start_index[late])
    assert spacing == pytest.approx(np.full(len(spacing), RATE_HZ / 49.7 / 2), abs=0.01)


@pytest.mark.parametrize("n_samples", [1, 2, 79, 160, 640, 801, 3000])
def test_the_shortest_runs(n_samples: int) -> None:
    ran = run(supply_wave(50 * instants(RATE_HZ, 1), 230)[:n_samples], make_setup(RATE_HZ))
    assert np.isfinite(ran.half_cycles[0].urms_v).all()
    assert ran.gaps == ()
    assert len(ran.intervals) == n_samples // 1700


def test_nothing_at_all() -> None:
    pipeline = Pipeline(make_setup(RATE_HZ))
    out = pipeline.finish()
    assert (out.half_cycles, out.intervals, out.events, out.gaps) == ([], [], [], [])
    assert pipeline.latest_waves(2)[0].size == 0


# Flags


def test_a_disturbance_flags_the_intervals_it_touches_on_every_channel() -> None:
    # IEC 61000-4-30, 4.7: on any channel, time-coincident values of all.
    time_s = instants(RATE_HZ, 5)
    spans = [(1.25, 1.29), (2.15, 2.65)]  # 2.15 to 2.65 touches the intervals from 2.0 to 2.8
    steps = [(a - LEAD / 50, b - LEAD / 50, 0.4) for a, b in spans]
    wave = supply_wave(50 * time_s + LEAD, 230)
    volts = np.stack([wave * envelope(time_s, steps), wave], axis=1)
    ran = run(volts, make_setup(RATE_HZ, channels=("L1", "L2")))
    for channel in (0, 1):
        for part in (part for part in ran.intervals if part.channel == channel):
            start_s, end_s = part.start_index / RATE_HZ, part.end_index / RATE_HZ
            # 5 ms each side: the half-cycle grid cannot place the edges of a dip any better.
            inner = any(start_s < b - 0.005 and end_s > a + 0.005 for a, b, _ in steps)
            outer = any(start_s < b + 0.005 and end_s > a - 0.005 for a, b, _ in steps)
            assert inner <= part.flagged <= outer
    assert 4 <= sum(part.flagged for part in ran.intervals if part.channel == 1) <= 6


@pytest.mark.parametrize("end_s", [2.31, 2.45, 2.6, 3.0])
def test_a_dip_shortly_before_the_end_flags_its_intervals(end_s: float) -> None:
    time_s = instants(RATE_HZ, end_s)
    volts = supply_wave(43 * time_s, 230) * envelope(time_s, [(2.05, 2.1, 0.5)])
    ran = run(volts, make_setup(RATE_HZ))
    touched = [
        part
        for part in ran.intervals
        if part.start_index < 2.09 * RATE_HZ and part.end_index > 2.06 * RATE_HZ
    ]
    assert touched
    assert all(part.flagged for part in touched)


def test_a_disturbance_flags_its_ten_second_frequency() -> None:
    time_s = instants(RATE_HZ, 31)
    volts = supply_wave(50 * time_s, 230) * envelope(time_s, [(15, 15.1, 0.4)])
    ran = run(volts, make_setup(RATE_HZ))
    assert [part.flagged for part in ran.frequencies] == [False, True, False]
    assert [part.frequency_hz for part in ran.frequencies] == pytest.approx([50] * 3, abs=0.001)


def test_ten_minute_values_hold_the_flag_and_the_energy() -> None:
    # A slot that begins 595 s before the run and one of which five seconds are seen.
    volts = supply_wave(50 * instants(RATE_HZ, 10), 230)
    ran = run(volts, make_setup(RATE_HZ, slot_origin_index=5 * RATE_HZ))
    (value,) = ran.ten_minute
    assert value.start_index == -595 * RATE_HZ
    assert value.urms_v == pytest.approx(230, abs=0.023)
    assert value.flagged  # hardly any of it was seen


# Events beyond voltage


def test_distortion_is_one_event_with_its_maximum_and_when() -> None:
    time_s = instants(RATE_HZ, 45)
    percent = np.select([time_s < 9, time_s < 18, time_s < 24, time_s < 33], [2, 6, 8, 5.5], 2.0)
    third = percent / 100 * np.sin(2 * np.pi * 150 * time_s)
    volts = 230 * np.sqrt(2) * (np.sin(2 * np.pi * 50 * time_s) + third)
    ran = run(volts, make_setup(RATE_HZ, slow_limits=SlowLimits(5, None)))
    (event,) = ran.events
    assert event.kind is Kind.DISTORTION
    # 150/180-cycle values are three seconds apart; the steps fall on their edges within one.
    assert event.start_s == pytest.approx(9, abs=3)
    assert event.start_s + (event.duration_s or 0) == pytest.approx(33, abs=3.1)
    assert event.value == pytest.approx(8, abs=0.01)
    assert event.unit == "%"
    assert 18 - 0.5 <= event.extreme_s <= 24
    assert event.complete
    assert event.threshold == 5
    # Handed on when it opens, deepens and ends, not more often.
    assert len(ran.told) <= 5


def test_frequency_event_once_with_its_extreme() -> None:
    time_s = instants(2000, 100)
    hz = np.select([time_s < 20, time_s < 40, time_s < 60], [50.0, 50.7, 51.0], 50.0)
    cycles = np.cumsum(hz) / 2000
    ran = run(supply_wave(cycles, 230), make_setup(2000, slow_limits=SlowLimits(None, 1)))
    (event,) = ran.events
    assert event.kind is Kind.FREQUENCY
    assert event.unit == "Hz"
    # Slots of ten seconds: the steps lie on their edges.
    assert (event.start_s, event.duration_s) == (20, 40)
    assert event.extreme_s in (40, 50)
    assert event.value == pytest.approx(51, abs=0.01)  # class A
    assert event.value_pct == pytest.approx(102, abs=0.02)
    assert event.threshold == 50.5


# Scaling, polarity, evidence


@pytest.mark.parametrize("gain", [500.0, -500.0])
def test_gain_and_offset_make_mains_volts(gain: float) -> None:
    setup = replace(make_setup(RATE_HZ), channels=(ChannelSetup("L1", 1, gain, 1.65),))
    time_s = instants(RATE_HZ, 2)
    raw = supply_wave(50 * time_s, 230) / gain + 1.65
    ran = run(np.stack([np.zeros(len(raw)), raw], axis=1), setup)
    values = [part.urms_v for part in ran.intervals]
    # float32 samples around 1.65 V resolve 1.2e-7 V, 0.06 mV of mains.
    assert values == pytest.approx([230] * len(values), abs=0.023)


def test_a_clipped_event_says_so() -> None:
    time_s = instants(RATE_HZ, 3)
    volts = supply_wave(50 * time_s, 230) * envelope(time_s, [(1, 1.2, 1.5)])
    setup = replace(make_setup(RATE_HZ), full_scale_v=400.0)
    (clipped,) = run(np.clip(volts, -400, 400), setup).events
    (unclipped,) = run(volts, replace(setup, full_scale_v=500.0)).events
    assert "clipped" in clipped.flags
    assert unclipped.flags == ()


def test_the_waveform_of_an_event_is_the_samples() -> None:
    time_s = instants(RATE_HZ, 3)
    volts = supply_wave(50 * time_s, 230) * envelope(time_s, [(1, 1.2, 0.5)])
    (event,) = run(volts, make_setup(RATE_HZ)).events
    (wave,) = event.waveforms
    assert isinstance(wave, Waveform)
    stop = wave.first_index + len(wave.volts)
    assert np.array_equal(wave.volts, volts[wave.first_index : stop].astype(np.float32))
    assert wave.first_index <= 0.95 * RATE_HZ
    assert stop >= 1.35 * RATE_HZ
    assert event.trace is not None
    assert float(event.trace.urms_v.min()) == np.float32(event.value)


def test_the_newest_whole_cycles() -> None:
    pipeline = Pipeline(make_setup(RATE_HZ))
    for part in blocks(supply_wave(50 * instants(RATE_HZ, 3), 230), [8000, 16000]):
        pipeline.feed(part)
    (wave,) = pipeline.latest_waves(2)
    assert len(wave) == pytest.approx(320, abs=1)
    # From an upward crossing on: half a sample (1.1 degrees) of 325 V peak is 6.4 V.
    assert wave[:3] == pytest.approx(325.27 * np.sin(2 * np.pi * np.arange(0.5, 3) / 160), abs=13)


def test_frames_are_about_a_second_whatever_the_rate() -> None:
    for rate_hz in (2000, 8000, 11025, 16000, 32000, 96000):
        assert frame_length(make_setup(rate_hz)) == pytest.approx(rate_hz, rel=0.01)


# Quiet supplies


def test_ten_quiet_minutes_give_nothing() -> None:
    rate_hz = 4000
    harmonics: Harmonics = {3: (2, 50), 5: (2, 180), 7: (1, 20)}  # 3 % together
    random = np.random.default_rng(7)
    time_s = instants(rate_hz, 600)
    wander = 0.08 * np.sin(2 * np.pi * time_s / 97) + 0.03 * np.sin(2 * np.pi * time_s / 13)
    cycles = np.cumsum(50 + wander) / rate_hz
    volts = supply_wave(cycles, 232, harmonics) * (1 + 0.02 * np.sin(2 * np.pi * time_s / 41))
    volts += random.normal(0, 0.5, len(volts))
    step_v = 1000 / 2**12
    volts = np.round(volts / step_v) * step_v
    ran = run(volts, make_setup(rate_hz, slow_limits=SlowLimits(5, 1)))
    assert ran.told == ()
    assert not any(part.flagged for part in ran.intervals)
    assert len(ran.frequencies) == 59 or len(ran.frequencies) == 60
    mean_hz = [float(np.mean(50 + wander[n * 40000 : (n + 1) * 40000])) for n in range(59)]
    # The slots' mean frequency is known: class A's 10 mHz, half of it for the cycles at the edges.
    assert [part.frequency_hz for part in ran.frequencies[:59]] == pytest.approx(mean_hz, abs=0.005)
    half = ran.half_cycles[0]
    assert np.diff(half.start_index) == pytest.approx(np.full(len(half.period) - 1, 40.0), abs=0.3)


def test_a_supply_on_its_way_through_every_frequency() -> None:
    harmonics: Harmonics = {5: (3, 0)}
    time_s = instants(RATE_HZ, 20)
    cycles = 45 * time_s + time_s**2 / 4  # 45 to 55 Hz in 20 s
    ran = run(supply_wave(cycles, 230, harmonics), make_setup(RATE_HZ))
    assert ran.events == []
    for part in ran.intervals[1:-1]:
        middle_s = (part.start_index + part.end_index + 1) / 2 / RATE_HZ
        # Half a hertz a second: a fortieth of a hertz of bend inside an interval at most.
        assert part.frequency_hz == pytest.approx(45 + middle_s / 2, abs=0.01)
        assert part.urms_v == pytest.approx(230 * np.sqrt(1.0009), abs=0.05)
