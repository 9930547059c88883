"""A week across a change of the local time, and clocks that are set: each slot on its own day."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from daemon.records import Output, TenMinuteValue
from daemon.supply_statistics import Quantity, SupplyStatistics
from drivers.clock import ManualClock
from tests.database_material import rows
from tests.test_corrections import RATE_HZ, Watch, in_order

SLOT_S = 600
VIENNA = ZoneInfo("Europe/Vienna")


def midnight(year: int, month: int, day: int) -> float:
    return datetime(year, month, day, tzinfo=VIENNA).timestamp()


def slots(watch: Watch, n_slots: int) -> None:
    """Ten-minute values, one after another, with an event now and then."""
    for number in range(n_slots):
        start = watch.seconds * RATE_HZ
        watch.pass_s(SLOT_S, every_s=SLOT_S)
        value = TenMinuteValue(0, start, 230.0, 0.0, 0.0, 2.0, None, False)
        watch.journal.keep(Output(ten_minute=[value]))
        if number % 36 == 0:
            watch.event()


def n_values(path: Path) -> dict[str, int]:
    """Ten-minute values by local day, as they are in the database."""
    found = rows(path, "SELECT day, data FROM statistics ORDER BY day")
    return {
        day: SupplyStatistics.from_bytes(data).of(Quantity.VOLTAGE).n_values for day, data in found
    }


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[Any]:
    watches: list[Watch] = []

    def open_at(utc_s: float, *, synchronised: bool = True) -> Watch:
        clock = ManualClock(utc_s=utc_s)
        clock.synchronised = synchronised
        watches.append(Watch(tmp_path, clock))
        return watches[-1]

    yield open_at
    for watch in watches:
        watch.journal.close()


@pytest.mark.parametrize(
    ("first", "changes_on", "n_slots"),
    [
        # Summer time begins on the last Sunday of March and ends on that of October, at 01:00 UTC
        # (Directive 2000/84/EC): days of 23 and 25 hours, 138 and 150 times ten minutes.
        ((2026, 3, 26), "2026-03-29", 138),
        ((2026, 10, 22), "2026-10-25", 150),
    ],
)
def test_a_week_across_the_change_of_local_time(
    opened: Any, first: tuple[int, int, int], changes_on: str, n_slots: int
) -> None:
    watch = opened(midnight(*first))
    week = 7 * 144 + n_slots - 144
    slots(watch, 200)
    # somebody sets the clock an hour off, and a time source puts it right again
    watch.clock.step_utc_s(3600.0)
    watch.clock.synchronised = False
    slots(watch, 30)
    watch.clock.step_utc_s(-3600.0)
    watch.clock.synchronised = True
    slots(watch, 200)
    watch.clock.step_utc_s(-3600.0)
    watch.clock.synchronised = False
    slots(watch, 30)
    watch.clock.step_utc_s(3600.0)
    watch.clock.synchronised = True
    slots(watch, week - 460)
    watch.journal.end(is_orderly=True)
    found = n_values(watch.path)
    assert len(found) == 7
    assert found[changes_on] == n_slots
    assert {n for day, n in found.items() if day != changes_on} == {144}
    in_order(watch.path)
    log = rows(watch.path, "SELECT text FROM log WHERE kind = 'clock_set' ORDER BY id")
    steps = [float(text.split()[5]) for (text,) in log]
    assert steps == pytest.approx([3600.0, -3600.0, -3600.0, 3600.0])
    assert rows(watch.path, "SELECT count(*) FROM event") == [(watch.n_events,)]
    stamps = rows(watch.path, "SELECT start_utc, start_local FROM event ORDER BY start_s")
    for utc, local in stamps:  # both tell the same moment, also in the hour that comes twice
        there = datetime.strptime(local, "%Y-%m-%d %H:%M:%S.%f %z")
        assert there == datetime.fromisoformat(utc).astimezone(UTC)


def test_days_counted_with_a_wrong_clock_get_their_right_dates(opened: Any) -> None:
    """Three days behind, found out after 30 hours: what was counted keeps to its day."""
    watch = opened(midnight(2026, 5, 10) - 3 * 86400, synchronised=False)
    slots(watch, 180)
    watch.pass_s(60, every_s=60)
    assert list(n_values(watch.path)) == ["2026-05-07", "2026-05-08"]
    watch.clock.step_utc_s(3 * 86400.0)
    watch.clock.synchronised = True
    slots(watch, 108)
    watch.journal.end(is_orderly=True)
    assert n_values(watch.path) == {"2026-05-10": 144, "2026-05-11": 144}
    in_order(watch.path)


def test_a_step_of_a_day_makes_days_change_places(opened: Any) -> None:
    watch = opened(midnight(2026, 5, 10), synchronised=False)
    slots(watch, 150)
    watch.clock.step_utc_s(-86400.0)
    watch.clock.synchronised = True
    slots(watch, 10)
    watch.journal.end(is_orderly=True)
    assert n_values(watch.path) == {"2026-05-09": 144, "2026-05-10": 16}
