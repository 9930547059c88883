"""Reading: beside a writer, from copies, from read-only places, and never with a trace left."""

import json
import os
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from daemon import schema
from daemon.archive import Archive, EventFilter, open_archive
from daemon.errors import InputError, StoreError
from daemon.records import Judgement, Kind, LogEntry, LogKind, Trace, Verdict
from daemon.store import Store
from tests.database_material import START_UTC_S, dip, foreign, judged, run_info, wave

DESIGN_KEYS = [  # the contract of `events --format jsonl`
    *("id", "kind", "channel", "group", "start_utc", "start_s", "duration_s", "value", "unit"),
    *("value_pct", "threshold", "verdict", "limit", "complete", "clock", "flags", "profile"),
]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "events.db"


def fill(path: Path) -> Store:
    store = Store(path, "Europe/Vienna")
    run_id = store.begin_run(run_info())
    verdicts = [Verdict.MAY_STOP, Verdict.WITHIN, None, Verdict.MAY_DAMAGE, Verdict.BEYOND_LIMIT]
    kinds = [Kind.DIP, Kind.DIP, Kind.FREQUENCY, Kind.SWELL, Kind.DISTORTION]
    events = [
        judged(
            dip(number, kind=kind),
            judgement=Judgement("iti-2000", verdict, None),
            start_utc_s=START_UTC_S + 100 * number,
        )
        for number, (kind, verdict) in enumerate(zip(kinds, verdicts, strict=True))
    ]
    store.add(run_id, events, [])
    return store


def ids(archive: Archive, **wanted: object) -> list[int]:
    return [row.id for row in archive.events(EventFilter(**wanted))]  # type: ignore[arg-type]


def test_events_come_in_order_and_by_filter(path: Path) -> None:
    fill(path).close()
    archive = open_archive(path)
    assert ids(archive) == [5, 4, 3, 2, 1]
    assert ids(archive, newest_first=False) == [1, 2, 3, 4, 5]
    assert ids(archive, serious_only=True) == [5, 4, 1]
    assert ids(archive, kind=Kind.DIP) == [2, 1]
    assert ids(archive, limit=2, offset=1) == [4, 3]
    assert archive.count(EventFilter(serious_only=True, limit=1)) == 3
    assert archive.verdict_counts(EventFilter(kind=Kind.DIP)) == {
        Verdict.MAY_STOP: 1,
        Verdict.WITHIN: 1,
    }
    assert archive.verdict_counts(EventFilter())[None] == 1


def test_since_is_inclusive_and_until_is_not(path: Path) -> None:
    fill(path).close()
    archive = open_archive(path)
    second, fourth = START_UTC_S + 100, START_UTC_S + 300
    assert ids(archive, since_utc_s=second, until_utc_s=fourth) == [3, 2]
    assert ids(archive, since_utc_s=second + 0.001, until_utc_s=fourth + 0.001) == [4, 3]
    assert ids(archive, since_utc_s=fourth, until_utc_s=second) == []


def test_an_event_as_json_has_the_documented_keys_in_order(path: Path) -> None:
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info())
    store.add(run_id, [judged(dip(complete=False, duration_s=None, flags=("gap",)))], [])
    store.close()
    found = open_archive(path).event(1).as_json()
    assert list(found) == DESIGN_KEYS
    assert json.loads(json.dumps(found)) == {
        "id": 1,
        "kind": "dip",
        "channel": "L1",
        "group": 1,
        "start_utc": "2026-11-25T07:15:33.123Z",
        "start_s": 60.0,
        "duration_s": None,
        "value": 140.3,
        "unit": "V",
        "value_pct": 61.0,
        "threshold": 207.0,
        "verdict": "may_stop",
        "limit": "below 70 % for at most 0.02 s",
        "complete": False,
        "clock": "synchronised",
        "flags": ["gap"],
        "profile": "iti-2000",
    }


