"""Times that are known better later: both stamps kept, nothing reordered, no edit to the chain."""

import random
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from daemon import correction
from daemon.archive import EventFilter, open_archive
from daemon.clock import SampleClock
from daemon.errors import StoreError
from daemon.journal import Journal, Subject
from daemon.profiles import find_profile
from daemon.records import LogEntry, LogKind, Output
from daemon.schema import utc_seconds, utc_text
from daemon.spool import Mark
from daemon.store import Store
from drivers.clock import ManualClock
from drivers.source import SourceInfo
from tests.after_watch_material import run
from tests.database_material import dip, rows
from tests.whole_material import settings_in

RATE_HZ = 1000.0
TRUE_UTC_S = 1_780_000_000.0
FIRST_START = "json_extract(as_stored, '$.start_utc')"


class Watch:
    """A run on a clock that can be set, without samples and without waiting."""

    def __init__(self, folder: Path, clock: ManualClock) -> None:
        self.path, self.clock = folder / "events.db", clock
        info = SourceInfo(RATE_HZ, ("L1",), 16, 800.0, 500.0, True, True)
        settings = settings_in(folder, {"name": "simulated", "scenario": "none.yaml"})
        self.store = Store(self.path, "Europe/Vienna")
        # what is on the disk after a power cut is not asked here
        self.store._file.connection.execute("PRAGMA synchronous = OFF")
        self.times = SampleClock(clock, info)
        subject = Subject(settings, info, ("L1",), find_profile("iti-2000", folder))
        self.journal = Journal(self.store, clock, self.times, subject)
        self.journal.begin()
        self.seconds = self.n_events = 0

    def pass_s(self, n_seconds: int, every_s: int = 1) -> None:
        for _ in range(0, n_seconds, every_s):
            self.clock.advance_s(every_s)
            self.seconds += every_s
            index = round(self.seconds * RATE_HZ)
            self.times.note_arrival(index, self.clock.monotonic_ns())
            self.journal.account.next_index = index
            self.every_second()

    def every_second(self) -> None:
        """What the monitor does with its clock and its journal."""
        change = self.times.look()
        if change is not None:
            self.journal.clock_changed(change)
        sleep = self.times.take_sleep()
        if sleep is not None:
            self.journal.slept(sleep)
        self.journal.every_second()

    def event(self, *, is_open: bool = False) -> None:
        self.n_events += 1
        start_s = self.seconds - 0.5
        changes = {"duration_s": None, "complete": False} if is_open else {}
        self.journal.keep(Output(events=[dip(self.n_events, start_s=start_s, **changes)]))

    def close(self) -> None:
        self.journal.end(is_orderly=True)
        self.journal.close()


@pytest.fixture
def clock() -> ManualClock:
    """A computer without a clock of its own: it starts at its last shutdown, three days ago."""
    found = ManualClock(utc_s=TRUE_UTC_S - 3 * 86400)
    found.synchronised = False
    return found


@pytest.fixture
def watch(tmp_path: Path, clock: ManualClock) -> Iterator[Watch]:
    with closing(Watch(tmp_path, clock)) as found:
        yield found


def find_time(watch: Watch, step_s: float = 3 * 86400.0) -> None:
    watch.clock.step_utc_s(step_s)
    watch.clock.synchronised = True
    watch.pass_s(5)


def in_order(path: Path) -> None:
    """By the time they show and by the sample they began with, events come in one order."""
    by_time = rows(path, "SELECT id FROM event ORDER BY run_id, start_utc, id")
    assert by_time == rows(path, "SELECT id FROM event ORDER BY run_id, start_s, id")
    by_time = rows(path, "SELECT start_s FROM log WHERE start_s NOT NULL ORDER BY start_utc, id")
    assert by_time == sorted(by_time)


def sound(path: Path, n_corrected: int) -> None:
    report = open_archive(path).chain()
    assert report is not None
    assert (report.findings, report.n_corrected) == ((), n_corrected)


