"""What could not be written at the end: kept in a file, taken back, and never trusted."""

import hashlib
import json
import zlib
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from daemon import rescue
from daemon.archive import open_archive
from daemon.clock import SampleClock
from daemon.errors import StoreError
from daemon.journal import Journal, Subject
from daemon.profiles import find_profile
from daemon.records import LogKind, Output
from daemon.store import Store
from drivers.clock import ManualClock
from drivers.source import SourceInfo
from tests.database_material import dip, rows, wave
from tests.whole_material import settings_in


class Desk:
    """A journal whose database may refuse everything from some moment on."""

    def __init__(self, folder: Path, clock: ManualClock) -> None:
        self.path, self.rescue = folder / "events.db", folder / "memory" / "events.db.rescue"
        self.rescue.parent.mkdir(exist_ok=True)
        info = SourceInfo(16000.0, ("L1",), 16, 800.0, 8000.0, True, True)
        settings = settings_in(folder, {"name": "simulated", "scenario": "none.yaml"})
        self.store = Store(self.path, "UTC")
        subject = Subject(settings, info, ("L1",), find_profile("iti-2000", folder))
        places = (folder / "missing" / "events.db.rescue", self.rescue)
        times = SampleClock(clock, info)
        self.journal = Journal(self.store, clock, times, subject, places)
        self.journal.begin()

    def refuse(self) -> None:
        def refused(*_: Any) -> None:
            raise StoreError("the disk is full")

        self.store.add = refused  # type: ignore[method-assign, assignment]

    def put(self, number: int) -> None:
        event = dip(number, start_s=float(number), waveforms=(wave(800, [1.0, -2.0, 3.0]),))
        self.journal.keep(Output(events=[event]))

    def close(self) -> None:
        self.journal.close()


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


@pytest.fixture
def left(tmp_path: Path, clock: ManualClock) -> Desk:
    """The database after a run that could not write its last event and its end."""
    with closing(Desk(tmp_path, clock)) as desk:
        desk.put(1)
        clock.advance_s(10.0)
        desk.refuse()
        desk.put(2)
        with pytest.raises(StoreError) as caught:
            desk.journal.end(is_orderly=True)
        assert str(caught.value) == (
            "the disk is full; 2 events and log entries that were still to be written are kept in "
            f"{desk.rescue} and go into the database at its next start; that is a memory disk: "
            "start again before the computer is switched off"
        )
    return desk


def next_run(desk: Desk, clock: ManualClock) -> list[str]:
    """Start and end another run on the same database; the faults it logged."""
    clock.advance_s(60.0)
    with closing(Desk(desk.path.parent, clock)) as again:
        again.journal.end(is_orderly=True)
    sql = "SELECT text FROM log WHERE kind = 'fault' AND run_id = (SELECT max(id) FROM run)"
    return [text for (text,) in rows(desk.path, sql)]


def test_what_waited_is_in_the_database_after_the_next_start(
    left: Desk, clock: ManualClock
) -> None:
    assert rows(left.path, "SELECT number FROM event") == [(1,)]
    (fault,) = next_run(left, clock)
    assert fault.startswith("3 events and log entries that could not be written at the end of run")
    assert not left.rescue.exists()
    assert rows(left.path, "SELECT number, run_id FROM event ORDER BY id") == [(1, 1), (2, 1)]
    kinds = [kind for (kind,) in rows(left.path, "SELECT kind FROM log WHERE run_id = 1")]
    assert kinds == ["started", "stopped", "fault"]
    assert rows(left.path, "SELECT stopped FROM run") == [(1,), (1,)]
    archive = open_archive(left.path)
    (kept,) = archive.waveforms(2)
    # int16 of the largest: half a step is 3 / 65534 V
    assert kept.volts.tolist() == pytest.approx([1.0, -2.0, 3.0], abs=5e-5)
    report = archive.chain()
    assert report is not None
    assert report.findings == ()


