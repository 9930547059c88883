"""Slots stay on UTC although the converter's crystal does not."""

import math

import numpy as np
import pytest

from daemon.clock import SampleClock
from daemon.measure.grid import SlotGrid, SlotSchedule
from daemon.slot_clock import SlotClock
from drivers.clock import ManualClock
from drivers.source import SourceInfo

RATE_HZ = 8000
BLOCK_S = 20
BLOCK = BLOCK_S * RATE_HZ
TICK_S = 1_780_000_200  # 600 divides it
START_UTC_S = TICK_S + 100.25


class Converter:
    """A live input, off by so many millionths, whose blocks arrive up to 3 ms late."""

    def __init__(self, off_ppm: float = 0.0, *, is_synchronised: bool = True) -> None:
        self.clock = ManualClock(utc_s=START_UTC_S)
        self.clock.synchronised = is_synchronised
        info = SourceInfo(RATE_HZ, ("L1",), 16, 800.0, 3000.0, True, is_live=True)
        self.sample_clock = SampleClock(self.clock, info)
        origin, second = self.sample_clock.slot_origin_index, self.sample_clock.slot_origin_s
        first = SlotGrid(-math.inf, origin, second, RATE_HZ)
        self.schedule = SlotSchedule(first)
        self._slot_clock = SlotClock(self.sample_clock, RATE_HZ, first)
        self._per_block_s = BLOCK_S * (1 + off_ppm / 1e6)
        self._random = np.random.default_rng(3)
        self._next_index = 0
        self._late_s = 0.0
        self.grids: list[SlotGrid] = []

    def run(self, duration_s: float) -> None:
        for _ in range(round(duration_s / BLOCK_S)):
            late_s = float(self._random.uniform(0, 0.003))
            self.clock.advance_s(self._per_block_s + late_s - self._late_s)
            self._late_s = late_s
            self.sample_clock.look()
            first_index, self._next_index = self._next_index, self._next_index + BLOCK
            self.sample_clock.note_arrival(self._next_index, self.clock.monotonic_ns())
            grid = self._slot_clock.look(first_index)
            if grid is not None:
                self.schedule.take(grid)
                self.grids.append(grid)

    def utc_s(self, index: float) -> float:
        """The truth, as long as nobody set the clock."""
        return START_UTC_S + index * self._per_block_s / BLOCK

    def off_s(self, index: float, length_s: int = 600) -> float:
        """By how much the slot at a sample begins too late."""
        start_s = self.utc_s(self.schedule.slot_at(index, length_s).start_index)
        return (start_s + length_s / 2) % length_s - length_s / 2


@pytest.mark.parametrize(
    ("off_ppm", "days"),
    [(50.0, 1), (-50.0, 1), pytest.param(50.0, 7, marks=pytest.mark.soak)],
)
def test_after_days_slots_still_begin_at_ticks(off_ppm: float, days: int) -> None:
    """50 millionths are 4 s a day; class A allows 20 ms (IEC 61000-4-30, 4.6, memory)."""
    converter = Converter(off_ppm)
    worst_s = 0.0
    for _ in range(4 * days):
        converter.run(86_400 / 4)
        newest = converter._next_index - BLOCK
        worst_s = max([worst_s, *(abs(converter.off_s(newest, n)) for n in (10, 600, 7200))])
    # Blocks are up to 3 ms late, and corrections begin at 2 ms.
    assert worst_s < 0.005
    # Hardly anything to correct once the rate is known: less than one an hour, and nothing cut.
    assert len(converter.grids) < 24 * days
    sure = converter.schedule.slot_at(converter._next_index - BLOCK - 700 * RATE_HZ, 600)
    assert not sure.is_cut


def test_a_converter_that_is_right_needs_no_correction() -> None:
    converter = Converter(0.0)
    converter.run(6 * 3600)
    # The first grid says when the first block was there; what follows are its 3 ms.
    assert len(converter.grids) <= 4
    assert abs(converter.off_s(6 * 3600 * RATE_HZ - BLOCK)) < 0.005


def test_before_the_first_sample_is_measured_the_time_it_took_to_open_is_known() -> None:
    converter = Converter()
    converter.clock.advance_s(3.5)  # between opening and the first sample
    converter.run(BLOCK_S)
    (grid,) = converter.grids
    assert grid.from_index == 0
    # The next tick is 496.25 s after the first sample; the block was up to 3 ms late.
    assert grid.index_at(TICK_S + 600) == pytest.approx(496.25 * RATE_HZ, abs=0.003 * RATE_HZ)


def test_a_clock_that_was_never_synchronised_moves_nothing() -> None:
    converter = Converter(is_synchronised=False)
    converter.run(1800)
    given = len(converter.grids)
    assert given <= 1  # when the first block arrived
    converter.clock.step_utc_s(7777.0)
    converter.run(1800)
    assert len(converter.grids) == given
    assert not converter.schedule.slot_at(1800 * RATE_HZ, 600).is_cut


def test_where_the_clock_becomes_synchronised_slots_move_to_utc() -> None:
    converter = Converter(is_synchronised=False)
    converter.run(1000)
    converter.clock.step_utc_s(3 * 86_400.0 + 123.0)
    converter.clock.synchronised = True
    converter.run(1000)
    cut = converter.schedule.slot_at(995 * RATE_HZ, 600)
    assert cut.is_cut
    assert cut.end_index == pytest.approx(1000 * RATE_HZ, abs=3 * BLOCK)
    after = converter.schedule.slot_at(1100 * RATE_HZ, 600)
    assert not after.is_cut
    # By the new time the run began at 100.25 + 123 s into a slot.
    assert (after.start_index / RATE_HZ + 223.25 + 300) % 600 == pytest.approx(300, abs=0.005)


def test_after_lost_samples_slots_wait_until_the_rate_is_known() -> None:
    converter = Converter(50.0)
    converter.run(1800)
    given = len(converter.grids)
    converter.sample_clock.note_gap()
    converter.clock.advance_s(0.2)  # the next block is late, because of what lost the samples
    converter.run(40)
    assert len(converter.grids) == given


def test_a_recording_counts_by_its_own_time() -> None:
    info = SourceInfo(RATE_HZ, ("L1",), 16, 800.0, 3000.0, True, False, START_UTC_S)
    sample_clock = SampleClock(ManualClock(), info)
    assert sample_clock.slot_origin_s == TICK_S
    first = SlotGrid(-math.inf, sample_clock.slot_origin_index, TICK_S, RATE_HZ)
    assert SlotClock(sample_clock, RATE_HZ, first).look(0) is None


def test_a_recording_of_unknown_time_counts_from_its_first_sample() -> None:
    info = SourceInfo(RATE_HZ, ("L1",), 16, 800.0, 3000.0, True, is_live=False)
    sample_clock = SampleClock(ManualClock(), info)
    assert (sample_clock.slot_origin_index, sample_clock.slot_origin_s) == (0, 0)
