"""The writer, looked at through Python's own sqlite3 module as an independent reader."""

import json
import os
import sqlite3
import zlib
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daemon import schema
from daemon.daily import DayStatistics
from daemon.errors import InputError, StoreError
from daemon.records import (
    LevelTime,
    LogEntry,
    LogKind,
    Trace,
    Waveform,
)
from daemon.store import RunProgress, Store
from tests.database_material import START_UTC_S, dip, foreign, judged, rows, run_info, wave


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "events.db"


def test_the_date_command_agrees_with_the_stamps() -> None:
    # `TZ=... date --iso-8601=ns`, coreutils: winter, and both sides of the autumn change
    assert schema.utc_text(START_UTC_S) == "2026-11-25T07:15:33.123Z"
    assert schema.utc_seconds("2026-11-25T07:15:33.123Z") == pytest.approx(START_UTC_S, abs=1e-6)


def test_an_event_comes_back_as_it_went_in(path: Path) -> None:
    store = Store(path, "Europe/Vienna")
    run_id = store.begin_run(run_info())
    store.add(run_id, [judged(dip())], [])
    store.close()
    sql = (
        'SELECT id, run_id, number, kind, channel, "group", start_utc, end_utc, start_local, '
        "start_s, duration_s, value, unit, value_pct, threshold, extreme_s, "
        'below_interruption_s, level_times, verdict, "limit", profile, complete, clock, flags '
        "FROM event"
    )
    assert rows(path, sql) == [
        (
            1,
            run_id,
            1,
            "dip",
            "L1",
            1,
            "2026-11-25T07:15:33.123Z",
            "2026-11-25T07:15:33.243Z",
            "2026-11-25 08:15:33.123 +01:00",
            60.0,
            0.12,
            140.3,
            "V",
            61.0,
            207.0,
            60.05,
            None,
            "[[90.0, 0.12], [70.0, 0.08]]",
            "may_stop",
            "below 70 % for at most 0.02 s",
            "iti-2000",
            1,
            "synchronised",
            "[]",
        )
    ]


def test_the_two_half_past_two_of_the_autumn_change_differ(path: Path) -> None:
    store = Store(path, "Europe/Vienna")
    run_id = store.begin_run(run_info())
    # 2026-10-25 00:30 and 01:30 UTC; summer time ends at 01:00 UTC (Directive 2000/84/EC)
    stamps = [1_792_888_200.0, 1_792_891_800.0]
    store.add(run_id, [judged(dip(n), start_utc_s=s) for n, s in enumerate(stamps)], [])
    store.close()
    assert rows(path, "SELECT start_local FROM event ORDER BY id") == [
        ("2026-10-25 02:30:00.000 +02:00",),
        ("2026-10-25 02:30:00.000 +01:00",),
    ]


@pytest.mark.parametrize(
    "scalar",
    [np.float32, np.float64, np.float16, np.int8, np.int32, np.int64, np.uint16, int, float],
)
def test_no_numpy_scalar_reaches_sqlite(path: Path, scalar: Any) -> None:
    one = scalar(1)
    event = dip(
        number=one,
        group=one,
        start_s=one,
        duration_s=one,
        value=one,
        value_pct=one,
        threshold=one,
        extreme_s=one,
        below_interruption_s=one,
        level_times=(LevelTime(one, one),),
        complete=np.bool_(True),
        channel=np.str_("L1"),
        flags=(np.str_("gap"),),
    )
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info(sample_rate_hz=one, started_utc_s=one))
    entry = LogEntry(LogKind.UNOBSERVED, one, one, one, "overrun")
    store.add(scalar(run_id), [judged(event, start_utc_s=one)], [entry])
    store.touch_run(scalar(run_id), one, one, one)
    store.close()
    types = 'typeof(number), typeof("group"), typeof(complete), typeof(start_s), typeof(channel)'
    assert rows(path, f"SELECT {types} FROM event") == [("integer",) * 3 + ("real", "text")]
    reals = "value_pct, threshold, extreme_s, below_interruption_s, duration_s, value"
    assert rows(path, f"SELECT {reals} FROM event") == [(1.0,) * 6]
    assert rows(path, "SELECT level_times, flags FROM event") == [("[[1.0, 1.0]]", '["gap"]')]
    assert rows(path, "SELECT typeof(start_s), duration_s FROM log") == [("real", 1.0)]
    assert rows(path, "SELECT samples_measured, samples_lost FROM run") == [(1, 1)]


