"""The database as a file on a disk that is full: a half-made one does not stay behind.

The disk fails through a shim before the C library (tests/faulty_disk.c), so that SQLite meets the
error number of a full disk, and so does everything it does about it.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.survival_material import FaultyDisk
from tests.whole_material import environment

MADE = """
import sys
from pathlib import Path
from daemon.store import Store

Store(Path(sys.argv[1]), "UTC").close()
"""
COPIED = """
import sqlite3, sys
from pathlib import Path
from daemon.database_file import copy_to

connection = sqlite3.connect(":memory:")
connection.execute("CREATE TABLE kept (what BLOB)")
connection.execute("INSERT INTO kept VALUES (randomblob(100000))")
connection.commit()
copy_to(connection, Path(sys.argv[1]))
"""


@pytest.mark.parametrize("program", [MADE, COPIED], ids=["made", "copied"])
def test_a_draft_does_not_stay_on_a_full_disk(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory, program: str
) -> None:
    disk = FaultyDisk(tmp_path, tmp_path_factory.mktemp("faulty"))
    command = [sys.executable, "-c", program, str(tmp_path / "events.db")]
    told = {**environment(), **disk.environment()}
    disk.fail("enospc")
    failed = subprocess.run(command, check=False, env=told, capture_output=True, text=True)
    assert failed.returncode != 0
    assert "disk is full" in failed.stderr
    assert os.listdir(tmp_path) == []
    disk.fail("none")
    subprocess.run(command, env=told, check=True)
    assert os.listdir(tmp_path) == ["events.db"]
