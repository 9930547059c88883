"""Faults to order: a disk that fails, power cuts, and the table of what they cost."""

import json
import os
import random
import shutil
import sqlite3
import struct
import subprocess
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

SHIM = Path(__file__).with_name("faulty_disk.c")
SECTOR = 512  # the least a disk writes at once; a cut may fall between any two
HEAD = struct.Struct("<qqq")


@dataclass(frozen=True, slots=True)
class Operation:
    """One change of a file, as the shim wrote it down."""

    kind: str  # W write, T truncate, S sync, U unlink, R rename
    path: str
    offset: int
    data: bytes


class FaultyDisk:
    """A folder on which writing fails as told, for processes started with `environment`."""

    def __init__(self, folder: Path, work: Path) -> None:
        self.folder = folder
        self._control = work / "control"
        self._trace = work / "trace"
        self._shim = work / "faulty_disk.so"
        compiler = shutil.which("gcc") or shutil.which("cc")
        if compiler is None:
            pytest.skip("there is no C compiler to make the faulty disk with")
        subprocess.run(
            [compiler, "-shared", "-fPIC", "-O1", "-o", self._shim, SHIM, "-ldl"], check=True
        )
        self.fail("none")

    def fail(self, mode: str) -> None:
        """none, enospc, eio, erofs, or milliseconds that a sync takes."""
        draft = self._control.with_suffix(".new")
        draft.write_text(mode)
        draft.replace(self._control)

    def environment(self, *, is_traced: bool = False) -> dict[str, str]:
        found = {
            "LD_PRELOAD": str(self._shim),
            "FAULTY_FOLDER": str(self.folder),
            "FAULTY_CONTROL": str(self._control),
        }
        return found | ({"FAULTY_TRACE": str(self._trace)} if is_traced else {})

    def operations(self) -> list[Operation]:
        """Every change so far, in order."""
        raw, found, at = self._trace.read_bytes(), [], 0
        while at < len(raw):
            kind = chr(raw[at])
            n_path, offset, n_data = HEAD.unpack_from(raw, at + 1)
            at += 1 + HEAD.size
            path = raw[at : at + n_path].decode()
            data = raw[at + n_path : at + n_path + n_data]
            at += n_path + n_data
            found.append(Operation(kind, Path(path).name, offset, data))
        return found


def power_cut(operations: list[Operation], folder: Path, always: str, dice: random.Random) -> None:
    """Make the files as a power cut after these operations may leave them.

    What was synced is there. Each write or truncation since the last sync of its file is there as
    a whole, or not at all, or up to a border between two sectors: as the dice fall, one by one.
    Names (creating, removing, renaming) are durable in their order, as with a journalling file
    system; the shared-memory file is not on a disk. `always` is the test's own note of what had
    been listed; it is always whole.
    """
    files: dict[str, bytearray] = {}
    pending: dict[str, list[Operation]] = {}
    for operation in operations:
        path = operation.path
        if operation.kind == "S" or path == always:
            waiting = pending.pop(path, []) + ([operation] if path == always else [])
            _apply(files, path, waiting)
        elif operation.kind == "U":
            files.pop(path, None)
            pending.pop(path, None)
        elif operation.kind == "R":
            to = Path(operation.data.decode()).name
            files[to] = files.pop(path, bytearray())
            pending[to] = pending.pop(path, [])
        elif not path.endswith("-shm"):
            files.setdefault(path, bytearray())
            pending.setdefault(path, []).append(operation)
    for path, waiting in pending.items():
        _apply(files, path, [torn for one in waiting for torn in _torn(one, dice)])
    for path, content in files.items():
        (folder / path).write_bytes(content)


def _torn(operation: Operation, dice: random.Random) -> list[Operation]:
    fate = dice.choice(["whole", "lost", "torn"])
    if fate == "lost":
        return []
    if fate == "whole" or operation.kind != "W":
        return [operation]
    n_whole = SECTOR * dice.randint(0, len(operation.data) // SECTOR)
    return [Operation("W", operation.path, operation.offset, operation.data[:n_whole])]


def _apply(files: dict[str, bytearray], path: str, operations: list[Operation]) -> None:
    for operation in operations:
        content = files.setdefault(path, bytearray())
        end = operation.offset + len(operation.data)
        if operation.kind == "T":
            del content[operation.offset :]
        if len(content) < end:
            content.extend(bytes(end - len(content)))
        if operation.kind == "W":
            content[operation.offset : end] = operation.data


@dataclass(slots=True)
class Proof:
    """One row of the table: a fault, how often it was injected, what it cost."""

    fault: str
    times: int = 0
    lost: list[str] = field(default_factory=list)

    def check(self, is_kept: bool, what: str) -> None:
        """Something that has to hold after a fault."""
        if not is_kept:
            self.lost.append(what)

    def settle(self) -> None:
        """Write the row where `tools.prove` looks for it, and fail if anything was lost."""
        table = os.environ.get("HALFCYCLE_PROOF")
        if table:
            row: dict[str, Any] = {"fault": self.fault, "times": self.times, "lost": len(self.lost)}
            row["test"] = os.environ.get("PYTEST_CURRENT_TEST", "").removesuffix(" (call)")
            with Path(table).open("a", encoding="utf-8") as file:
                file.write(json.dumps(row) + "\n")
        assert self.times > 0, "no fault was injected"
        assert not self.lost, f"{len(self.lost)} of {self.times}: {self.lost[:10]}"


def query(database: Path, sql: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True)) as connection:
        return connection.execute(sql).fetchall()


def check_account(proof: Proof, database: Path, n_taken: int) -> None:
    """Samples taken = samples measured + samples logged as unobserved, exactly."""
    ((measured, lost, rate_hz),) = query(
        database,
        "SELECT samples_measured, samples_lost, sample_rate_hz FROM run ORDER BY id DESC LIMIT 1",
    )
    logged = query(
        database,
        "SELECT duration_s FROM log WHERE kind = 'unobserved' AND start_s IS NOT NULL "
        "AND run_id = (SELECT max(id) FROM run)",
    )
    n_logged = sum(round(length_s * rate_hz) for (length_s,) in logged)
    account = f"{n_taken} taken, {measured} measured, {lost} lost, {n_logged} logged"
    proof.check(measured + n_logged == n_taken and lost == n_logged, account)
