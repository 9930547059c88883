"""A run written down while the database takes nothing, or takes its time."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from daemon.backlog import Backlog, Limits
from daemon.clock import SampleClock
from daemon.errors import StoreError
from daemon.journal import Journal, Subject
from daemon.profiles import find_profile
from daemon.records import Gap, LogKind, Output
from daemon.schema import utc_text
from daemon.store import Store
from drivers.clock import ManualClock
from drivers.source import SourceInfo
from tests.database_material import dip, rows
from tests.whole_material import settings_in
from tools.prove import Row, proof_table, read_rows

RATE_HZ = 16000.0


class Desk:
    """A journal on a database that refuses or dawdles as told."""

    def __init__(self, folder: Path, *, is_live: bool = True) -> None:
        self.path = folder / "events.db"
        self.clock = ManualClock()
        info = SourceInfo(RATE_HZ, ("L1",), 16, 800.0, 8000.0, True, is_live)
        settings = settings_in(folder, {"name": "simulated", "scenario": "none.yaml"})
        self.store = Store(self.path, "UTC")
        self.refusal: str | None = None
        self.n_more = 0  # writes that go well before the refusal
        self.takes_s = 0.0
        self.n_writes = 0
        self._real = self.store.add
        self.store.add = self._add  # type: ignore[method-assign, assignment]
        subject = Subject(settings, info, ("L1",), find_profile("iti-2000", folder))
        self.journal = Journal(self.store, self.clock, SampleClock(self.clock, info), subject)
        self.journal.begin()

    def _add(self, *given: Any) -> None:
        self.n_writes += 1
        self.clock.advance_s(self.takes_s)
        if self.refusal is not None and self.n_more <= 0:
            raise StoreError(self.refusal)
        self.n_more -= 1
        self._real(*given)

    def put(self, number: int) -> None:
        self.journal.keep(Output(events=[dip(number, start_s=float(number))]))

    def pass_s(self, n_seconds: int) -> None:
        for _ in range(n_seconds):
            self.clock.advance_s(1.0)
            self.journal.every_second()

    def close(self) -> None:
        self.journal.close()


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with closing(Desk(tmp_path)) as found:
        yield found


def numbers(path: Path) -> list[int]:
    return [number for (number,) in rows(path, "SELECT number FROM event ORDER BY id")]


def test_what_cannot_be_written_waits_and_the_log_says_how_long(desk: Desk) -> None:
    desk.put(1)
    desk.refusal, since_s = "the disk is full", desk.clock.utc_ns() / 1e9
    for number in range(2, 6):
        desk.put(number)
        desk.pass_s(10)
    journal = desk.journal
    assert (journal.is_storing, journal.n_waiting, numbers(desk.path)) == (False, 4, [1])
    assert (
        journal.last_fault == f"since {utc_text(since_s)} nothing can be stored: the disk is full"
    )
    desk.refusal = None
    desk.pass_s(1)
    assert (journal.is_storing, journal.n_waiting) == (True, 0)
    assert numbers(desk.path) == [1, 2, 3, 4, 5]
    ((start_utc, duration_s, text),) = rows(
        desk.path, "SELECT start_utc, duration_s, text FROM log WHERE kind = 'fault'"
    )
    assert (start_utc, duration_s) == (utc_text(since_s), 41.0)
    assert text == (
        f"from {utc_text(since_s)} to {utc_text(since_s + 41)} nothing could be stored: "
        "the disk is full; nothing was lost by it"
    )


def test_what_was_let_go_is_never_called_kept(desk: Desk) -> None:
    """The disk has room for a moment: one transaction goes well, the one that tells of it fails."""
    journal = desk.journal
    journal._backlog = Backlog(Limits(events=10))
    desk.refusal = "the disk is full"
    for number in range(1, 12):
        desk.put(number)
    assert journal.let_go == "2 events"  # down to nine tenths of ten
    desk.pass_s(1)
    assert str(journal.last_fault).endswith("the disk is full; there was no room to keep 2 events")
    desk.n_more = 1
    desk.pass_s(1)
    assert (journal.is_storing, journal.n_waiting) == (False, 1)
    desk.pass_s(3)
    assert journal.let_go == "2 events"
    desk.refusal = None
    desk.pass_s(2)
    assert (journal.is_storing, journal.let_go) == (True, "2 events")
    found = rows(desk.path, "SELECT start_s, duration_s, text FROM log WHERE kind = 'fault'")
    (start_s, lasted_s, first), (next_s, _, second) = found
    assert first.endswith("there was no room to keep 2 events")
    assert second.endswith("nothing was lost by it")
    assert next_s == start_s + lasted_s  # so that both are true


def test_it_is_tried_once_a_second_and_not_at_every_block(desk: Desk) -> None:
    desk.put(1)
    desk.refusal, desk.n_writes = "no", 0
    for number in range(2, 52):
        desk.put(number)
    assert desk.n_writes == 1
    desk.pass_s(5)
    assert desk.n_writes == 6


def test_a_slow_disk_is_given_as_much_time_as_it_took(desk: Desk) -> None:
    """Three seconds for a commit: one more in six seconds, not one for every block."""
    desk.takes_s, desk.n_writes = 3.0, 0
    for number in range(1, 601):  # blocks of 20 ms: 12 s, and the time the disk takes
        desk.clock.advance_s(0.02)
        desk.put(number)
    assert desk.n_writes == pytest.approx(12 / 3, abs=1)
    desk.takes_s = 0.0
    desk.pass_s(4)
    assert numbers(desk.path) == list(range(1, 601))


def test_the_account_is_written_with_the_gaps_it_counts(desk: Desk) -> None:
    desk.refusal = "no"
    desk.journal.account.measured = 900
    desk.journal.keep(Output(gaps=[Gap(900, 100, "samples lost")]))
    account = "SELECT samples_measured, samples_lost FROM run"
    assert rows(desk.path, account) == [(0, 0)]
    desk.refusal = None
    desk.pass_s(1)
    assert rows(desk.path, account) == [(900, 100)]
    assert rows(desk.path, "SELECT duration_s FROM log WHERE kind = 'unobserved'") == [
        (100 / RATE_HZ,)
    ]


def test_what_waits_to_be_measured_is_not_counted_as_watched(desk: Desk) -> None:
    """A power cut would take it along; in the end nothing waits."""
    account = desk.journal.account
    account.measured = account.next_index = 12 * 16_000
    account.waiting = 10 * 16_000
    desk.journal.commit()
    stored = "SELECT samples_measured, until_utc FROM run"
    start_s = desk.journal.started_utc_s
    assert rows(desk.path, stored) == [(2 * 16_000, utc_text(start_s + 2))]
    account.waiting = 0
    desk.journal.end(is_orderly=True)
    assert rows(desk.path, stored) == [(12 * 16_000, utc_text(start_s + 12))]


def test_the_end_is_tried_again_and_says_what_is_lost(desk: Desk) -> None:
    desk.refusal = "the disk is full"
    desk.put(1)
    began_s = desk.clock.monotonic_ns() / 1e9
    with pytest.raises(StoreError, match=r"the disk is full; 2 events and .* are lost"):
        desk.journal.end(is_orderly=True)
    assert desk.clock.monotonic_ns() / 1e9 - began_s == 3.0


def test_a_recording_does_not_wait(tmp_path: Path) -> None:
    with closing(Desk(tmp_path, is_live=False)) as desk:
        desk.refusal = "the disk is full"
        with pytest.raises(StoreError, match="the disk is full"):
            desk.put(1)


def test_a_database_that_another_program_locks_is_waited_for(desk: Desk) -> None:
    with closing(sqlite3.connect(desk.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        desk.put(1)
        assert "locked" in str(desk.journal.last_fault)
        other.execute("ROLLBACK")
    desk.pass_s(3)
    assert numbers(desk.path) == [1]


def test_the_same_fault_is_written_once_and_shown_all_the_time(desk: Desk) -> None:
    for text in ("pulled out", "pulled out", "not there", "not there", "pulled out"):
        desk.journal.fault(text)
    texts = [text for (text,) in rows(desk.path, "SELECT text FROM log WHERE kind = 'fault'")]
    assert texts == ["pulled out", "not there", "pulled out"]
    assert desk.journal.last_fault == "pulled out"


@pytest.mark.parametrize(
    "harm",
    [
        lambda path: path.write_bytes(b"SQLite format 3\0" + bytes(50)),
        lambda path: path.write_bytes(path.read_bytes()[:4096] + b"x" * 70_000),
        lambda path: path.write_bytes(path.read_bytes()[:5000]),
    ],
    ids=["no database", "scribbled over", "cut short"],
)
def test_a_database_damaged_meanwhile_is_set_aside(
    desk: Desk, harm: Callable[[Path], None]
) -> None:
    desk.put(1)
    harm(desk.path)
    desk.put(2)
    assert not desk.journal.is_storing
    desk.pass_s(2)
    assert desk.journal.is_storing
    assert numbers(desk.path) == [2]
    assert (desk.path.parent / "events.db.damaged-1").exists()
    texts = " ".join(text for (text,) in rows(desk.path, "SELECT text FROM log"))
    assert "the database was damaged; it lies at" in texts


def test_a_damaged_database_found_at_the_start_is_set_aside(tmp_path: Path) -> None:
    with closing(Desk(tmp_path)) as desk:
        desk.put(1)
        path = desk.path
    content = path.read_bytes()
    path.write_bytes(content[:4096] + b"x" * (len(content) - 4096))
    with closing(Desk(tmp_path)) as desk:
        desk.put(7)
    assert numbers(path) == [7]
    texts = [text for (text,) in rows(path, "SELECT text FROM log ORDER BY id")]
    assert texts[0].startswith("the database was damaged; it lies at")
    assert path.with_name("events.db.damaged-1").stat().st_size == len(content)


def test_a_log_entry_without_samples_is_stamped_now(desk: Desk) -> None:
    desk.clock.advance_s(77.0)
    desk.journal.log(LogKind.MARK, "lamp flickered")
    (stamp,) = rows(desk.path, "SELECT start_utc FROM log WHERE kind = 'mark'")[0]
    assert stamp == utc_text(desk.clock.utc_ns() / 1e9)


def test_the_table_adds_up_and_says_what_fails() -> None:
    notes = (
        '{"fault": "disk full", "times": 1, "lost": 0}\n'
        '{"fault": "kills", "times": 20, "lost": 2}\n'
        '{"fault": "disk full", "times": 6, "lost": 0}\n'
    )
    found = read_rows(notes)
    assert found == [Row("disk full", 7, 0), Row("kills", 20, 2)]
    assert proof_table(found) == [
        "Fault      Injected  Lost  Verdict",
        "disk full         7     0  holds",
        "kills            20     2  fails",
    ]
