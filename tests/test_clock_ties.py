"""A wall clock that is set, found late, or wrong: stamps get better and stay in order."""

import itertools

import pytest

from daemon.clock import SampleClock, TieChange, TieHistory
from drivers.clock import ManualClock
from drivers.source import SourceInfo

RATE_HZ = 1000.0
TRUE_UTC_S = 1_780_000_000.0


class Bench:
    """A monitor's clock beside the true time, which only the bench knows."""

    def __init__(self, wrong_by_s: float = 0.0, *, synchronised: bool = True) -> None:
        self.clock = ManualClock(utc_s=TRUE_UTC_S + wrong_by_s)
        self.clock.synchronised = synchronised
        self.sample_clock = SampleClock(
            self.clock, SourceInfo(RATE_HZ, ("L1",), 16, 800.0, 500.0, True, True)
        )
        self.seconds = 0
        self.changes: list[TieChange] = []

    def watch(self, n_seconds: int, every_s: int = 1) -> None:
        for _ in range(0, n_seconds, every_s):
            self.seconds += every_s
            self.clock.advance_s(every_s)
            self.sample_clock.note_arrival(round(self.seconds * RATE_HZ), self.clock.monotonic_ns())
            change = self.sample_clock.look()
            if change is not None:
                self.changes.append(change)

    def error_s(self, second: float) -> float:
        return self.sample_clock.corrected_utc_s(second * RATE_HZ) - (TRUE_UTC_S + second)

    def order(self) -> None:
        """Stamps come in the order of the samples, whatever happened to the clock."""
        stamps = [
            self.sample_clock.corrected_utc_s(RATE_HZ * second)
            for second in range(0, self.seconds, max(self.seconds // 300, 1))
        ]
        assert all(earlier < later for earlier, later in itertools.pairwise(stamps))


def test_the_time_that_arrives_an_hour_late_corrects_what_was_before() -> None:
    """A Pi without a clock of its own: it starts at its last shutdown, three days ago."""
    bench = Bench(-3 * 86400.0, synchronised=False)
    bench.watch(3600)
    assert bench.error_s(1800) == pytest.approx(-3 * 86400.0, abs=0.01)
    assert bench.sample_clock.state_at(1800 * RATE_HZ) == "free"
    bench.clock.step_utc_s(3 * 86400.0)
    bench.clock.synchronised = True
    bench.watch(60)
    (change,) = bench.changes
    assert change.is_correction
    assert change.step_s == pytest.approx(3 * 86400.0, abs=1e-6)
    for second in (0, 1800, 3599, 3650):
        assert bench.error_s(second) == pytest.approx(0.0, abs=0.01)
    assert bench.sample_clock.state_at(1800 * RATE_HZ) == "corrected"
    assert bench.sample_clock.state_at(3650 * RATE_HZ) == "synchronised"
    # the stamp that was given at the time is kept
    stamped_s = bench.sample_clock.stamped_utc_s(1800 * RATE_HZ)
    assert stamped_s == pytest.approx(TRUE_UTC_S + 1800 - 3 * 86400.0, abs=0.01)
    bench.order()


def test_a_time_source_found_without_a_step_makes_the_stamps_corrected() -> None:
    bench = Bench(0.001, synchronised=False)
    bench.watch(10)
    bench.clock.synchronised = True
    bench.watch(10)
    (change,) = bench.changes
    assert change.is_correction
    assert change.step_s == 0.0
    assert bench.sample_clock.state_at(5 * RATE_HZ) == "corrected"


@pytest.mark.parametrize("step_s", [3600.0, -3600.0])
def test_a_clock_set_by_hand_and_put_right_again(step_s: float) -> None:
    """Setting a clock by hand makes the kernel call it unsynchronised (ntp_clear in Linux)."""
    bench = Bench()
    bench.watch(600)
    bench.clock.step_utc_s(step_s)
    bench.clock.synchronised = False
    bench.watch(600)
    for second in (300, 900):
        assert bench.error_s(second) == pytest.approx(0.0, abs=0.01)
    bench.clock.step_utc_s(-step_s)
    bench.clock.synchronised = True
    bench.watch(600)
    for second in (300, 900, 1500):
        assert bench.error_s(second) == pytest.approx(0.0, abs=0.01)
    stamped_s = bench.sample_clock.stamped_utc_s(900 * RATE_HZ)
    assert stamped_s == pytest.approx(TRUE_UTC_S + 900 + step_s, abs=0.01)
    assert [change.step_s for change in bench.changes] == pytest.approx([step_s, -step_s])
    bench.order()


@pytest.mark.parametrize("step_s", [3600.0, -3600.0])
def test_of_two_synchronised_times_that_contradict_each_other_the_later_counts(
    step_s: float,
) -> None:
    bench = Bench(-step_s)
    bench.watch(600)
    bench.clock.step_utc_s(step_s)
    bench.watch(600)
    assert bench.error_s(300) == pytest.approx(0.0, abs=0.01)
    assert bench.sample_clock.state_at(300 * RATE_HZ) == "corrected"
    assert bench.changes[0].is_correction
    bench.order()


def test_without_any_time_source_the_last_setting_counts() -> None:
    bench = Bench(-5000.0, synchronised=False)
    bench.watch(300)
    bench.clock.step_utc_s(5000.0)
    bench.watch(300)
    assert bench.error_s(100) == pytest.approx(0.0, abs=0.01)
    assert bench.sample_clock.state_at(100 * RATE_HZ) == "free"
    bench.order()


def test_many_steps_never_reorder() -> None:
    bench = Bench(synchronised=False)
    steps_s = [3600.0, -7200.0, 0.04, -0.2, 86400.0, -3600.0, 1.0]
    for number, step_s in enumerate(steps_s * 3):
        bench.clock.step_utc_s(step_s)
        bench.clock.synchronised = number % 3 == 1
        bench.watch(7)
        bench.order()


def test_a_week_with_small_corrections_stays_in_order_and_small() -> None:
    """Steps below the noise of reading are not noted, so the history of a week stays short."""
    bench = Bench()
    for hour in range(24 * 7):
        bench.clock.step_utc_s(0.004 if hour % 2 else -0.004)
        bench.watch(3600, every_s=120)
    assert len(bench.sample_clock.history.ties) < 200
    assert abs(bench.error_s(7 * 86400 - 1)) < 0.01
    bench.order()


def test_a_restart_with_a_wrong_clock_still_follows_the_run_before() -> None:
    """Run one ends; the machine starts with a clock an hour behind; the time comes later."""
    first = Bench()
    first.watch(7200)
    last_s = first.sample_clock.corrected_utc_s(7200 * RATE_HZ)
    second = Bench(7200.0 + 60.0 - 3600.0, synchronised=False)  # truly a minute later
    second.watch(100)
    assert second.sample_clock.corrected_utc_s(0) < last_s
    second.clock.step_utc_s(3600.0)
    second.clock.synchronised = True
    second.watch(10)
    assert second.sample_clock.corrected_utc_s(0) == pytest.approx(last_s + 60.0, abs=0.01)


def test_a_leap_of_the_time_zone_is_nothing_to_utc(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench()
    bench.watch(60)
    for zone in ("Europe/Vienna", "Pacific/Apia", "UTC"):
        monkeypatch.setenv("TZ", zone)
        bench.watch(60)
    assert bench.changes == []
    assert bench.error_s(100) == pytest.approx(0.0, abs=0.01)


def test_blocks_late_by_seconds_are_stamped_when_they_were_taken() -> None:
    bench = Bench()
    bench.watch(120)
    bench.clock.advance_s(8.0)  # the measuring process was held up
    bench.seconds += 8
    bench.watch(1)
    for second in (119, 121, 125, 128):
        assert bench.error_s(second) == pytest.approx(0.0, abs=0.01)


def test_both_stamps_follow_from_the_ties_alone() -> None:
    """What is written to the database is enough to do it again."""
    bench = Bench(-100.0, synchronised=False)
    bench.watch(50)
    bench.clock.step_utc_s(100.0)
    bench.clock.synchronised = True
    bench.watch(50)
    again = TieHistory(tuple(bench.sample_clock.history.ties))
    monotonic_s = again.ties[0].monotonic_s + 20.0
    assert again.corrected_utc_s(monotonic_s) - again.stamped_utc_s(monotonic_s) == pytest.approx(
        100.0
    )


def test_a_computer_that_slept_is_no_clock_that_was_set() -> None:
    bench = Bench()
    bench.watch(305)
    bench.clock.suspend_s(7200.0)
    bench.watch(2000)
    assert bench.changes == []
    sample_clock = bench.sample_clock
    sleep = sample_clock.take_sleep()
    assert sleep is not None
    assert sleep.index == 305_000
    assert sleep.duration_s == pytest.approx(7200.0, abs=1e-6)
    assert sample_clock.take_sleep() is None
    # the samples before keep their time, those after are two hours later, at once and for good
    for before_s in (0, 200, 304, 305):
        assert bench.error_s(before_s) == pytest.approx(0.0, abs=0.01)
    for after_s in (305.01, 306, 310, 500, 900, 2000, 2305):
        assert bench.error_s(after_s) == pytest.approx(7200.0, abs=0.01)
    assert sample_clock.state_at(200 * RATE_HZ) == "synchronised"
    bench.order()


def test_the_index_of_now_and_of_a_time_on_the_wall() -> None:
    bench = Bench(-500.0, synchronised=False)
    assert bench.sample_clock.now_index == 0.0
    bench.watch(100)
    bench.clock.advance_s(0.25)
    now_utc_s = bench.clock.utc_ns() / 1e9
    # a double of this size, in seconds since 1970, resolves 0.24 us
    assert bench.sample_clock.now_index == pytest.approx(100_250, abs=0.01)
    assert bench.sample_clock.utc_s(100_250) == pytest.approx(now_utc_s, abs=1e-5)
    assert bench.sample_clock.index_of_utc_s(now_utc_s - 60) == pytest.approx(40_250, abs=0.01)
    assert bench.sample_clock.index_of_utc_s(now_utc_s - 200) is None


def test_the_first_stamp_is_told_where_a_better_one_is_known() -> None:
    bench = Bench(-100.0, synchronised=False)
    bench.watch(50)
    assert bench.sample_clock.first_stamp(20 * RATE_HZ) is None
    bench.clock.step_utc_s(100.0)
    bench.clock.synchronised = True
    bench.watch(50)
    first = bench.sample_clock.first_stamp(20 * RATE_HZ)
    assert first is not None
    assert first.clock == "free"
    assert first.utc_s == pytest.approx(TRUE_UTC_S + 20 - 100, abs=0.01)
    assert bench.sample_clock.first_stamp(80 * RATE_HZ) is None
