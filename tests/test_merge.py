"""Merged databases hold every row of their parts, and where it came from."""

import csv
import hashlib
import io
import json
import re
import sqlite3
from pathlib import Path

import numpy as np
import pytest

from daemon.archive import EventFilter, open_archive
from daemon.schema import utc_seconds
from tests.after_watch_material import LENGTH_S, RUN_UTC_S, fill, run
from tests.database_material import foreign, rows
from tools.coverage import NO_RUN, common_coverage, site_coverage


def edit(path: Path, *sql: str) -> None:
    connection = sqlite3.connect(path)
    for statement in sql:
        connection.execute(statement)
    connection.commit()
    connection.close()


@pytest.fixture
def parts(tmp_path: Path) -> tuple[Path, Path]:
    fill(tmp_path / "hall.db")
    fill(tmp_path / "office.db", (4000.0, 12_000.0))
    return tmp_path / "hall.db", tmp_path / "office.db"


def test_everything_is_there_with_its_origin(parts: tuple[Path, Path], tmp_path: Path) -> None:
    before = [part.read_bytes() for part in parts]
    found = run("merge", tmp_path / "all.db", *parts)
    assert found.output.splitlines()[:2] == ["hall: 1 run, 4 events", "office: 1 run, 3 events"]
    assert [part.read_bytes() for part in parts] == before
    merged = open_archive(tmp_path / "all.db")
    assert [one.origin for one in merged.runs()] == ["hall", "office"]
    for path, origin in zip(parts, ("hall", "office"), strict=True):
        part = open_archive(path)
        ids = {one.id for one in merged.runs() if one.origin == origin}
        theirs = [e for e in merged.events(EventFilter(newest_first=False)) if e.run_id in ids]
        ours = part.events(EventFilter(newest_first=False))
        assert [e.as_json() | {"id": 0} for e in theirs] == [e.as_json() | {"id": 0} for e in ours]
        for new, old in zip(theirs, ours, strict=True):
            waves = zip(merged.waveforms(new.id), part.waveforms(old.id), strict=True)
            assert all(np.array_equal(a.volts, b.volts) for a, b in waves)
            assert (merged.trace(new.id) is None) == (part.trace(old.id) is None)
    assert len(merged.log()) == 6  # two of each part, and that it was merged
    assert rows(tmp_path / "all.db", "SELECT count(*) FROM settings") == [(1,)]


def test_the_merged_file_has_a_chain_of_its_own(parts: tuple[Path, Path], tmp_path: Path) -> None:
    run("merge", tmp_path / "all.db", *parts)
    assert run("check-db", tmp_path / "all.db").exit_code == 0
    connection = sqlite3.connect(tmp_path / "all.db")
    connection.execute("UPDATE event SET value = 1 WHERE id = 6")
    connection.commit()
    connection.close()
    found = run("check-db", tmp_path / "all.db")
    assert found.exit_code == 3
    assert "event 6 was changed" in found.output


def test_what_was_edited_before_is_not_washed_clean(
    parts: tuple[Path, Path], tmp_path: Path
) -> None:
    edit(parts[1], "UPDATE event SET value = 1 WHERE id = 2")
    found = run("merge", tmp_path / "all.db", *parts)
    assert found.exit_code == 0
    assert "office was edited after the watch: event 2 was changed" in found.output
    words = " ".join(run("check-db", tmp_path / "all.db").output.split())
    assert "office was edited after the watch, before it was merged: event 2 was changed" in words
    assert "hall was edited" not in words
    assert words.startswith("The file is whole, but it is not as the monitor wrote it.")
    assert words.count("event 2 was changed") == 1
    assert run("check-db", tmp_path / "all.db").exit_code == 3
    run("merge", tmp_path / "again.db", tmp_path / "all.db", parts[0])
    assert run("check-db", tmp_path / "again.db").exit_code == 3


