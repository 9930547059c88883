"""Lists and reports of more events than anybody reads: bounded, and said to be."""

import csv
import io
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from daemon.archive import AT_ONCE, EventFilter, open_archive
from daemon.records import Verdict
from tools.bench_database import N_PATTERNS, write_database
from tools.check_db import command as check_db
from tools.events import MOST_LISTED, command
from tools.report_extent import MOST_EVENTS, events_to_report
from tools.report_extent import MOST_LISTED as MOST_IN_APPENDIX
from tools.report_page import Wanted, report_html

N_EVENTS = 6000


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("lists") / "events.db"
    write_database(path, N_EVENTS)
    return path


def events(*words: object) -> str:
    result = CliRunner().invoke(command, [str(word) for word in words])
    assert result.exit_code == 0, result.output
    return result.output


def test_the_made_database_is_as_the_monitor_would_have_written_it(path: Path) -> None:
    """Patterns and copies alike: their hashes fit, their times are 30 s apart."""
    assert "no later edit of events" in CliRunner().invoke(check_db, [str(path)]).output
    archive = open_archive(path)
    for number in (1, N_PATTERNS, N_PATTERNS + 1, N_EVENTS):
        event = archive.event(number)
        assert (event.number, event.start_s) == (number, 30.0 * number)
    # 2026-01-01 and 12030 s, by `date -u -d '2026-01-01 12030 seconds'`
    assert archive.event(N_PATTERNS + 1).start_utc == "2026-01-01T03:20:30.000Z"
    assert archive.event(N_PATTERNS + 1).start_local == "2026-01-01 03:20:30.000 +00:00"


def test_each_goes_through_all_of_them_once_and_in_order(path: Path) -> None:
    assert N_EVENTS > 2 * AT_ONCE
    archive = open_archive(path)
    found = [event.id for event in archive.each(EventFilter(newest_first=False))]
    assert found == list(range(1, N_EVENTS + 1))
    serious = [event.id for event in archive.each(EventFilter(serious_only=True))]
    assert serious == list(range(N_EVENTS, 0, -10))  # every tenth is


def test_a_table_lists_the_newest_and_says_that_there_are_more(path: Path) -> None:
    text = events(path)
    assert f"These are the newest {MOST_LISTED} of 600;" in text
    assert text.startswith(f"{N_EVENTS} events, 600 serious")
    assert text.count("equipment may stop") == MOST_LISTED
    assert "These are the newest 50 of 600" in events(path, "--latest", 50)
    assert "These are the newest" not in events(path, "--latest", 600)


def test_lines_for_programs_hold_all_of_them_the_oldest_first(path: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(events(path, "--all", "--format", "csv"))))
    assert [int(row["id"]) for row in rows] == list(range(1, N_EVENTS + 1))
    lines = events(path, "--latest", 3, "--format", "jsonl").splitlines()
    assert [json.loads(line)["id"] for line in lines] == [N_EVENTS - 20, N_EVENTS - 10, N_EVENTS]


def test_a_report_of_too_many_counts_all_and_says_what_it_leaves_out(path: Path) -> None:
    """6000 events, 600 of them serious: all are counted, the newest others fill up to the most."""
    text = report_html(path, open_archive(path), Wanted(None, None, None, None))
    assert "600 events passed the limit" in text
    assert f"This database holds {N_EVENTS} events, too many for one page" in text
    assert f"The newest {MOST_IN_APPENDIX} of those in this report, of {N_EVENTS} kept" in text
    assert text.count("<tr><td>") < MOST_IN_APPENDIX + 40 * 6  # 40 events have tables of their own
    assert "<td>Dip (sag)</td><td>600</td><td>5400</td><td>6000</td>" in text


def test_all_serious_events_are_reported_before_any_other(path: Path) -> None:
    events = events_to_report(open_archive(path), is_judged_anew=False)
    assert len(events) == MOST_EVENTS
    assert sum(event.verdict is Verdict.MAY_STOP for event in events) == 600
    assert [event.id for event in events] == sorted(event.id for event in events)