def test_the_time_that_arrives_an_hour_late(watch: Watch) -> None:
    watch.pass_s(1800, every_s=5)
    watch.event()
    watch.journal.log(LogKind.MARK, "lamp flickered")
    watch.pass_s(1800, every_s=5)
    find_time(watch)
    watch.event()
    stored = rows(watch.path, f"SELECT start_utc, clock, {FIRST_START} FROM event ORDER BY id")
    # the dips began half a second before they were told; stamps are kept to milliseconds
    assert stored == [
        (utc_text(TRUE_UTC_S + 1799.5), "corrected", utc_text(TRUE_UTC_S + 1799.5 - 259_200)),
        (utc_text(TRUE_UTC_S + 3604.5), "synchronised", None),
    ]
    log = rows(watch.path, f"SELECT kind, start_utc, {FIRST_START} FROM log ORDER BY id")
    assert log[0] == ("started", utc_text(TRUE_UTC_S), utc_text(TRUE_UTC_S - 259_200))
    assert log[1][:2] == ("mark", utc_text(TRUE_UTC_S + 1800))
    assert log[2] == ("clock_set", utc_text(TRUE_UTC_S + 3601), None)
    ((started, run_clock),) = rows(watch.path, "SELECT started_utc, clock FROM run")
    assert (started, run_clock) == (utc_text(TRUE_UTC_S), "corrected")
    assert watch.journal.started_utc_s == pytest.approx(TRUE_UTC_S, abs=1e-5)
    in_order(watch.path)
    sound(watch.path, n_corrected=3)
    first = open_archive(watch.path).events(EventFilter(newest_first=False))[0].first
    assert first is not None
    assert (first.clock, first.start_utc) == ("free", utc_text(TRUE_UTC_S + 1799.5 - 259_200))


def test_what_shows_a_time_says_that_it_was_corrected(watch: Watch) -> None:
    watch.pass_s(60)
    watch.event()
    find_time(watch)
    watch.close()
    listed = " ".join(run("events", watch.path, "--all").output.split())
    assert "Some times were corrected after the clock was set" in listed
    shown = " ".join(run("show", watch.path, 1).output.split())
    assert "before the clock was set; the corrected time is shown" in shown
    checked = run("check-db", watch.path)
    assert "times of 2 rows were corrected" in " ".join(checked.output.split())
    assert checked.exit_code == 0


def test_what_waits_is_corrected_before_it_is_written(watch: Watch) -> None:
    real = watch.store.add

    def refuse(*_: object) -> None:
        raise StoreError("the disk is full")

    watch.store.add = refuse  # type: ignore[method-assign, assignment]
    watch.pass_s(60)
    watch.event()
    find_time(watch)
    watch.store.add = real  # type: ignore[method-assign]
    watch.pass_s(5)
    ((start_utc, clock, first),) = rows(
        watch.path, f"SELECT start_utc, clock, {FIRST_START} FROM event"
    )
    assert (start_utc, clock) == (utc_text(TRUE_UTC_S + 59.5), "corrected")
    assert first == utc_text(TRUE_UTC_S + 59.5 - 259_200)
    watch.pass_s(5)
    in_order(watch.path)
    report = open_archive(watch.path).chain()
    assert report is not None
    assert report.findings == ()


def test_an_event_that_is_open_when_the_time_arrives(watch: Watch) -> None:
    watch.pass_s(60)
    watch.event(is_open=True)
    find_time(watch)
    watch.journal.keep(Output(events=[dip(1, start_s=59.5, duration_s=6.25)]))
    ((start_utc, end_utc, first_end),) = rows(
        watch.path, "SELECT start_utc, end_utc, json_extract(as_stored, '$.end_utc') FROM event"
    )
    assert start_utc == utc_text(TRUE_UTC_S + 59.5)
    assert end_utc == utc_text(TRUE_UTC_S + 65.75)
    assert first_end == utc_text(TRUE_UTC_S + 65.75 - 259_200)
    sound(watch.path, n_corrected=2)  # the event and that the run started


def test_more_rows_than_are_corrected_at_once(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(correction, "ROWS", 20)
    n_rows = 20 * (correction.STEPS + 2)
    watch.pass_s(5)
    events = [dip(number, start_s=number / 1000) for number in range(1, n_rows + 1)]
    watch.journal.keep(Output(events=events))
    find_time(watch)
    assert rows(watch.path, "SELECT count(*) FROM event WHERE as_stored IS NULL") == [(0,)]
    in_order(watch.path)
    watch.close()
    done = run("check-db", watch.path)
    assert done.exit_code == 0
    words = " ".join(done.output.split())
    assert "no later edit of events, log and settings was found" in words
    assert f"times of {n_rows + 1} rows were corrected" in words


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE event SET start_utc = '2026-01-01T00:00:00.000Z'",
        "UPDATE event SET clock = 'synchronised'",
        "UPDATE event SET as_stored = NULL",
        "UPDATE event SET as_stored = '{'",
        "UPDATE event SET as_stored = json_set(as_stored, '$.value', value), value = 1",
        "UPDATE log SET start_local = '' WHERE kind = 'started'",
    ],
)
def test_a_stamp_changed_by_hand_is_still_an_edit(watch: Watch, sql: str) -> None:
    watch.pass_s(60)
    watch.event()
    find_time(watch)
    watch.close()
    connection = sqlite3.connect(watch.path)
    connection.execute(sql)
    connection.commit()
    connection.close()
    assert run("check-db", watch.path).exit_code == 3


