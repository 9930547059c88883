"""Fuzzing of databases: whatever the file holds, every verb that reads it answers or refuses.

Damaged as a file (cut, bits turned, pages overwritten), and whole as a file with rows that no
monitor writes. See tests/fuzz_material.py for the rules.
"""

# ruff: noqa: E501
import random
import sqlite3
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import pytest

from daemon.schema import STEPS
from tests.after_watch_material import fill
from tests.fuzz_material import Trials, case_dice, wrong_bytes

MANY = pytest.mark.soak
READING = (
    "events x.db --all", "events x.db --all --format jsonl", "events x.db --all --format csv",
    "show x.db 1", "check-db x.db", "judge x.db --profile iti-2000 --all",
    "judge x.db --equipment machines.yaml", "correlate x.db failures.csv", "correlate x.db",
    "compare x.db good.db", "mark x.db hello",
)  # fmt: skip
WRITING = ("report x.db -o out.html", "export x.db -o out", "merge out.db x.db good.db")
"""What these write is where they were told to; it is removed before the next."""
NUMBERS = (
    None,
    0,
    -1,
    1,
    2**63 - 1,
    -(2**63),
    1e308,
    -1e308,
    float("inf"),
    -float("inf"),
    5e-324,
    0.5,
)
TEXTS = (
    "", " ", "x", "\x1b[2J\x07", "=1+1", "<script>alert(1)</script>", "\u202e\u0000", "é" * 300,
    "[]", "{}", "[[]]", "[1]", "[[1, 2, 3]]", "null", "[null]", '"a"', '{"a": 1}', "[" * 5000,
    "1e999", "NaN", '{"cycles": "x"}', "x" * 50_000, "9999-12-31T23:59:59.999Z", "0001-01-01T00:00:00.000Z",
    "2026-13-45T25:61:61Z", "2026-11-25", "2026-11-25T07:15:33.123Z", "2026-11-25 08:15:33.123 +99:99",
    "Europe/Atlantis", "../../etc", "/dev/zero", "dip", "may_stop", "V", "Pst", "synchronised", "free",
)  # fmt: skip


def harmed_file(data: bytes, path: Path, dice: random.Random) -> None:
    """Not whole any more, or not ours."""
    way = dice.randrange(8)
    if way == 0:
        data = data[: dice.choice((0, 1, 15, 16, 60, 99, 100, 4096, 4097, len(data) // 2))]
    elif way == 1:
        start = dice.randrange(len(data) // 512) * 512
        data = data[:start] + dice.choice((bytes(512), dice.randbytes(512))) + data[start + 512 :]
    elif way == 2:
        data = dice.choice((b"x" * 5000, dice.randbytes(9000), data[:100] + dice.randbytes(9000)))
    elif way == 3:
        found = bytearray(data)
        for _ in range(dice.choice((1, 10, 1000))):
            found[dice.randrange(100, len(found))] ^= 1 << dice.randrange(8)
        data = bytes(found)
    elif way == 4:
        data = wrong_bytes(data[:100], dice) + data[100:]
    else:
        data = wrong_bytes(data, dice)
    path.write_bytes(data)


def harmed_rows(data: bytes, path: Path, dice: random.Random) -> None:
    """Whole to SQLite, but with rows that make no sense, a part missing, or another version."""
    path.write_bytes(data)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
        connection.execute("PRAGMA ignore_check_constraints = ON")
        connection.execute("PRAGMA foreign_keys = OFF")
        for name, kind in connection.execute("SELECT name, type FROM sqlite_schema").fetchall():
            if kind == "trigger":
                connection.execute(f'DROP TRIGGER "{name}"')
        for _ in range(dice.choice((1, 1, 2, 5))):
            _harm(connection, dice)


def _harm(connection: sqlite3.Connection, dice: random.Random) -> None:
    sql = "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
    tables = [name for (name,) in connection.execute(sql)]
    if not tables:
        return
    table, way = dice.choice(tables), dice.random()
    if way < 0.04:
        connection.execute(f'DROP TABLE "{table}"')
    elif way < 0.08:
        connection.execute(f'DELETE FROM "{table}"')
    elif way < 0.12:
        version = dice.choice((0, 1, len(STEPS) - 1, len(STEPS) + 1, 2**31 - 1, -1))
        connection.execute(f"PRAGMA user_version = {version}")
    else:
        columns = connection.execute(f'PRAGMA table_info("{table}")').fetchall()
        _, name, kind, *_ = dice.choice(columns)
        where = dice.choice(("", f'WHERE rowid = (SELECT max(rowid) FROM "{table}")'))
        with suppress(sqlite3.IntegrityError, sqlite3.OperationalError):  # even SQLite refuses it
            connection.execute(f'UPDATE "{table}" SET "{name}" = ? {where}', (_value(kind, dice),))


def _value(kind: str, dice: random.Random) -> Any:
    if kind == "BLOB":
        return dice.choice((b"", b"\0", dice.randbytes(7), dice.randbytes(800), bytes(100_000)))
    if kind == "TEXT":
        return dice.choice(TEXTS)
    return dice.choice(
        [
            int(n) if kind == "INTEGER" and n not in (None,) and abs(n) < 2**62 else n
            for n in NUMBERS
        ]
    )


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    fill(tmp_path / "good.db")
    (tmp_path / "failures.csv").write_text("2026-11-25T07:15:34Z,stopped\n2026-11-25T08:46:00Z,\n")
    example = Path(__file__).resolve().parent.parent / "config" / "equipment.example.yaml"
    (tmp_path / "machines.yaml").write_text(example.read_text())
    return tmp_path


def cases(trials: Trials, n_cases: int, verbs: tuple[str, ...], each: int) -> None:
    data = (trials.folder / "good.db").read_bytes()
    for number in range(n_cases):
        dice = case_dice(trials.kind, number)
        harm = harmed_file if "file" in trials.kind else harmed_rows
        (trials.folder / "x.db").unlink(missing_ok=True)
        harm(data, trials.folder / "x.db", dice)
        for words in dice.sample(verbs, each):
            trials.command(number, words, "x.db" if "file" in trials.kind else "", may_write="out")


@pytest.mark.parametrize("n_cases", [25, pytest.param(400, marks=MANY)])
@pytest.mark.parametrize("kind", ["database damaged as a file", "database with odd rows"])
def test_verbs_that_read(kind: str, n_cases: int, folder: Path) -> None:
    trials = Trials(kind, folder)
    cases(trials, n_cases, READING, 3)
    trials.settle(some_accepted=True)


@pytest.mark.parametrize("n_cases", [2, pytest.param(150, marks=MANY)])
@pytest.mark.parametrize(
    "kind", ["report and export of a damaged file", "report and export of odd rows"]
)
def test_verbs_that_write_elsewhere(kind: str, n_cases: int, folder: Path) -> None:
    trials = Trials(kind, folder)
    cases(trials, n_cases, WRITING, 3)
    trials.settle(some_accepted=True)
