"""The tie between sample index, monotonic time and UTC."""

import pytest

from daemon.clock import STEP_S, SampleClock
from daemon.timebase import BUCKET_S, RECENT_BUCKETS
from drivers.clock import ManualClock, SystemClock
from drivers.source import SourceInfo

RATE_HZ = 1000.0
START_UTC_S = 1_780_000_000.0


def info(*, is_live: bool = True, start_utc_s: float | None = None) -> SourceInfo:
    return SourceInfo(RATE_HZ, ("L1",), 16, 800.0, 500.0, True, is_live, start_utc_s)


def arrive(sample_clock: SampleClock, clock: ManualClock, next_index: int) -> None:
    sample_clock.note_arrival(next_index, clock.monotonic_ns())


def test_a_recording_brings_its_own_time() -> None:
    clock = ManualClock()
    sample_clock = SampleClock(clock, info(is_live=False, start_utc_s=1_000_000.5))
    arrive(sample_clock, clock, 2000)
    assert sample_clock.utc_s(2500) == 1_000_003.0
    assert sample_clock.state == "recording"


def test_a_recording_without_a_time_starts_when_it_was_opened() -> None:
    clock = ManualClock(utc_s=START_UTC_S)
    sample_clock = SampleClock(clock, info(is_live=False))
    clock.advance_s(100.0)  # it plays faster or slower than it was: arrival says nothing
    arrive(sample_clock, clock, 1000)
    assert sample_clock.utc_s(1000) == pytest.approx(START_UTC_S + 1.0, abs=1e-6)
    assert sample_clock.state == "recording"


def test_a_live_input_is_tied_to_the_least_late_block() -> None:
    clock = ManualClock(utc_s=START_UTC_S)
    sample_clock = SampleClock(clock, info())
    assert sample_clock.utc_s(0) == START_UTC_S  # nothing has arrived yet
    lateness_s = [0.030, 0.004, 0.500, 0.012]
    for number, late_s in enumerate(lateness_s, start=1):
        due_s = number * 1.0
        clock.advance_s(START_UTC_S + due_s + late_s - clock.utc_ns() / 1e9)
        arrive(sample_clock, clock, round(due_s * RATE_HZ))
    # sample 4000 was taken 4 s after the start; the tie is late by the least that was seen, 4 ms
    assert sample_clock.utc_s(4000) == pytest.approx(START_UTC_S + 4.004, abs=1e-5)


def test_the_tie_follows_a_converter_that_is_slow() -> None:
    """50 millionths off for an hour are 180 ms; the tie must not keep them."""
    clock = ManualClock(utc_s=START_UTC_S)
    sample_clock = SampleClock(clock, info())
    for second in range(1, 3601):
        clock.advance_s(1.0 + 50e-6)
        arrive(sample_clock, clock, second * 1000)
    now_utc_s = clock.utc_ns() / 1e9
    # a tie at most a minute and a bucket old is off by at most 70 s x 50e-6
    most_s = (RECENT_BUCKETS + 1) * BUCKET_S * 50e-6
    assert sample_clock.utc_s(3_600_000) == pytest.approx(now_utc_s, abs=most_s)


def test_a_clock_that_is_set_moves_the_stamps_and_is_told_once() -> None:
    clock = ManualClock(utc_s=START_UTC_S)
    sample_clock = SampleClock(clock, info())
    clock.advance_s(1.0)
    arrive(sample_clock, clock, 1000)
    assert sample_clock.look() is None
    clock.step_utc_s(-3600.0)
    change = sample_clock.look()
    assert change is not None
    assert change.step_s == pytest.approx(-3600.0, abs=1e-6)
    assert sample_clock.look() is None
    assert sample_clock.utc_s(1000) == pytest.approx(START_UTC_S + 1.0 - 3600.0, abs=1e-5)


@pytest.mark.parametrize(("step_s", "is_told"), [(0.9 * STEP_S, False), (-1.1 * STEP_S, True)])
def test_small_corrections_are_not_a_step(step_s: float, is_told: bool) -> None:
    clock = ManualClock()
    sample_clock = SampleClock(clock, info())
    clock.step_utc_s(step_s)
    change = sample_clock.look()
    assert change is not None  # the tie moved
    assert bool(change.step_s) is is_told


def test_a_recording_does_not_care_about_the_clock() -> None:
    clock = ManualClock()
    sample_clock = SampleClock(clock, info(is_live=False, start_utc_s=1.0))
    clock.step_utc_s(86400.0)
    assert sample_clock.look() is None
    assert sample_clock.utc_s(0) == 1.0


def test_the_state_follows_the_kernel() -> None:
    clock = ManualClock()
    sample_clock = SampleClock(clock, info())
    assert sample_clock.state == "synchronised"
    clock.synchronised = False
    assert sample_clock.state == "free"


def test_the_system_clock_reads_the_operating_system() -> None:
    clock = SystemClock()
    first_ns = clock.monotonic_ns()
    clock.sleep_s(0.01)
    clock.sleep_s(-1.0)
    assert clock.monotonic_ns() - first_ns >= 10_000_000
    assert clock.utc_ns() > START_UTC_S * 1e9 * 0.5
    assert isinstance(clock.is_synchronised(), bool)
