"""Counts of events that nobody has to count: as many as there are, whatever became of them."""

import sqlite3
from collections import Counter
from contextlib import closing
from pathlib import Path

import pytest

from daemon import schema
from daemon.archive import SERIOUS, EventFilter, open_archive
from daemon.page.tally import open_tally
from daemon.records import Judgement, Kind, Verdict
from daemon.store import Store
from tests.database_material import START_UTC_S, dip, judged, rows, run_info

VERDICTS = (Verdict.WITHIN, None, Verdict.MAY_STOP)
KINDS = (Kind.DIP, Kind.SWELL)
LATEST = {
    "SELECT * FROM event WHERE verdict IN ('may_stop', 'may_damage', 'beyond_limit') "
    "ORDER BY start_utc DESC, id DESC LIMIT 50": "event_serious",
    "SELECT * FROM event WHERE kind = 'swell' ORDER BY start_utc DESC, id DESC LIMIT 50": (
        "event_by_kind"
    ),
    "SELECT * FROM event ORDER BY start_utc DESC, id DESC LIMIT 50": "event_by_time",
}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """60 events, one an hour, half of them written again with another verdict, a few deleted."""
    path = tmp_path / "events.db"
    with closing(Store(path, "Europe/Vienna")) as store:
        run_id = store.begin_run(run_info())
        for number in range(60):
            verdict = VERDICTS[number % 3]
            event = dip(number, kind=KINDS[number % 2], start_s=3600.0 * number)
            for found in [verdict] if number % 2 else [None, verdict]:
                judgement = Judgement("iti-2000", found, None)
                start_utc_s = START_UTC_S + 3600 * number
                store.add(run_id, [judged(event, judgement=judgement, start_utc_s=start_utc_s)], [])
        with store._file.writing() as connection:
            connection.execute("DELETE FROM event WHERE number % 7 = 0")
    return path


def counted(path: Path) -> Counter[tuple[str, str, str | None]]:
    found = rows(path, "SELECT substr(start_local, 1, 13), kind, verdict FROM event")
    return Counter(found)


def test_they_are_what_counting_gives(path: Path) -> None:
    kept = "SELECT hour, kind, nullif(verdict, ''), n_events FROM event_count WHERE n_events > 0"
    expected = counted(path)
    assert {row[:3]: row[3] for row in rows(path, kept)} == expected
    archive = open_archive(path)
    assert archive.count(EventFilter()) == 51  # 60 less the nine multiples of 7 below 60
    for kind in KINDS:
        serious = sum(
            n for (_, k, v), n in expected.items() if k == kind and v in {s.value for s in SERIOUS}
        )
        assert archive.count(EventFilter(kind=kind, serious_only=True)) == serious


def without_counts(path: Path) -> None:
    """As before that step of the schema."""
    with closing(sqlite3.connect(path)) as connection:
        for name in ("event_counted", "event_discounted", "event_recounted"):
            connection.execute(f"DROP TRIGGER {name}")
        for name in ("event_by_kind", "event_serious", "event_serious_by_kind"):
            connection.execute(f"DROP INDEX {name}")
        connection.execute("DROP TABLE event_count")
        connection.commit()


def test_a_database_of_an_older_schema_is_counted_as_before(path: Path) -> None:
    tally = open_tally(path)
    newer = tally.verdict_counts(EventFilter()), tally.by_hour(Kind.DIP, False)
    without_counts(path)
    assert (tally.verdict_counts(EventFilter()), tally.by_hour(Kind.DIP, False)) == newer
    n_dips = sum(n for (_, kind, _), n in counted(path).items() if kind == "dip")
    assert sum(hour.n_events for hour in newer[1]) == n_dips


def test_events_from_before_the_counts_are_counted_when_the_file_is_brought_up(path: Path) -> None:
    without_counts(path)
    (step,) = [step for step in schema.STEPS if step.name.startswith("counts of events")]
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(step.sql)
    assert rows(path, "SELECT sum(n_events) FROM event_count") == [(51,)]
    assert open_archive(path).count(EventFilter()) == 51


@pytest.mark.parametrize(("sql", "index"), LATEST.items())
def test_the_latest_are_found_by_an_index_and_not_sorted(path: Path, sql: str, index: str) -> None:
    """SQLite's own plan: what is read does not grow with the table."""
    plan = " ".join(str(row[3]) for row in rows(path, f"EXPLAIN QUERY PLAN {sql}"))
    assert index in plan
    assert "TEMP B-TREE" not in plan
