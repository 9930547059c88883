"""Statistics by day: against numpy on the same values, across midnight of the site."""

from dataclasses import replace

import numpy as np
import pytest

from daemon.clock import SampleClock
from daemon.daily import DailyStatistics, DayStatistics
from daemon.records import Output, TenMinuteValue, TenSecondFrequency
from daemon.supply_statistics import Quantity, SupplyStatistics
from drivers.clock import ManualClock
from drivers.source import SourceInfo

RATE_HZ = 1000.0
# 2026-03-28 22:00 UTC is 23:00 in Vienna: an hour to local midnight.
START_UTC_S = 1774735200.0


def sample_clock() -> SampleClock:
    info = SourceInfo(RATE_HZ, ("L1",), 16, 800, 500, True, is_live=False, start_utc_s=START_UTC_S)
    return SampleClock(ManualClock(), info)


def ten_minutes(number: int, urms_v: float, *, flagged: bool = False) -> Output:
    start = number * 600 * RATE_HZ
    value = TenMinuteValue(0, start, urms_v, 0.0, 0.0, 2.0, 0.4, flagged)
    return Output(ten_minute=[value])


def of_day(days: list[DayStatistics], day: str) -> SupplyStatistics:
    (found,) = [part.data for part in days if part.day == day]
    return SupplyStatistics.from_bytes(found)


def test_values_fall_on_the_local_day_and_their_percentiles_are_numpys() -> None:
    daily, clock = DailyStatistics(["L1"], 230, "Europe/Vienna"), sample_clock()
    volts = 230 + np.random.default_rng(5).normal(0, 3, 40)
    for number, urms_v in enumerate(volts.tolist()):
        daily.take(ten_minutes(number, urms_v), clock)
    days = daily.finish()
    assert [part.day for part in days] == ["2026-03-28", "2026-03-29"]
    evening = of_day(days, "2026-03-28").of(Quantity.VOLTAGE)
    night = of_day(days, "2026-03-29").of(Quantity.VOLTAGE)
    assert (evening.n_values, night.n_values) == (6, 34)
    # Half a bin of 0.1 % of the declared voltage.
    expected = float(np.percentile(100 * volts[6:] / 230, 95))
    assert night.percentile(95) == pytest.approx(expected, abs=0.051)


@pytest.mark.parametrize("off_s", [-0.005, 0.005])
def test_the_first_slot_of_a_day_is_of_that_day_by_whatever_milliseconds(off_s: float) -> None:
    daily, clock = DailyStatistics(["L1"], 230, "Europe/Vienna"), sample_clock()
    (out,) = ten_minutes(6, 230).ten_minute
    daily.take(Output(ten_minute=[replace(out, start_index=(3600 + off_s) * RATE_HZ)]), clock)
    assert [part.day for part in daily.finish()] == ["2026-03-29"]


def test_a_day_is_given_whenever_it_has_a_new_ten_minute_value() -> None:
    daily, clock = DailyStatistics(["L1"], 230, "Europe/Vienna"), sample_clock()
    frequency = Output(frequencies=[TenSecondFrequency(0, 50.01, False)])
    assert daily.take(frequency, clock) == []
    (day,) = daily.take(ten_minutes(0, 230), clock)
    (again,) = daily.take(ten_minutes(1, 231), clock)
    assert (day.day, again.day, again.channel) == ("2026-03-28", "2026-03-28", "L1")
    kept = SupplyStatistics.from_bytes(again.data)
    assert kept.of(Quantity.VOLTAGE).n_values == 2
    assert kept.of(Quantity.FREQUENCY).n_values == 1
    assert kept.of(Quantity.FLICKER).n_values == 2


def test_flagged_values_are_counted_apart() -> None:
    daily, clock = DailyStatistics(["L1"], 230, "Europe/Vienna"), sample_clock()
    daily.take(ten_minutes(0, 120, flagged=True), clock)
    (day,) = daily.take(ten_minutes(1, 230), clock)
    voltage = SupplyStatistics.from_bytes(day.data).of(Quantity.VOLTAGE)
    assert (voltage.n_values, voltage.n_flagged) == (1, 1)


def test_days_long_over_are_let_go() -> None:
    daily, clock = DailyStatistics(["L1"], 230, "Europe/Vienna"), sample_clock()
    for number in range(6 * 24 * 5):
        daily.take(ten_minutes(number, 230), clock)
    assert len(daily.finish()) == 2
