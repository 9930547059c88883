"""Aggregation over 150/180 cycles, ten minutes and two hours, worked by hand.

Rules of IEC 61000-4-30 edition 3, 4.4 and 4.5, and annex D, from memory.
"""

import math
from collections.abc import Iterable, Iterator

import numpy as np
import pytest

from daemon.measure.aggregate import (
    Aggregate,
    Parts,
    ShortAggregates,
    TenMinuteAggregates,
    TwoHourAggregates,
    parts_of,
)
from daemon.measure.flicker import ShortTerm
from daemon.records import BasicInterval, BasicIntervals
from tests.signals import slots_from

RATE_HZ = 1000.0
SLOT = 600_000.0


def interval(
    start: float, volts: float = 230.0, length: float = 200.0, **other: object
) -> BasicInterval:
    harmonics = other.get("harmonics", np.full(50, 1.0))
    assert isinstance(harmonics, np.ndarray)
    return BasicInterval(
        channel=2,
        start_index=start,
        end_index=start + length,
        urms_v=volts,
        frequency_hz=50.0,
        thd_pct=float(str(other.get("thd", 3.0))),
        harmonics_pct=harmonics,
        flagged=bool(other.get("flagged", False)),
    )


def run(frequency_hz: float, stop_s: float, first: float = 0.0) -> Iterator[BasicInterval]:
    """Contiguous intervals of ten cycles, counted without adding up rounding errors."""
    n = 0
    while first + n * 10 * RATE_HZ / frequency_hz < stop_s * RATE_HZ:
        yield interval(first + n * 10 * RATE_HZ / frequency_hz, 230, 10 * RATE_HZ / frequency_hz)
        n += 1


def joined(intervals: Iterable[BasicInterval]) -> Parts:
    parts = list(intervals)
    several = BasicIntervals(
        parts[0].channel,
        np.array([part.start_index for part in parts]),
        np.array([part.end_index for part in parts]),
        np.array([part.urms_v for part in parts]),
        np.array([part.frequency_hz for part in parts]),
        np.array([part.thd_pct for part in parts]),
        np.array([part.harmonics_pct for part in parts]),
        np.array([part.flagged for part in parts]),
    )
    return parts_of(several, 230)


def short_of(intervals: Iterable[BasicInterval], origin: float = 0.0) -> list[Aggregate]:
    slots = ShortAggregates(230, slots_from(origin, RATE_HZ))
    return slots.feed(joined(intervals))


def ten_minute_of(intervals: Iterable[BasicInterval], origin: float = 0.0) -> list[Aggregate]:
    slots = TenMinuteAggregates(230, slots_from(origin, RATE_HZ))
    return slots.feed(joined(intervals))


@pytest.mark.parametrize(("frequency_hz", "n_values"), [(50.0, 3000), (49.5, 2970), (50.2, 3012)])
def test_basic_values_in_ten_minutes(frequency_hz: float, n_values: int) -> None:
    # 600 s x frequency / 10. The rate is such that 50 Hz needs no rounding.
    found = ten_minute_of(run(frequency_hz, 601))
    assert [value.n_values for value in found] == [n_values]
    assert (found[0].start_index, found[0].end_index) == (0, SLOT)
    assert not found[0].flagged


def test_the_interval_running_at_a_tick_counts_for_the_old_slot() -> None:
    # 49.7 Hz from 50 ms on, an interval each 201.207 ms: number 2981 runs from 599.849 s to
    # 600.050 s and is the 2982nd of the first slot.
    found = ten_minute_of(run(49.7, 1300, first=50.0))
    assert [value.n_values for value in found] == [2982, 2982]


def test_ten_minutes_with_a_tenth_of_nothing() -> None:
    volts = [0.0 if n % 10 == 0 else 230.0 for n in range(3000)]
    (found,) = ten_minute_of(
        [*(interval(200.0 * n, v) for n, v in enumerate(volts)), interval(SLOT)]
    )
    # 230 x sqrt(0.9)
    assert found.urms_v == pytest.approx(218.197, abs=5e-4)