def test_every_table_is_strict_and_refuses_a_wrong_type(path: Path) -> None:
    Store(path, "UTC").close()
    tables = rows(path, "SELECT name, strict FROM pragma_table_list WHERE schema = 'main'")
    ours = {name: strict for name, strict in tables if not name.startswith("sqlite_")}
    names = {"event", "log", "run", "settings", "trace", "waveform", "chain", "statistics"}
    names.add("event_count")
    assert {name for name, strict in ours.items() if strict} == names
    assert set(ours) == names | {"event_list", "log_list"}
    connection = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError, match="cannot store TEXT value in REAL"):
        connection.execute(
            "INSERT INTO log (run_id, kind, start_utc, start_local, start_s, text) "
            "VALUES (1, 'mark', '', '', 'soon', '')"
        )
    connection.close()


def test_an_event_handed_on_again_keeps_its_id(path: Path) -> None:
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info())
    store.add(run_id, [judged(dip(7, duration_s=None, complete=False)), judged(dip(8))], [])
    store.add(run_id, [judged(dip(7, duration_s=2.5))], [])
    again = store.begin_run(run_info())
    store.add(again, [judged(dip(7))], [])
    store.close()
    sql = "SELECT id, run_id, number, duration_s, complete FROM event ORDER BY id"
    assert rows(path, sql) == [
        (1, run_id, 7, 2.5, 1),
        (2, run_id, 8, 0.12, 1),
        (3, again, 7, 0.12, 1),
    ]


def test_waveforms_are_kept_replaced_and_added(path: Path) -> None:
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info())
    trace = Trace(np.array([1.0, 1.01]), np.array([230.0, 140.0], dtype=np.float32))
    store.add(run_id, [judged(dip(trace=trace, waveforms=(wave(900, [1.0]),)))], [])
    store.add(run_id, [judged(dip())], [])
    store.add(run_id, [judged(dip(waveforms=(wave(900, [1.0, -2.0]), wave(100, [3.0]))))], [])
    store.close()
    sql = "SELECT part, first_index, scale_v FROM waveform ORDER BY part"
    assert rows(path, sql) == [(0, 100, 3.0 / 32767), (1, 900, 2.0 / 32767)]
    assert rows(path, "SELECT count(*) FROM trace") == [(1,)]


def test_samples_decode_by_the_documented_recipe(path: Path) -> None:
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info())
    volts = (325.27 * np.sin(np.arange(640) * 2 * np.pi * 50 / 16000)).astype(np.float32)
    waveform = Waveform(5, 16000.0, volts)
    trace = Trace(np.arange(3) / 100, np.array([230.0, 1.5, 0.0], dtype=np.float32))
    store.add(run_id, [judged(dip(trace=trace, waveforms=(waveform,)))], [])
    store.close()
    ((scale_v, samples),) = rows(path, "SELECT scale_v, samples FROM waveform")
    counts = np.frombuffer(zlib.decompress(samples), "<i2")
    # rounding to an integer is off by at most half of one count
    assert np.max(np.abs(counts * scale_v - volts)) <= scale_v / 2 * 1.001
    ((start_s, urms),) = rows(path, "SELECT start_s, urms FROM trace")
    assert np.frombuffer(zlib.decompress(start_s), "<f8").tolist() == [0.0, 0.01, 0.02]
    assert np.frombuffer(zlib.decompress(urms), "<f4").tolist() == [230.0, 1.5, 0.0]


def test_a_flat_waveform_is_zero(path: Path) -> None:
    scale_v, samples = schema.pack_waveform(wave(0, [0.0, 0.0]))
    assert schema.unpack_waveform(0, 16000.0, scale_v, samples).volts.tolist() == [0.0, 0.0]


def test_settings_are_kept_once_for_runs_that_share_them(path: Path) -> None:
    store = Store(path, "UTC")
    for text in ("a: 1", "a: 1", "a: 2"):
        store.begin_run(run_info(settings_text=text))
    store.close()
    assert rows(path, "SELECT text FROM settings ORDER BY id") == [("a: 1",), ("a: 2",)]
    assert rows(path, "SELECT settings_id FROM run ORDER BY id") == [(1,), (1,), (2,)]


def test_a_run_says_how_far_it_got(path: Path) -> None:
    store = Store(path, "UTC")
    assert store.previous_run() is None
    first = store.begin_run(run_info())
    assert store.previous_run() is None
    store.touch_run(first, START_UTC_S, 960_000, 12)
    store.close()
    store = Store(path, "UTC")
    before = store.previous_run()
    second = store.begin_run(run_info(boot_id="boot-2"))
    previous = store.previous_run()
    assert before == previous
    assert previous is not None
    assert previous.until_utc_s == pytest.approx(START_UTC_S, abs=1e-6)
    assert (previous.run_id, previous.boot_id, previous.stopped) == (first, "boot-1", False)
    store.end_run(second, START_UTC_S + 3600, 57_600_000, 0)
    store.close()
    sql = "SELECT stopped, until_utc, samples_measured, samples_lost, channels FROM run"
    assert rows(path, sql) == [
        (0, "2026-11-25T07:15:33.123Z", 960_000, 12, '["L1", "L2"]'),
        (1, "2026-11-25T08:15:33.123Z", 57_600_000, 0, '["L1", "L2"]'),
    ]


