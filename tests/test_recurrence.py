"""Events that come back at fixed times, in lists and beside one event."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from daemon.archive import EventRow
from daemon.records import Kind
from daemon.recurrence import find_repetition, repeats_words
from daemon.schema import utc_text
from daemon.store import Store
from tests.after_watch_material import run
from tests.database_material import dip, event_row, judged, run_info

VIENNA = ZoneInfo("Europe/Vienna")
FIRST = datetime(2026, 3, 2, 5, 30, tzinfo=UTC)  # 06:30 in Vienna


def events() -> list[EventRow]:
    """A dip at half past six on six days, and three swells at any time."""
    times = [FIRST + timedelta(days=day) for day in range(6)]
    others = [FIRST + timedelta(hours=hour) for hour in (5.3, 40.1, 81.7)]
    return [
        event_row(number, start_utc=utc_text(when.timestamp()), kind=kind)
        for number, (when, kind) in enumerate(
            [*((when, Kind.DIP) for when in times), *((when, Kind.SWELL) for when in others)],
            start=1,
        )
    ]


def test_local_time_of_the_site_counts() -> None:
    found = find_repetition(events(), VIENNA)
    assert found is not None
    assert "came within 10 minutes of 06:30 local time, on 6 of 6 days" in found.text


def test_lines_of_one_disturbance_count_once_and_a_clock_nobody_set_not_at_all() -> None:
    rows = events()
    doubled = [*rows, *(row for row in rows)]
    found, again = find_repetition(rows, VIENNA), find_repetition(doubled, VIENNA)
    assert found is not None
    assert again is not None
    assert (again.text, again.chance) == (found.text, found.chance)
    free = [event_row(row.id, start_utc=row.start_utc, clock="free") for row in rows]
    assert find_repetition(free, VIENNA) is None


def test_only_an_event_that_fits_is_told_so() -> None:
    rows = events()
    assert "06:30 local time" in repeats_words(rows[0], rows, VIENNA)
    assert repeats_words(rows[-1], rows, VIENNA) == ""
    assert repeats_words(rows[0], rows[:1], VIENNA) == ""


@pytest.mark.parametrize(("verb", "words"), [("events", ""), ("show", "1")])
def test_the_terminal_says_it(tmp_path: Path, verb: str, words: str) -> None:
    path = tmp_path / "events.db"
    store = Store(path, "Europe/Vienna")
    run_id = store.begin_run(run_info(started_utc_s=FIRST.timestamp()))
    found = [
        judged(dip(day + 1, start_s=86400.0 * day), start_utc_s=FIRST.timestamp() + 86400.0 * day)
        for day in range(6)
    ]
    store.add(run_id, found, [])
    store.close()
    text = " ".join(run(verb, path, *filter(None, [words])).output.split())
    assert "by chance alone less than once in a million cases. Look for what is switched" in text
