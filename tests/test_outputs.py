"""What is written over: only what the same verb may have written."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from daemon.errors import InputError
from tests.page_material import write_database
from tools.cli import main
from tools.outputs import HTML, PNG, SVG, check_output


@pytest.mark.parametrize(
    "words",
    ["report {db} -o {db}", "show {db} 1 --png {db}", "judge {db} --profile iti-2000 --svg {db}",
     "report {db} -o {log} --equipment-log {log}", "profiles show iti-2000 --png {log}"],
)  # fmt: skip
def test_neither_the_watch_nor_a_log_is_written_over(words: str, tmp_path: Path) -> None:
    db, log = tmp_path / "watch.db", tmp_path / "failures.csv"
    write_database(db)
    log.write_text("2026-03-02T08:40:15Z\n", encoding="utf-8")
    before = db.read_bytes(), log.read_bytes()
    result = CliRunner().invoke(main, words.format(db=db, log=log).split(), prog_name="halfcycle")
    assert result.exit_code == 2
    assert "is there already, as something else; it was left as it is" in result.stderr
    assert (db.read_bytes(), log.read_bytes()) == before


@pytest.mark.parametrize(
    ("content", "heads"),
    [
        (b"\n<!DOCTYPE html><html>", HTML),
        (b"\x89PNG\r\n", PNG),
        (b"<?xml version", SVG),
        (b"", PNG),
    ],
)
def test_what_the_same_verb_wrote_may_be_written_again(
    content: bytes, heads: tuple[bytes, ...], tmp_path: Path
) -> None:
    path = tmp_path / "out"
    check_output("-o", path, heads)  # not there yet
    path.write_bytes(content)
    check_output("-o", path, heads)
    path.write_bytes(b"SQLite format 3\0")
    with pytest.raises(InputError, match="as something else"):
        check_output("-o", path, heads)