def test_a_start_and_what_it_says_of_the_time_before_are_one(path: Path) -> None:
    """A start cut in two would leave a run that hides the gap before it."""
    Store(path, "UTC").close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(
            "CREATE TRIGGER no_log BEFORE INSERT ON log BEGIN SELECT RAISE(ABORT, 'no'); END"
        )
    gap = LogEntry(LogKind.UNOBSERVED, START_UTC_S - 600.0, None, 600.0, "the monitor broke off")
    store = Store(path, "UTC")
    with pytest.raises(sqlite3.IntegrityError):
        store.begin_run(run_info(), [gap])
    store.close()
    assert rows(path, "SELECT count(*) FROM run") == [(0,)]
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DROP TRIGGER no_log")
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info(), [gap])
    store.close()
    assert rows(path, "SELECT run_id, duration_s FROM log") == [(run_id, 600.0)]
    assert rows(path, "SELECT row_id FROM chain WHERE about = 'log'") == [(1,)]


def test_events_left_open_by_earlier_runs_are_flagged_once(path: Path) -> None:
    store = Store(path, "UTC")
    first = store.begin_run(run_info())
    left = dip(1, duration_s=None, complete=False, flags=("gap",))
    store.add(first, [judged(left), judged(dip(2))], [])
    store.close()
    store = Store(path, "UTC")
    second = store.begin_run(run_info())
    store.add(second, [judged(dip(1, duration_s=None, complete=False))], [])
    assert store.close_open_events() == 1
    assert store.close_open_events() == 0
    store.close()
    found = [
        (*row, json.loads(flags))
        for *row, flags in rows(path, "SELECT id, duration_s, complete, flags FROM event")
    ]
    assert found == [
        (1, None, 0, ["gap", "cut_short"]),
        (2, 0.12, 1, []),
        (3, None, 0, []),
    ]


def test_the_views_speak_plainly(path: Path) -> None:
    store = Store(path, "Europe/Vienna")
    run_id = store.begin_run(run_info())
    entry = LogEntry(LogKind.SUPPLY_RETURNED, START_UTC_S, 60.0, 4.5, "back after 4.5 s")
    store.add(run_id, [judged(dip(flags=("touches_gap", "clipped")))], [entry])
    store.close()
    sql = 'SELECT "No", "Local time", "What", "Value", "Meaning", "Both ends seen" FROM event_list'
    local = "2026-11-25 08:15:33.123 +01:00"
    assert rows(path, sql) == [(1, local, "dip (sag)", 140.3, "equipment may stop", "yes")]
    assert rows(path, 'SELECT "Notes" FROM event_list') == [("touches gap, clipped",)]
    log = rows(path, "SELECT * FROM log_list")
    assert log == [(1, local, "supply returned", 4.5, "back after 4.5 s")]


def test_a_batch_is_all_there_or_not_at_all(path: Path) -> None:
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info())
    broken = dip(2, level_times=(LevelTime(90.0, float("nan")),))
    with pytest.raises(ValueError, match="JSON"):
        store.add(run_id, [judged(dip(1)), judged(broken)], [])
    store.add(run_id, [judged(dip(3))], [])
    store.close()
    assert rows(path, "SELECT number FROM event") == [(3,)]


def test_a_full_disk_is_a_store_error_and_can_be_tried_again(path: Path) -> None:
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info())
    volts = np.random.default_rng(1).normal(size=200_000).astype(np.float32)
    big = dip(2, waveforms=(Waveform(0, 16000.0, volts),))
    (pages,) = store._file.connection.execute("PRAGMA page_count").fetchone()
    store._file.connection.execute(f"PRAGMA max_page_count = {pages + 4}")
    with pytest.raises(StoreError, match="database or disk is full"):
        store.add(run_id, [judged(dip(1)), judged(big)], [])
    store._file.connection.execute("PRAGMA max_page_count = 100000")
    store.add(run_id, [judged(dip(1)), judged(big)], [])
    store.close()
    assert rows(path, "SELECT number FROM event") == [(1,), (2,)]


def test_the_writer_is_set_up_for_power_cuts(path: Path) -> None:
    store = Store(path, "UTC")
    pragma = {
        name: store._file.connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("journal_mode", "synchronous", "wal_autocheckpoint", "busy_timeout")
    }
    store.close()
    # synchronous 2 is FULL, https://sqlite.org/pragma.html#pragma_synchronous
    assert pragma == {
        "journal_mode": "wal",
        "synchronous": 2,
        "wal_autocheckpoint": 1000,
        "busy_timeout": 1000,
    }