def test_everything_comes_back(path: Path) -> None:
    store = Store(path, "Europe/Vienna")
    run_id = store.begin_run(run_info())
    trace = Trace(np.array([59.99, 60.0]), np.array([230.0, 140.3], dtype=np.float32))
    event = dip(trace=trace, waveforms=(wave(960_000, [325.0, -1.0]),))
    entry = LogEntry(LogKind.UNOBSERVED, START_UTC_S, None, 12.0, "switched off")
    mark = LogEntry(LogKind.MARK, START_UTC_S - 5, 55.0, None, "lift started")
    store.add(run_id, [judged(event)], [entry, mark])
    store.end_run(run_id, START_UTC_S + 1, 976_000, 3)
    store.close()
    archive = open_archive(path)
    row = archive.event(1)
    assert (row.level_times, row.complete) == (event.level_times, True)
    found = archive.trace(1)
    assert found is not None
    assert found.start_s.tolist() == [59.99, 60.0]
    assert found.urms_v.tolist() == trace.urms_v.tolist()
    (waveform,) = archive.waveforms(1)
    # stored as int16: within half a count of 325 V / 32767
    assert waveform.volts.tolist() == pytest.approx([325.0, -1.0], abs=325 / 32767 / 2)
    assert (waveform.first_index, waveform.sample_rate_hz) == (960_000, 16000.0)
    assert [log.text for log in archive.log()] == ["switched off", "lift started"]
    assert [log.duration_s for log in archive.log(LogKind.UNOBSERVED)] == [12.0]
    (run,) = archive.runs()
    assert (run.channels, run.stopped, run.timezone) == (("L1", "L2"), True, "Europe/Vienna")
    assert (run.samples_measured, run.samples_lost) == (976_000, 3)
    assert archive.settings(run.settings_id).text == run_info().settings_text
    assert archive.trace(99) is None
    assert archive.waveforms(99) == []


def test_a_missing_event_names_those_there_are(path: Path) -> None:
    store = Store(path, "UTC")
    archive = open_archive(path)
    with pytest.raises(InputError, match="no event 3: it holds no events"):
        archive.event(3)
    store.close()
    fill(path).close()
    with pytest.raises(InputError, match="no event 99: its events are 1 to 5"):
        archive.event(99)
    with pytest.raises(InputError, match="no settings 7"):
        archive.settings(7)


def test_a_reader_sees_each_commit_while_the_writer_writes(path: Path) -> None:
    store = fill(path)
    archive = open_archive(path)
    assert archive.count(EventFilter()) == 5
    store.add(1, [judged(dip(50))], [])
    assert archive.count(EventFilter()) == 6
    store._file.connection.execute("BEGIN IMMEDIATE")
    store._file.connection.execute("DELETE FROM event")
    assert archive.count(EventFilter()) == 6
    store._file.connection.execute("ROLLBACK")
    # a reader that held the file open would keep the log from being reset: busy would be 1
    busy, *_ = store._file.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    assert busy == 0
    store.close()
    assert archive.count(EventFilter()) == 6


def test_reading_leaves_no_file_and_no_byte(path: Path) -> None:
    fill(path).close()
    before = path.read_bytes()
    archive = open_archive(path)
    archive.events(EventFilter())
    archive.log()
    assert os.listdir(path.parent) == [path.name]
    assert path.read_bytes() == before