def test_a_part_that_lost_its_chain_is_told_for_good(
    parts: tuple[Path, Path], tmp_path: Path
) -> None:
    edit(parts[1], "UPDATE event SET value = 1 WHERE id = 2", "DROP TABLE chain")
    found = run("merge", tmp_path / "all.db", *parts)
    assert "office was edited after the watch: the chain of hashes was removed" in found.output
    run("merge", tmp_path / "again.db", tmp_path / "all.db", parts[0])
    for name in ("all.db", "again.db"):
        assert run("check-db", tmp_path / name).exit_code == 3
        words = " ".join(run("check-db", tmp_path / name).output.split())
        assert "before it was merged: the chain of hashes was removed" in words
        run("report", tmp_path / name, "-o", tmp_path / "r.html")
        page = " ".join((tmp_path / "r.html").read_text().split())
        assert "office was edited after the watch, before it was merged: the chain of" in page


def test_what_no_chain_of_a_part_speaks_for_is_told_for_good(
    parts: tuple[Path, Path], tmp_path: Path
) -> None:
    """The chain of a part from the first schema begins late: merging it makes nothing sure."""
    anew = "INSERT INTO chain (about, row_id, row_digest, evidence_digest, hash) VALUES "
    edit(
        parts[1],
        "DELETE FROM chain",
        f"{anew} ('before_event', 3, '', '', ''), ('before_log', 2, '', '', '')",
    )
    said = "5 rows are older than the chain of hashes: edits before it began cannot be found"
    found = run("merge", tmp_path / "all.db", *parts)
    assert f"office: {said}" in found.output
    run("merge", tmp_path / "again.db", tmp_path / "all.db", parts[0])
    for name in ("all.db", "again.db"):
        checked = run("check-db", tmp_path / name)
        words = " ".join(checked.output.split())
        assert checked.exit_code == 0
        assert words.startswith("The file is whole. Some of it no chain of hashes speaks for")
        assert f"office, as it was when it was merged: {said}" in words
        run("report", tmp_path / name, "-o", tmp_path / "r.html")
        page = " ".join((tmp_path / "r.html").read_text().split())
        assert f"ffice, as it was when it was merged: {said}" in page


def test_a_part_with_a_changed_end_or_a_removed_row_is_told(
    parts: tuple[Path, Path], tmp_path: Path
) -> None:
    stopped = "UPDATE log SET kind = 'stopped' WHERE id = 1"  # an edit too, beside the one wanted
    edit(parts[0], stopped)
    found = run("merge", tmp_path / "all.db", *parts)
    assert "the account of run 1 was changed: it is said to end" in found.output
    edit(parts[1], "DELETE FROM event WHERE id = 2")
    found = run("merge", tmp_path / "more.db", *parts)
    assert found.exit_code == 3
    assert "was edited after the watch: row" in found.output
    assert "damaged" not in found.output


def test_the_heads_of_the_parts_are_known_to_the_merged_file(
    parts: tuple[Path, Path], tmp_path: Path
) -> None:
    """A head that was noted from a part says nothing against a file merged from it."""
    run("merge", tmp_path / "all.db", *parts)
    run("merge", tmp_path / "again.db", tmp_path / "all.db", parts[0])
    chain = open_archive(parts[1]).chain()
    assert chain is not None
    for name in ("all.db", "again.db"):
        found = run("check-db", tmp_path / name, "--head", chain.head)
        assert found.exit_code == 0
        assert "is that of office when it was merged" in " ".join(found.output.split())
    assert run("check-db", parts[0], "--head", "ab" * 32).exit_code == 3


def test_a_damaged_part_is_named(parts: tuple[Path, Path], tmp_path: Path) -> None:
    damaged = bytearray(parts[1].read_bytes())
    damaged[4096:20_000] = b"\xff" * (20_000 - 4096)
    parts[1].write_bytes(damaged)
    found = run("merge", tmp_path / "all.db", *parts)
    assert found.exit_code == 3
    assert str(parts[1]) in found.output
    assert "all.db" not in found.output
    assert not list(tmp_path.glob("all.db*"))