@pytest.mark.parametrize(
    ("application_id", "version", "message"),
    [
        (0, 0, "another program"),
        (1, 1, "another program"),
        (schema.APPLICATION_ID, 99, "newer Halfcycle"),
    ],
)
def test_a_database_that_is_not_ours_is_left_alone(
    path: Path, application_id: int, version: int, message: str
) -> None:
    foreign(path, application_id, version)
    before = (path.read_bytes(), path.stat().st_mtime_ns, sorted(os.listdir(path.parent)))
    with pytest.raises(InputError, match=message):
        Store(path, "UTC")
    after = (path.read_bytes(), path.stat().st_mtime_ns, sorted(os.listdir(path.parent)))
    assert after == before


@pytest.mark.parametrize(
    ("edit", "what"),
    [("DROP TABLE chain", "chain, chain_by_row"), ("DROP TRIGGER event_counted", "event_counted")],
)
def test_a_database_that_lacks_something_is_left_alone(path: Path, edit: str, what: str) -> None:
    Store(path, "UTC").close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(edit)
    before = path.read_bytes()
    with pytest.raises(InputError, match=f"lacks {what}: it was edited"):
        Store(path, "UTC")
    assert path.read_bytes() == before


@pytest.mark.parametrize("content", [b"x", b"Ours? No.\n" * 100, b"SQLite format 3\0" + bytes(50)])
def test_a_file_that_is_no_database_is_left_alone(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    with pytest.raises(InputError, match="not a SQLite database"):
        Store(path, "UTC")
    assert path.read_bytes() == content
    assert os.listdir(path.parent) == ["events.db"]


def test_wrong_places_and_zones_are_the_users_mistake(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is a folder"):
        Store(tmp_path, "UTC")
    with pytest.raises(InputError, match="does not exist"):
        Store(tmp_path / "missing" / "events.db", "UTC")
    with pytest.raises(InputError, match="is a device or a pipe"):
        Store(Path("/dev/null"), "UTC")
    assert Path("/dev/null").is_char_device()
    with pytest.raises(InputError, match="File name too long"):
        Store(tmp_path / ("long" * 100), "UTC")
    with pytest.raises(InputError, match=r"site\.timezone is 'Mars/Base'"):
        Store(tmp_path / "events.db", "Mars/Base")
    assert os.listdir(tmp_path) == []


def test_a_link_keeps_pointing_to_the_database(path: Path, tmp_path: Path) -> None:
    link = tmp_path / "link.db"
    link.symlink_to(path)
    Store(link, "UTC").close()
    assert link.is_symlink()
    assert rows(path, "SELECT count(*) FROM event") == [(0,)]


def test_an_empty_file_and_a_left_over_draft_become_a_database(path: Path) -> None:
    path.touch()
    path.with_name("events.db.new").write_bytes(b"half-made")
    Store(path, "UTC").close()
    assert os.listdir(path.parent) == ["events.db"]
    assert rows(path, "PRAGMA application_id") == [(schema.APPLICATION_ID,)]


def test_opening_again_changes_no_schema(path: Path) -> None:
    Store(path, "UTC").close()
    before = rows(path, "SELECT sql FROM sqlite_master")
    Store(path, "UTC").close()
    assert rows(path, "SELECT sql FROM sqlite_master") == before
    assert rows(path, "PRAGMA user_version") == [(len(schema.STEPS),)]


def test_a_locked_database_is_a_store_error(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("daemon.database_file.BUSY_TIMEOUT_S", 0.05)
    store = Store(path, "UTC")
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreError, match="locked"):
        store.begin_run(run_info())
    other.execute("ROLLBACK")
    other.close()
    assert store.begin_run(run_info()) == 1
    store.close()


def test_statistics_go_with_the_progress_and_change_their_row_alone(path: Path) -> None:
    """Of a row that is replaced the index is written as well; and a commit costs a card a block at
    least, so there is one."""
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info())
    for number in range(1, 4):
        day = DayStatistics("2026-03-01", "L1", bytes([number]))
        progress = RunProgress(START_UTC_S + 60 * number, number, 0)
        before = (path.with_name(path.name + "-wal")).stat().st_size
        store.add(run_id, [], [], progress, [day])
        grown = path.with_name(path.name + "-wal").stat().st_size - before
        assert rows(path, "SELECT data FROM statistics") == [(bytes([number]),)]
        assert rows(path, "SELECT samples_measured FROM run") == [(number,)]
        # Two pages, each with 24 bytes before it (sqlite.org/fileformat2.html, 4.1).
        assert number == 1 or grown == 2 * (4096 + 24)
    store.close()