def test_a_file_left_over_is_not_taken_twice(left: Desk, clock: ManualClock) -> None:
    content = left.rescue.read_bytes()
    next_run(left, clock)
    left.rescue.write_bytes(content)  # as if the power had gone before it was removed
    assert next_run(left, clock) == []
    assert not left.rescue.exists()
    assert rows(left.path, "SELECT count(*) FROM log WHERE kind = 'stopped'") == [(3,)]


def changed(content: bytes, change: Callable[[dict[str, Any]], object]) -> bytes:
    """A file with a digest that fits, and something else in it."""
    head, _, body = content.partition(b"\n")
    found = json.loads(zlib.decompress(body))
    change(found)
    body = zlib.compress(json.dumps(found).encode())
    words = [*head.split()[:2], hashlib.sha256(body).hexdigest().encode()]
    return b" ".join(words) + b"\n" + body


def rewrite(**values: object) -> Callable[[bytes], bytes]:
    return lambda content: changed(content, lambda found: found.update(values))


def rewrite_event(**values: object) -> Callable[[bytes], bytes]:
    return lambda content: changed(content, lambda found: found["events"][0]["row"].update(values))


@pytest.mark.parametrize(
    "harm",
    [
        lambda content: b"",
        lambda content: b"x" * 1000,
        lambda content: content[:-1],
        lambda content: content.replace(b"halfcycle-rescue 1", b"halfcycle-rescue 2"),
        rewrite(boot_id="another computer"),
        rewrite(run_id=77),
        rewrite(schema_version=99),
        rewrite(more=1),
        rewrite(samples_measured=-1),
        rewrite(log=[[1, "gossip", "", "", None, None, "", None]]),
        rewrite(log=[[1, "mark"]]),
        rewrite(log=[[2, "mark", "", "", None, None, "", None]]),
        rewrite(days=[{"day": "2026-01-01", "channel": "L1", "data": "AAAA"}]),
        rewrite_event(kind="sag"),
        rewrite_event(start_s="soon"),
        rewrite_event(flags="{"),
        rewrite_event(id=1),
        rewrite_event(run_id=2),
        rewrite_event(detail='{"secret": 1}'),
        rewrite_event(number=None),
        rewrite_event(number=2**70),
    ],
)
def test_a_file_that_is_not_right_is_refused_and_kept(
    left: Desk, clock: ManualClock, harm: Callable[[bytes], bytes]
) -> None:
    left.rescue.write_bytes(harm(left.rescue.read_bytes()))
    (fault,) = next_run(left, clock)
    assert fault.startswith(f"a rescue file was refused and lies at {left.rescue}-refused: ")
    assert not left.rescue.exists()
    assert rows(left.path, "SELECT number FROM event") == [(1,)]
    assert rows(left.path, "SELECT stopped FROM run WHERE id = 1") == [(0,)]


def test_a_bomb_is_not_unpacked(
    left: Desk, clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rescue, "MOST_TEXT", 1_000_000)
    body = zlib.compress(b'{"a": "' + bytes(1_100_000) + b'"}', 9)
    digest = hashlib.sha256(body).hexdigest()
    left.rescue.write_bytes(f"halfcycle-rescue 1 {digest}\n".encode() + body)
    (fault,) = next_run(left, clock)
    assert "holds more than it may" in fault


def test_a_link_is_not_followed(left: Desk, clock: ManualClock, tmp_path: Path) -> None:
    left.rescue.rename(tmp_path / "elsewhere")
    left.rescue.symlink_to(tmp_path / "elsewhere")
    (fault,) = next_run(left, clock)
    assert "is no rescue file" in fault


def test_where_there_is_no_room_at_all_it_says_so(tmp_path: Path, clock: ManualClock) -> None:
    with closing(Desk(tmp_path, clock)) as desk:
        desk.rescue.parent.rmdir()
        desk.refuse()
        desk.journal.log(LogKind.MARK, "it failed")
        with pytest.raises(StoreError, match=r"still to be written are lost"):
            desk.journal.end(is_orderly=True)