def test_the_time_not_seen_before_the_run_is_corrected(tmp_path: Path, clock: ManualClock) -> None:
    """Run one ends well; the next starts with the clock of a shutdown ten minutes after that."""
    good = ManualClock(utc_s=TRUE_UTC_S - 3 * 86400 - 600 - 100)
    with closing(Watch(tmp_path, good)) as first:
        first.pass_s(100)
    with closing(Watch(tmp_path, clock)) as second:
        find_time(second)
        ((duration_s, before_s),) = rows(
            second.path,
            "SELECT duration_s, json_extract(as_stored, '$.duration_s') FROM log "
            "WHERE kind = 'unobserved'",
        )
        assert duration_s == pytest.approx(3 * 86400 + 600, abs=0.002)
        assert before_s == pytest.approx(600, abs=0.002)
        report = open_archive(second.path).chain()
        assert report is not None
        assert report.findings == ()


def test_the_time_not_seen_is_known_once_the_clock_is(tmp_path: Path) -> None:
    with closing(Watch(tmp_path, ManualClock(utc_s=TRUE_UTC_S))) as first:
        first.pass_s(100)
    behind = ManualClock(utc_s=TRUE_UTC_S - 5000)  # truly at 1000 s
    behind.synchronised = False
    with closing(Watch(tmp_path, behind)) as second:
        second.pass_s(10)
        find_time(second, 6000.0)
        second.pass_s(2)
        found = rows(second.path, "SELECT duration_s FROM log WHERE kind = 'unobserved'")
    assert found == [(None,), (pytest.approx(900.0, abs=0.002),)]


def test_a_computer_that_slept_logs_what_it_did_not_see(tmp_path: Path) -> None:
    with closing(Watch(tmp_path, ManualClock(utc_s=TRUE_UTC_S))) as watch:
        watch.pass_s(65)
        watch.event()
        watch.clock.suspend_s(7200.0)
        watch.pass_s(60)
        watch.event()
        (gap,) = rows(watch.path, "SELECT start_utc, duration_s FROM log WHERE kind = 'unobserved'")
        assert gap == (utc_text(TRUE_UTC_S + 65), pytest.approx(7200.0))
        assert rows(watch.path, "SELECT start_utc, clock FROM event ORDER BY id") == [
            (utc_text(TRUE_UTC_S + 64.5), "synchronised"),
            (utc_text(TRUE_UTC_S + 7200 + 124.5), "synchronised"),
        ]
        assert rows(watch.path, "SELECT count(*) FROM log WHERE kind = 'clock_set'") == [(0,)]


def test_marks_are_placed_by_the_clock_they_were_stamped_with(watch: Watch) -> None:
    watch.pass_s(100)
    mark = Mark(watch.clock.utc_ns() / 1e9 - 0.25, "it failed")
    watch.journal.write([LogEntry(LogKind.MARK, mark.utc_s, None, None, mark.note)])
    find_time(watch)
    (found,) = rows(watch.path, "SELECT start_utc, start_s FROM log WHERE kind = 'mark'")
    assert found == (utc_text(TRUE_UTC_S + 99.75), pytest.approx(99.75, abs=0.001))


@pytest.mark.parametrize("seed", range(2))
def test_whatever_is_done_to_the_clock_nothing_is_reordered_or_lost(
    tmp_path: Path, seed: int
) -> None:
    dice = random.Random(seed)
    clock = ManualClock(utc_s=TRUE_UTC_S)
    clock.synchronised = bool(seed % 2)
    with closing(Watch(tmp_path, clock)) as watch:
        for _ in range(25):
            step_s = dice.choice([3600.0, -3600.0, 0.3, -0.2, 0.0, 86400.0])
            clock.step_utc_s(step_s)
            if dice.random() < 0.1:
                clock.suspend_s(600.0)
            clock.synchronised = dice.random() < 0.4
            watch.pass_s(dice.randint(3, 20))
            watch.event(is_open=dice.random() < 0.2)
            watch.pass_s(2)
            in_order(watch.path)
    assert rows(watch.path, "SELECT count(*) FROM event") == [(25,)]
    report = open_archive(watch.path).chain()
    assert report is not None
    assert report.findings == ()
    log = rows(watch.path, "SELECT start_utc FROM log WHERE start_s NOT NULL ORDER BY start_s")
    times = [utc_seconds(stamp) for (stamp,) in log]
    assert times == sorted(times)