def test_a_merged_file_can_be_merged_again(parts: tuple[Path, Path], tmp_path: Path) -> None:
    run("merge", tmp_path / "all.db", *parts)
    fill(tmp_path / "yard.db")
    assert (
        run("merge", tmp_path / "more.db", tmp_path / "all.db", tmp_path / "yard.db").exit_code == 0
    )
    origins = [one.origin for one in open_archive(tmp_path / "more.db").runs()]
    assert origins == ["all: hall", "all: office", "yard"]


def test_wrong_files_are_refused_and_nothing_is_left(
    parts: tuple[Path, Path], tmp_path: Path
) -> None:
    foreign(tmp_path / "other.db", 1, 1)
    for words, message in (
        ([tmp_path / "all.db", parts[0]], "at least two"),
        ([tmp_path / "all.db", parts[0], parts[0]], "named twice"),
        ([tmp_path / "all.db", parts[0], tmp_path / "other.db"], "another program"),
        ([tmp_path / "all.db", parts[0], tmp_path / "missing.db"], "cannot be read"),
        ([parts[0], *parts], "is there already"),
    ):
        found = run("merge", *words)
        assert found.exit_code == 2
        assert message in found.output
    assert not list(tmp_path.glob("all.db*"))


def test_time_counts_where_any_monitor_watched(tmp_path: Path) -> None:
    """Both watch for the same ten hours; each has a gap of ten minutes of its own."""
    parts = tmp_path / "hall.db", tmp_path / "office.db"
    fill(parts[0])
    fill(parts[1], (3600.3, 12_000.0))
    edit(parts[1], "UPDATE log SET start_utc = '2026-11-25T12:00:00.000Z' WHERE duration_s > 0")
    run("merge", tmp_path / "all.db", *parts)
    archive = open_archive(tmp_path / "all.db")
    coverage, shared = site_coverage(archive), common_coverage(archive)
    assert coverage is not None
    assert shared is not None
    assert coverage.watched_s == pytest.approx(LENGTH_S)
    assert coverage.unseen == ()
    assert {gap.cause for gap in coverage.partly} == {"hall: samples lost", "office: samples lost"}
    assert "hall for 9 h 50 min and office for 9 h 50 min" in coverage.basis
    assert shared.watched_s == pytest.approx(LENGTH_S - 2 * 600.0)
    assert [gap.cause for gap in shared.unseen] == [gap.cause for gap in coverage.partly]
    assert "all 2 monitors (hall, office) watched" in shared.basis
    log = tmp_path / "log.csv"
    log.write_text("time\n2026-11-25T12:05:00Z\n2026-11-25T07:15:35Z\n")
    assert "unobserved" not in run("check-db", tmp_path / "all.db").output
    found = run("correlate", tmp_path / "all.db", log)
    assert "1 of 2 failures lies within 5 s of an event" in found.output
    assert "outside the watched time" not in found.output
    assert "at least one of 2 monitors watched" in " ".join(found.output.split())
    # Both have a dip 3600 s into their run, at 07:15:33: the failure is near both of them.
    assert "Events without a failure near them: 3" in found.output
    run("report", tmp_path / "all.db", "-o", tmp_path / "report.html")
    page = (tmp_path / "report.html").read_text()
    assert "Time counts as watched where at least one of 2 monitors watched" in page
    assert "office: samples lost" in page


def test_a_failure_in_a_gap_is_not_none_near_an_event(
    parts: tuple[Path, Path], tmp_path: Path
) -> None:
    """A failure that was set aside is said in what heads the events without one."""
    log = tmp_path / "log.csv"
    log.write_text("time\n2026-11-25T13:15:00Z\n2026-11-25T07:15:35Z\n")
    text = " ".join(run("correlate", parts[0], log).output.split())
    assert "Events without a counted failure near them (1 failure set aside): 2" in text
    run("report", parts[0], "-o", tmp_path / "r.html", "--equipment-log", log)
    page = (tmp_path / "r.html").read_text()
    assert "limit, without a counted failure near them (1 failure set aside):" in page


