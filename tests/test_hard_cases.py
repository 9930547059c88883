"""Cases that once went wrong: jumps of level and phase, gaps in events, no fundamental."""

import numpy as np
import pytest

from tests.signals import blocks, envelope, instants, make_setup, run, run_blocks, supply_wave

RATE = 16000


@pytest.mark.parametrize("share", [0.94, 0.92])
def test_small_steps_lose_no_half_cycle_and_leave_the_frequency(share: float) -> None:
    # 50.000 Hz; a 6 or 8 % step every half second, no threshold crossed, no phase jump.
    time_s = instants(RATE, 20.5)
    level = np.where(np.mod(time_s, 1) < 0.5, 1, share)
    ran = run(supply_wave(50 * time_s, 230) * level, make_setup(RATE))
    spacing = np.diff(ran.half_cycles[0].start_index)
    assert ran.events == []
    assert [part.frequency_hz for part in ran.frequencies] == pytest.approx([50, 50], abs=0.01)
    assert spacing.max() < 240
    assert max(abs(part.frequency_hz - 50) for part in ran.intervals) < 0.1


@pytest.mark.parametrize("turn_deg", [20, 30, 60])
def test_forward_phase_jumps_lose_no_half_cycle(turn_deg: float) -> None:
    lost = 0
    for k in range(40):
        time_s = instants(RATE, 3)
        turn = np.where(time_s >= 2 + k * 0.0005, turn_deg / 360, 0)
        ran = run(supply_wave(50 * time_s + 0.037 * k + turn, 230), make_setup(RATE))
        lost += bool(np.diff(ran.half_cycles[0].start_index).max() > 240)
    assert lost == 0


def test_a_one_cycle_swell_loses_no_half_cycle() -> None:
    time_s = instants(RATE, 4)
    base = 2.01
    volts = supply_wave(50 * (time_s - base), 230) * envelope(time_s, [(base, base + 0.02, 1.2)])
    assert np.diff(run(volts, make_setup(RATE)).half_cycles[0].start_index).max() < 240


def test_an_event_whose_start_was_not_seen_is_not_complete() -> None:
    # records.Event.complete: "both ends were seen"
    time_s = instants(RATE, 6)
    volts = supply_wave(50 * time_s, 230) * envelope(time_s, [(0, 1, 0.0), (3, 5, 0.6)])
    parts = blocks(volts[:56000], []) + blocks(volts[64000:], [], 64000)
    first, before_gap, after_gap = run_blocks(parts, make_setup(RATE)).events
    assert [before_gap.complete, first.complete, after_gap.complete] == [False, False, False]


def test_an_event_abandoned_at_a_gap_gathers_no_later_ones() -> None:
    time_s = instants(RATE, 40)
    wave = supply_wave(50 * time_s, 230)
    one, two = envelope(time_s, [(4, 5, 0.6)]), envelope(time_s, [(30, 30.2, 0.6)])
    volts = np.stack([wave * one, wave * two], axis=1)
    parts = blocks(volts[:70000], []) + blocks(volts[75000:], [], 75000)
    events = run_blocks(parts, make_setup(RATE, channels=("L1", "L2"))).events
    assert events[-1].channel == "L2"
    assert events[-1].group == events[-1].number


@pytest.mark.parametrize("start_s", [9.75, 9.9, 10.02, 10.5])
def test_a_dip_flags_only_the_slot_it_touches(start_s: float) -> None:
    time_s = instants(RATE, 32)
    ran = run(
        supply_wave(50 * time_s, 230) * envelope(time_s, [(start_s, start_s + 0.06, 0.6)]),
        make_setup(RATE),
    )
    touched = [start_s < 10, start_s > 10, False]
    assert [part.flagged for part in ran.frequencies] == touched


def test_an_interval_touched_by_the_first_milliseconds_of_a_dip_is_flagged() -> None:
    hz, start_s = 51.0, 3.936
    time_s = instants(RATE, 6)
    volts = supply_wave(hz * time_s, 230) * envelope(time_s, [(start_s, start_s + 0.1, 0.6)])
    for part in run(volts, make_setup(RATE)).intervals:
        if not part.flagged:
            assert part.urms_v == pytest.approx(230, abs=0.23)


@pytest.mark.parametrize("hz", [0, 75, 100, 400])
def test_a_frequency_that_was_never_measured_is_not_given_as_good(hz: float) -> None:
    time_s = instants(RATE, 21)
    volts = supply_wave(hz * time_s, 230) if hz else np.full(len(time_s), 230.0)
    found = run(volts, make_setup(RATE)).frequencies
    assert [
        part.frequency_hz for part in found if not part.flagged
    ] == []  # found: 50.0 Hz, unflagged


def test_an_open_interruption_knows_how_long_it_has_lasted() -> None:
    (event,) = run(np.zeros(RATE * 5), make_setup(RATE)).events
    assert event.below_interruption_s is None or event.below_interruption_s > 4
