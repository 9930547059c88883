"""Marks through the spool: whole, few, small, and never trusted."""

import json
import os
from pathlib import Path

import pytest

from daemon.errors import InputError, StoreError
from daemon.records import LogEntry, LogKind
from daemon.spool import (
    LARGEST_FILE,
    LONGEST_NOTE,
    MOST_WAITING,
    WITHOUT_NOTE,
    Mark,
    plain_note,
    read_spool,
    write_mark,
)


def test_marks_come_out_once_in_the_order_of_time(tmp_path: Path) -> None:
    folder = tmp_path / "spool"
    write_mark(folder, Mark(1_780_000_002.5, "second"))
    write_mark(folder, Mark(1_780_000_001.25))
    assert read_spool(folder) == [
        LogEntry(LogKind.MARK, 1_780_000_001.25, None, None, WITHOUT_NOTE),
        LogEntry(LogKind.MARK, 1_780_000_002.5, None, None, "second"),
    ]
    assert read_spool(folder) == []
    assert list(folder.iterdir()) == []


def test_no_folder_is_no_marks(tmp_path: Path) -> None:
    assert read_spool(tmp_path / "none") == []


def test_only_the_owner_may_look(tmp_path: Path) -> None:
    write_mark(tmp_path / "spool", Mark(0.0))
    assert (tmp_path / "spool").stat().st_mode & 0o777 == 0o700


def test_a_note_is_one_printable_line() -> None:
    assert plain_note("  a\tb\nc\x1b[31m\u202e d ") == "a b c[31m d"
    assert plain_note("x" * 1000) == "x" * LONGEST_NOTE
    assert plain_note("<script>") == "<script>"  # escaped where it is shown, not here


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"no json",
        b"[]",
        b"{}",
        b'{"utc_s": "now", "note": ""}',
        b'{"utc_s": NaN, "note": ""}',
        b'{"utc_s": 1e300, "note": ""}',
        b'{"utc_s": 1, "note": "", "kind": "started"}',
        json.dumps({"utc_s": 1, "note": "x" * (LONGEST_NOTE + 1)}).encode(),
        b" " * (LARGEST_FILE + 1),
        b"\xff\xfe",
    ],
)
def test_what_is_no_mark_is_thrown_away(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "1.mark").write_bytes(content)
    write_mark(tmp_path, Mark(5.0, "good"))
    assert [entry.text for entry in read_spool(tmp_path)] == ["good"]
    assert list(tmp_path.iterdir()) == []


def test_a_link_or_a_pipe_is_not_followed(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text('{"utc_s": 1.0, "note": "from elsewhere"}')
    folder = tmp_path / "spool"
    folder.mkdir()
    (folder / "1.mark").symlink_to(secret)
    os.mkfifo(folder / "2.mark")  # opening one waits for a writer
    assert read_spool(folder) == []
    assert secret.exists()
    assert list(folder.iterdir()) == []


def test_a_half_written_file_is_not_looked_at(tmp_path: Path) -> None:
    part = tmp_path / ".000-aa.part"
    part.write_text('{"utc_s"')
    assert read_spool(tmp_path) == []
    assert part.exists()


def test_they_do_not_pile_up_without_a_monitor(tmp_path: Path) -> None:
    for count in range(MOST_WAITING):
        write_mark(tmp_path, Mark(float(count)))
    with pytest.raises(InputError, match="the monitor does not take them"):
        write_mark(tmp_path, Mark(1000.0))
    assert len(read_spool(tmp_path)) == MOST_WAITING
    write_mark(tmp_path, Mark(1000.0))


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot be written"):
        write_mark(tmp_path / "file" / "spool", Mark(0.0))
