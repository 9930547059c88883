"""Repetition at fixed times against times strewn at random."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from daemon.fixed_times import repetition

MONDAY = datetime(2026, 3, 2)  # noqa: DTZ001  (local times)


def at(day: int, hour: int, minute: float) -> datetime:
    return MONDAY + timedelta(days=day, hours=hour, minutes=minute)


def test_a_time_of_day() -> None:
    times = [at(day, 6, 30 + day % 3) for day in range(7)]
    found = repetition([*times, at(1, 14, 3), at(4, 2, 40), at(5, 21, 9)])
    assert found is not None
    assert found.n_events == 7
    assert "7 of 10 events came within 10 minutes of 06:3" in found.text
    assert "on 7 of 7 days" in found.text
    # 7 of 7 days with p = 1 - exp(-10/7 x 10/1440) = 0.0099 each, at 144 places.
    assert found.chance == pytest.approx(144 * 0.009871**7, rel=0.01)


def test_a_time_of_day_around_midnight() -> None:
    times = [at(0, 23, 58), at(2, 0, 3), at(2, 23, 57), at(4, 0, 1), at(5, 0, 2)]
    found = repetition(times)
    assert found is not None
    assert found.n_events == 5


def test_an_interval() -> None:
    random = np.random.default_rng(1)
    minutes = np.arange(14) * 23 + random.uniform(-0.4, 0.4, 14)
    found = repetition([at(0, 8, float(minute)) for minute in minutes])
    assert found is not None
    assert found.text == "13 of 13 intervals between events lie within 5 % of 23 min"


def test_an_interval_across_a_change_of_the_clocks() -> None:
    # Europe/Vienna goes to summer time on 2026-03-29 at 01:00 UTC.
    zone = ZoneInfo("Europe/Vienna")
    first = datetime(2026, 3, 28, 20, tzinfo=UTC)
    times = [(first + timedelta(hours=2 * n)).astimezone(zone) for n in range(8)]
    found = repetition(times)
    assert found is not None
    assert found.text.endswith("7 of 7 intervals between events lie within 5 % of 2.0 h")


def test_random_times_seldom_look_regular() -> None:
    random = np.random.default_rng(2)
    regular = 0
    for _ in range(300):
        minutes = random.uniform(0, 14 * 24 * 60, int(random.integers(3, 60)))
        regular += repetition([at(0, 0, float(minute)) for minute in minutes]) is not None
    # 1 % for each of two regularities; three standard deviations of 300 trials on top.
    assert regular <= 300 * 0.02 + 3 * (300 * 0.02) ** 0.5


@pytest.mark.parametrize("count", [0, 1, 2, 5])
def test_too_few_to_say(count: int) -> None:
    assert repetition([at(0, 8, 20.0 * n) for n in range(count)]) is None


def test_any_number_of_events_is_answered_for() -> None:
    random = np.random.default_rng(5)
    minutes = random.uniform(0, 30 * 24 * 60, 5000)
    assert repetition([at(0, 0, float(minute)) for minute in minutes]) is None
    evenly = repetition([at(0, 0, 7.0 * n) for n in range(5000)])
    assert evenly is not None
    assert evenly.text.startswith("4999 of 4999 intervals")


def test_what_fits_is_told_with_the_chance_in_words() -> None:
    times = [at(day, 6, 30 + day % 3) for day in range(4)]
    found = repetition([*times, at(1, 14, 3), at(3, 2, 40)], "dip (sag) events")
    assert found is not None
    assert found.fits == frozenset(times)
    assert found.text.startswith("4 of 6 dip (sag) events came within 10 minutes of 06:3")
    # 4 of 4 days with p = 1 - exp(-6/4 x 10/1440) = 0.010363, at 144 places: 1.66e-6.
    assert found.chance_words == "by chance alone once in 600000 cases"
    assert found.with_chance(1e-7).chance_words.endswith("less than once in a million cases")