def test_a_gap_is_one_where_no_monitor_watched(parts: tuple[Path, Path], tmp_path: Path) -> None:
    """Both lose the same ten minutes; one also starts an hour and three quarters later."""
    edit(parts[1], "UPDATE run SET started_utc = '2026-11-25T08:00:00.000Z'")
    run("merge", tmp_path / "all.db", *parts)
    coverage = site_coverage(open_archive(tmp_path / "all.db"))
    assert coverage is not None
    assert [gap.cause for gap in coverage.unseen] == ["hall: samples lost; office: samples lost"]
    assert coverage.watched_s == pytest.approx(LENGTH_S - 600.0)
    assert [gap.cause for gap in coverage.partly] == ["office: the monitor did not run"]


def test_rates_of_several_monitors_are_of_their_common_time(
    parts: tuple[Path, Path], tmp_path: Path
) -> None:
    """From 08:00 on both watch: the dips at 3600 s, 07:15:33, and 4000 s are of one alone."""
    edit(parts[1], "UPDATE run SET started_utc = '2026-11-25T08:00:00.000Z'")
    run("merge", tmp_path / "all.db", *parts)
    fill(tmp_path / "yard.db")
    text = " ".join(run("compare", tmp_path / "all.db", tmp_path / "yard.db").output.split())
    assert "Of A, only the time in which all 2 monitors (hall, office) watched is counted" in text
    counts = re.search(r"dip \(sag\) (\d+) \S+ \(\S+ to \S+\) (\d+) ", text)
    assert counts is not None
    assert counts.groups() == ("5", "4")


def test_a_monitor_that_came_later_is_said(parts: tuple[Path, Path], tmp_path: Path) -> None:
    edit(parts[1], "UPDATE run SET started_utc = '2026-11-25T07:00:00.000Z'")
    run("merge", tmp_path / "all.db", *parts)
    coverage = site_coverage(open_archive(tmp_path / "all.db"))
    assert coverage is not None
    first = coverage.partly[0]
    assert first.cause == "office: the monitor did not run"
    assert first.end_utc_s - first.start_utc_s == pytest.approx(
        utc_seconds("2026-11-25T07:00:00Z") - RUN_UTC_S
    )


def test_monitors_that_took_turns_are_added_up(parts: tuple[Path, Path], tmp_path: Path) -> None:
    edit(
        parts[1],
        "UPDATE run SET started_utc = '2026-11-25T20:00:00.000Z', "
        "until_utc = '2026-11-25T21:00:00.000Z'",
        "DELETE FROM log",
    )
    run("merge", tmp_path / "all.db", *parts)
    coverage = site_coverage(open_archive(tmp_path / "all.db"))
    assert coverage is not None
    assert coverage.watched_s == pytest.approx(LENGTH_S - 600.0 + 3600.0)
    causes = [gap.cause for gap in coverage.unseen]
    assert causes == ["hall: samples lost; office: the monitor did not run", NO_RUN]
    assert common_coverage(open_archive(tmp_path / "all.db")) == coverage


@pytest.fixture
def merged(tmp_path: Path) -> Path:
    """Two monitors that saw the same dip at 3600 s, and each another one that it saw alone."""
    fill(tmp_path / "hall.db", (3600.0, 9000.5))
    fill(tmp_path / "office.db", (3600.25, 12_000.0))
    edit(
        tmp_path / "office.db",
        "UPDATE settings SET text = replace(text, 'Oven 1', 'Office')",
    )
    found = run("merge", tmp_path / "all.db", tmp_path / "hall.db", tmp_path / "office.db")
    assert found.exit_code == 0
    return tmp_path / "all.db"


OVEN, OTHER = "Bäckerei, Ofen, Oven 1", "Bäckerei, Ofen, Office"
HALL, OFFICE = f"hall ({OVEN})", f"office ({OTHER})"


def test_edited_settings_do_not_stand_in_for_those_of_another(merged: Path) -> None:
    """Both parts have the same digest; the text of one was edited afterwards."""
    texts = rows(merged, "SELECT text, digest FROM settings ORDER BY id")
    assert ["Office" in text for text, _ in texts] == [False, True]
    assert all(hashlib.sha256(t.encode()).hexdigest() == digest for t, digest in texts)
    words = " ".join(run("check-db", merged).output.split())
    assert "office was edited after the watch, before it was merged: settings 1" in words