def test_one_of_fifteen_lower() -> None:
    volts = [230.0] * 14 + [200.0]
    (found,) = short_of(interval(200.0 * n, v) for n, v in enumerate(volts))
    assert found.urms_v == pytest.approx(228.123, abs=5e-4)
    assert (found.start_index, found.end_index, found.n_values) == (0, 3000, 15)
    assert found.channel == 2


def test_two_hundred_blocks_in_ten_minutes() -> None:
    found = short_of(run(50.0, 1200))
    assert len(found) == 400
    assert all(value.end_index - value.start_index == 3000 for value in found)


def test_at_a_tick_the_running_block_is_finished_and_a_new_one_begun() -> None:
    # 50.2 Hz: 3012 intervals in a slot = 200 blocks of 15 and 12 intervals over.
    found = short_of(run(50.2, 620))
    length = 10 * RATE_HZ / 50.2
    old, new = found[200], found[201]
    assert old.start_index == pytest.approx(3000 * length)
    assert old.end_index == pytest.approx(3015 * length)
    assert new.start_index == pytest.approx(3012 * length)
    assert new.end_index == pytest.approx(3027 * length)
    # From here on blocks follow the new one.
    assert found[202].start_index == new.end_index


def test_origin_may_lie_anywhere() -> None:
    found = ten_minute_of(run(50.0, 1300), origin=-150_000.0)
    assert [value.start_index for value in found] == [-150_000, 450_000]
    assert [value.flagged for value in found] == [True, False]  # the first was seen in part
    assert found[0].n_values == 2250
    (tick,) = [
        value for value in short_of(run(50.0, 460), -150_000.0) if value.start_index == 450_000
    ]
    assert tick.n_values == 15


def test_distortion_and_harmonics_are_quadratic_means() -> None:
    parts = [
        interval(200.0 * n, thd=5 + n % 2, harmonics=np.full(50, 3.0 + n % 3)) for n in range(15)
    ]
    (found,) = short_of(parts)
    # Eight fives and seven sixes; five each of three, four, five.
    assert found.thd_pct == pytest.approx(math.sqrt((8 * 25 + 7 * 36) / 15))
    assert found.harmonics_pct == pytest.approx(np.full(50, math.sqrt((9 + 16 + 25) / 3)))


def test_orders_never_seen_stay_unknown_and_others_are_not_spoiled() -> None:
    high = np.full(50, 2.0)
    high[40:] = np.nan
    dead = np.full(50, np.nan)
    parts = [interval(200.0 * n, harmonics=dead if n == 7 else high) for n in range(15)]
    (found,) = short_of(parts)
    assert found.harmonics_pct[:40] == pytest.approx(np.full(40, 2.0))
    assert np.isnan(found.harmonics_pct[40:]).all()


def test_under_and_over_deviation() -> None:
    # Annex D: with 230, 225, 240, 235 V under is 0.53902 %, over 1.64642 %. Four of them fill a
    # slot here that lasts as long as they do.
    slots = TenMinuteAggregates(230, slots_from(0, 1.0))
    for n, volts in enumerate([230.0, 225.0, 240.0, 235.0]):
        assert slots.feed(joined([interval(150.0 * n, volts, 150.0)])) == []
    (found,) = slots.feed(joined([interval(600.0, 230, 150.0)]))
    assert found.under_pct == pytest.approx(0.53902, abs=5e-6)
    assert found.over_pct == pytest.approx(1.64642, abs=5e-6)


def test_deviations_are_never_negative() -> None:
    (found,) = short_of(interval(200.0 * n, 230.0) for n in range(15))
    assert (found.under_pct, found.over_pct) == (0, 0)


def test_a_flag_spreads_to_all_that_hold_it_and_no_further() -> None:
    parts = [interval(200.0 * n, flagged=n == 20) for n in range(6001)]
    blocks, tens = short_of(parts), ten_minute_of(parts)
    assert [n for n, value in enumerate(blocks) if value.flagged] == [1]
    assert [value.flagged for value in tens] == [True, False]