READ_AS_NOBODY = """
import os, sys, urllib.parse  # the last one before it may be out of reach
from pathlib import Path
from daemon.archive import EventFilter, open_archive
from daemon.errors import HalfcycleError
os.setgroups([]); os.setgid(65534); os.setuid(65534)
try:
    print(open_archive(Path(sys.argv[1])).count(EventFilter()))
except HalfcycleError as error:
    print(type(error).__name__, error)
"""


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that everybody can enter; pytest closes its own to others, again and again."""
    with tempfile.TemporaryDirectory(prefix="halfcycle-test-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        yield folder


def read_as_nobody(path: Path) -> str:
    for file in path.parent.iterdir():
        file.chmod(0o644)
    command = [sys.executable, "-c", READ_AS_NOBODY, str(path)]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


@pytest.mark.skipif(os.geteuid() != 0, reason="needs root to become another user")
def test_another_user_without_write_access_can_read(open_folder: Path) -> None:
    path = open_folder / "events.db"
    store = fill(path)
    assert read_as_nobody(path) == "5\n"
    store.close()
    assert read_as_nobody(path) == "5\n"


@pytest.mark.skipif(os.geteuid() != 0, reason="needs root to become another user")
def test_a_read_only_copy_with_its_wal_says_what_to_do(path: Path, open_folder: Path) -> None:
    store = fill(path)
    copy = open_folder / "events.db"
    for name in ("events.db", "events.db-wal"):
        (copy.parent / name).write_bytes((path.parent / name).read_bytes())
    store.close()
    said = read_as_nobody(copy)
    assert said.startswith("StoreError ")
    assert "events.db-wal; if this is a copy or read-only, put both files" in said


def test_a_copy_with_its_wal_has_the_newest_events(path: Path, tmp_path: Path) -> None:
    store = fill(path)
    copy = tmp_path / "copy of events #1?.db"  # a name that is not a plain URI
    copy.write_bytes(path.read_bytes())
    copy.with_name(copy.name + "-wal").write_bytes((tmp_path / "events.db-wal").read_bytes())
    store.close()
    assert open_archive(copy).count(EventFilter()) == 5


def test_what_is_not_ours_is_refused_untouched(tmp_path: Path) -> None:
    text, other, newer = (tmp_path / name for name in ("notes.txt", "other.db", "newer.db"))
    text.write_text("not a database, but long enough to have a header" * 5)
    foreign(other, 0, 0)
    foreign(newer, schema.APPLICATION_ID, 99)
    before = {file: file.read_bytes() for file in tmp_path.iterdir()}
    wrong = {
        text: "not a SQLite database",
        other: "another program",
        newer: r"newer Halfcycle \(schema 99",
        tmp_path / "missing.db": "cannot be read: No such file or directory",
        tmp_path / "no" / "such.db": "cannot be read: No such file or directory",
        tmp_path / ("long" * 100): "cannot be read: File name too long",
        text / "inside.db": "cannot be read: Not a directory",
        tmp_path: "is a folder",
        Path("/dev/zero"): "is a device or a pipe",
    }
    for path, message in wrong.items():
        with pytest.raises(InputError, match=message):
            open_archive(path)
    assert {file: file.read_bytes() for file in tmp_path.iterdir()} == before


def test_a_link_to_a_database_in_use_is_read_with_its_log(path: Path, tmp_path: Path) -> None:
    store = fill(path)
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    (folder / "link.db").symlink_to(path)
    (folder / "loop.db").symlink_to(folder / "loop.db")
    assert open_archive(folder / "link.db").count(EventFilter()) == 5
    with pytest.raises(InputError, match="cannot be read: Too many levels"):
        open_archive(folder / "loop.db")
    store.close()


def test_a_truncated_database_is_a_store_error(path: Path) -> None:
    fill(path).close()
    path.write_bytes(path.read_bytes()[:9000])
    with pytest.raises(StoreError, match="malformed"):
        open_archive(path)


@pytest.mark.parametrize("detail", ["5", "0.5", "[]", '"dip_type"', "null", '{"no_such": 1.0}'])
def test_a_detail_without_names_is_a_store_error(path: Path, detail: str) -> None:
    fill(path).close()
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE event SET detail = ? WHERE id = 2", (detail,))
    connection.close()
    with pytest.raises(StoreError, match="event"):
        open_archive(path).event(2)


def test_nothing_can_be_written_through_a_reader(path: Path) -> None:
    store = fill(path)
    archive = open_archive(path)
    with pytest.raises(StoreError, match="readonly"):
        archive._read("DELETE FROM event")
    store.close()
    with pytest.raises(StoreError, match="readonly"):
        archive._read("DELETE FROM event")
    connection = sqlite3.connect(path)
    assert connection.execute("SELECT count(*) FROM event").fetchone() == (5,)
    connection.close()


def test_numbers_handed_out_carry_no_noise_of_floating_point(path: Path) -> None:
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info())
    event = dip(value=140.30000000000004, threshold=206.99999999999997, start_s=60.123456789)
    store.add(run_id, [judged(event)], [])
    store.close()
    row = open_archive(path).event(1)
    found = row.as_json()
    assert (found["value"], found["threshold"], found["start_s"]) == (140.3, 207.0, 60.123457)
    assert row.threshold == 206.99999999999997  # the database keeps what was measured


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("kind = 'tremor'", "no monitor writes (a value is of another kind than it writes)"),
        ("start_utc = 'yesterday'", "no monitor writes (its time is none)"),
        ("cause = CAST(x'ff41' AS TEXT)", "cannot be read: a text in it is no UTF-8"),
    ],
)
def test_what_is_odd_about_a_row_is_said_in_words(path: Path, change: str, said: str) -> None:
    store = Store(path, "UTC")
    store.add(store.begin_run(run_info()), [judged(dip())], [])
    store.close()
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(f"UPDATE event SET {change}")
    with pytest.raises(StoreError) as caught:
        open_archive(path)
    assert said in str(caught.value)