def test_each_list_says_which_monitor_saw_an_event(merged: Path) -> None:
    lines = run("events", merged).output.splitlines()
    text = " ".join(" ".join(lines).split())
    assert f"- {HALL}: L1 watched from" in text
    assert f"- {OFFICE}: L1 watched from" in text
    assert "Listed by monitor: hall 2, office 2." in text
    assert "1 disturbance was seen by more than one monitor" in text
    assert sum(line.strip().startswith("hall: equipment may stop") for line in lines) == 2
    assert sum(line.strip().startswith("office: equipment may stop") for line in lines) == 2
    assert f"Seen by      {HALL}" in run("show", merged, 1).output
    assert f"Seen by      {OFFICE}" in run("show", merged, 4).output
    judged = run("judge", merged, "--profile", "iti-2000").output
    assert judged.count("hall: equipment may stop") == 2


def test_tables_for_programs_name_the_monitor_in_the_last_columns(
    merged: Path, tmp_path: Path
) -> None:
    text = run("events", merged, "--format", "csv").output
    rows = list(csv.DictReader(io.StringIO(text)))
    assert list(rows[0])[-2:] == ["monitor", "place"]
    expected = {("hall", "Bäckerei, Ofen, Oven 1"): 2, ("office", "Bäckerei, Ofen, Office"): 2}
    for one, count in expected.items():
        assert sum((row["monitor"], row["place"]) == one for row in rows) == count
    run("export", merged, "-o", tmp_path / "out", "--format", "csv", "--format", "jsonl")
    lines = (tmp_path / "out" / "events.jsonl").read_text().splitlines()
    exported = list(csv.DictReader(io.StringIO((tmp_path / "out" / "events.csv").read_text())))
    assert [json.loads(line)["monitor"] for line in lines] == [row["monitor"] for row in exported]
    alone = run("events", tmp_path / "hall.db", "--format", "jsonl").output.splitlines()
    assert "monitor" not in json.loads(alone[0])


def test_a_report_says_first_how_many_monitors_are_in_it(merged: Path, tmp_path: Path) -> None:
    assert run("report", merged, "-o", tmp_path / "r.html").exit_code == 0
    page = (tmp_path / "r.html").read_text()
    text = re.sub(r"<[^>]+>", "", page)
    answer = " ".join(text[text.index("2 monitors are") :].split())
    assert answer.startswith(
        f"2 monitors are in this report: {OVEN}: 3 events, 2 passed the limit; "
        f"{OTHER}: 3 events, 2 passed the limit."
    )
    assert f"<h1>Supply voltage, seen by 2 monitors: {OVEN}; {OTHER}</h1>" in page
    assert "<td>hall: Oven 1; office: Office</td>" in page
    words = " ".join(text.split())
    assert "covered; time counts as watched where at least one of 2 monitors watched" in words
    appendix = page[page.index("Appendix") :]
    assert [appendix.count(f"<td>{name}</td>") for name in ("hall", "office")] == [3, 3]


def test_times_in_lists_are_neither_cut_nor_rounded(tmp_path: Path) -> None:
    """The run began at .123 s, so a dip 0.876 s later began at .999 s: no second of its own."""
    fill(tmp_path / "a.db", (3600.876,))
    (stamp,) = rows(tmp_path / "a.db", "SELECT start_local FROM event WHERE id = 1")[0]
    assert stamp[19:23] == ".999"
    (tmp_path / "f.csv").write_text("2026-11-25T10:00:00Z\n")
    run("report", tmp_path / "a.db", "-o", tmp_path / "r.html")
    for text in (
        run("events", tmp_path / "a.db").output,
        run("show", tmp_path / "a.db", 1).output,
        (tmp_path / "r.html").read_text(),
        run("correlate", tmp_path / "a.db", tmp_path / "f.csv").output,
    ):
        assert f"{stamp[11:23]}" in text