def test_a_flagged_value_is_kept() -> None:
    (found,) = short_of(interval(200.0 * n, 230 if n else 100, flagged=not n) for n in range(15))
    assert found.urms_v == pytest.approx(math.sqrt((14 * 230**2 + 100**2) / 15))


def test_restart_drops_what_was_under_way() -> None:
    slots = ShortAggregates(230, slots_from(0, RATE_HZ))
    for n in range(10):
        slots.feed(joined([interval(200.0 * n)]))
    slots.restart()
    found = slots.feed(joined(interval(9000.0 + 200 * n) for n in range(15)))
    assert [(value.start_index, value.n_values) for value in found] == [(9000, 15)]


def test_a_gap_flags_the_ten_minutes() -> None:
    parts = [interval(200.0 * n) for n in range(3001) if not 100 <= n < 140]
    (found,) = ten_minute_of(parts)
    assert (found.n_values, found.flagged) == (2960, True)


def ten_minutes(n: int, volts: float, *, flagged: bool = False) -> Aggregate:
    harmonics = np.full(50, 1.0)
    under, over = max(0.0, 100 - volts / 2.3), max(0.0, volts / 2.3 - 100)
    return Aggregate(0, SLOT * n, SLOT * (n + 1), 3000, volts, under, over, 2.0, harmonics, flagged)


def test_two_hours_of_twelve() -> None:
    slots = TwoHourAggregates(230, slots_from(0, RATE_HZ))
    volts = [240.0] * 6 + [220.0] * 6
    found = [value for n, v in enumerate(volts) for value in slots.feed(ten_minutes(n, v))]
    (value,) = found
    assert value.urms_v == pytest.approx(math.sqrt((240**2 + 220**2) / 2))
    assert (value.start_index, value.end_index, value.n_values) == (0, 12 * SLOT, 12)
    assert not value.flagged
    # Half of the time at 240 V, else as if declared; and the same below.
    assert value.over_pct == pytest.approx(100 * (math.sqrt((240**2 + 230**2) / 2) / 230 - 1))
    assert value.under_pct == pytest.approx(100 * (1 - math.sqrt((220**2 + 230**2) / 2) / 230))


def test_two_hours_begun_late_or_flagged() -> None:
    slots = TwoHourAggregates(230, slots_from(0, RATE_HZ))
    fed = [ten_minutes(n, 230, flagged=n == 15) for n in range(5, 25)]
    found = [value for each in fed for value in slots.feed(each)]
    assert [(value.n_values, value.flagged) for value in found] == [(7, True), (12, True)]


def test_long_term_flicker_of_twelve_short_terms() -> None:
    # IEC 61000-4-15, from memory: the cube root of the mean cube; cbrt((11 x 0.125 + 8) / 12).
    slots = TwoHourAggregates(230, slots_from(0, RATE_HZ))
    found = []
    for n in range(36):
        pst = ShortTerm(SLOT * n, 2.0 if n % 12 == 3 else 0.5, flagged=n == 14)
        found += slots.feed(ten_minutes(n, 230), None if n == 30 else pst)
    assert [value.start_index for value in found] == [0, 12 * SLOT, 24 * SLOT]
    assert [value.flagged for value in found] == [False, True, False]
    assert [value.plt for value in found[:2]] == pytest.approx([0.92101] * 2, abs=1e-5)
    assert found[2].plt is None  # one of its twelve is not known


def test_two_hours_left_unfilled_are_told_when_the_next_begin() -> None:
    slots = TwoHourAggregates(230, slots_from(0, RATE_HZ))
    assert slots.feed(ten_minutes(3, 230)) == []
    (found,) = slots.feed(ten_minutes(14, 230))
    assert (found.start_index, found.n_values, found.flagged) == (0, 1, True)
