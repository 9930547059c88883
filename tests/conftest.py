"""What every test has to leave behind it: nothing."""

import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

PATIENCE_S = 3.0  # a server's worker thread needs a moment to see that it is not needed any more


@pytest.fixture(autouse=True, scope="session")
def runtime_directory(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Snapshots lie in a folder of the tests instead of the user's memory disk."""
    folder = tmp_path_factory.mktemp("runtime")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("RUNTIME_DIRECTORY", str(folder))
        yield folder


@pytest.fixture(autouse=True)
def leaves_nothing_behind() -> Iterator[None]:
    """No child process, thread or open database outlives the test that made it.

    What a module or a session shares is there before this looks for the first time.
    """
    before = _left()
    yield
    deadline_s = time.monotonic() + PATIENCE_S
    while (left := _left() - before) and time.monotonic() < deadline_s:
        time.sleep(0.02)
    if left:
        pytest.fail(f"left behind: {', '.join(sorted(left))}")


@pytest.fixture
def pins() -> Iterator[MockFactory]:
    """Pins that are none, as gpiozero itself makes them for tests."""
    before = Device.pin_factory
    Device.pin_factory = MockFactory()
    yield Device.pin_factory
    Device.pin_factory.reset()
    Device.pin_factory = before


def _left() -> set[str]:
    return {*_children(), *_threads(), *_databases()}


def _children() -> set[str]:
    """Direct child processes, ended but unfetched ones included (proc(5), task/children)."""
    found = set()
    for task in Path("/proc/self/task").iterdir():
        try:
            numbers = (task / "children").read_text().split()
        except OSError:  # the thread ended meanwhile
            continue
        found |= {f"process {number}" for number in numbers}
    return found


def _threads() -> set[str]:
    return {f"thread {thread.name} {thread.ident}" for thread in threading.enumerate()}


def _databases() -> set[str]:
    """Open descriptors of SQLite files: by name, as SQLite is the only writer of such names."""
    found = set()
    for entry in Path("/proc/self/fd").iterdir():
        try:
            target = os.readlink(entry)
        except OSError:  # the descriptor with which this folder was read
            continue
        name = target.removesuffix(" (deleted)")
        if name.endswith((".db", ".db-wal", ".db-shm")):
            found.add(f"open file {target}, descriptor {entry.name}")
    return found
