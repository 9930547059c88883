"""The folder on a memory disk: gone after the end, and never anybody else's."""

import os
import shutil
import signal
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from daemon.errors import InputError
from daemon.runtime_folder import open_runtime_folder, runtime_folder
from tests.test_page_flood import SCENARIO
from tests.whole_material import running, until, write_config

NOBODY = 65534  # a user id that is not ours


@pytest.fixture
def disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A memory disk of this test's own."""
    folder = tmp_path / "shm"
    folder.mkdir()
    monkeypatch.setattr("daemon.runtime_folder.MEMORY_DISK", folder)
    return folder


def test_it_is_gone_after_the_end_with_what_a_monitor_makes(disk: Path, tmp_path: Path) -> None:
    folder = open_runtime_folder(tmp_path / "events.db", {})
    assert folder.path == runtime_folder(tmp_path / "events.db", {})
    assert folder.path.parent == disk
    assert folder.path.stat().st_mode & 0o777 == 0o700
    for name in ("status.json", f".status.json.{os.getpid()}", "token"):
        (folder.path / name).touch()
    (folder.path / "spool").mkdir()
    folder.close()
    folder.close()
    assert os.listdir(disk) == []


@pytest.mark.parametrize("name", ["events.db.rescue", "spool/1.mark", "notes.txt"])
def test_what_waits_or_is_not_ours_stays(disk: Path, tmp_path: Path, name: str) -> None:
    folder = open_runtime_folder(tmp_path / "events.db", {})
    (folder.path / "spool").mkdir()
    (folder.path / name).write_text("kept")
    folder.close()
    with closing(open_runtime_folder(tmp_path / "other.db", {})):
        assert (folder.path / name).read_text() == "kept"


def test_a_folder_that_was_given_stays(disk: Path, tmp_path: Path) -> None:
    given = tmp_path / "given"
    given.mkdir()
    with closing(open_runtime_folder(tmp_path / "events.db", {"RUNTIME_DIRECTORY": str(given)})):
        (given / "status.json").touch()
    assert os.listdir(given) == ["status.json"]
    assert os.listdir(disk) == []


def test_what_dead_monitors_left_goes_and_what_living_ones_have_stays(
    disk: Path, tmp_path: Path
) -> None:
    dead = runtime_folder(tmp_path / "dead.db", {})
    dead.mkdir(mode=0o700)
    (dead / "status.json").touch()
    with closing(open_runtime_folder(tmp_path / "alive.db", {})) as alive:
        (alive.path / "status.json").touch()
        with closing(open_runtime_folder(tmp_path / "events.db", {})) as ours:
            assert sorted(disk.iterdir()) == sorted([alive.path, ours.path])
            assert (alive.path / "status.json").exists()


def test_only_folders_of_that_name_and_this_user_are_removed(disk: Path, tmp_path: Path) -> None:
    if os.getuid() != 0:
        pytest.skip("only root can make a folder that belongs to somebody else")
    foreign = runtime_folder(tmp_path / "foreign.db", {})
    aimed = runtime_folder(tmp_path / "aimed.db", {})
    target = tmp_path / "target"
    for folder in (foreign, target, disk / "halfcycle-0-notes", disk / "other"):
        folder.mkdir()
        (folder / "status.json").touch()
    os.chown(foreign, NOBODY, NOBODY)
    aimed.symlink_to(target)
    before = sorted(path for path in tmp_path.rglob("*"))
    open_runtime_folder(tmp_path / "events.db", {}).close()
    assert sorted(path for path in tmp_path.rglob("*")) == before


@pytest.mark.parametrize("way", ["link", "other user", "open to all", "file"])
def test_what_lies_there_and_is_not_ours_is_refused(disk: Path, tmp_path: Path, way: str) -> None:
    """Else the page's token would be written where somebody else can read it."""
    path = runtime_folder(tmp_path / "events.db", {})
    if way == "link":
        path.symlink_to(tmp_path)
    elif way == "file":
        path.touch()
    else:
        path.mkdir()
        path.chmod(0o777 if way == "open to all" else 0o700)
        if way == "other user":
            if os.getuid() != 0:
                pytest.skip("only root can make a folder that belongs to somebody else")
            os.chown(path, NOBODY, NOBODY)
    with pytest.raises(InputError, match="RUNTIME_DIRECTORY"):
        open_runtime_folder(tmp_path / "events.db", {})


@pytest.fixture
def real_place(tmp_path: Path) -> Iterator[Path]:
    path = runtime_folder(tmp_path / "events.db", {})
    yield path
    if path.exists():
        shutil.rmtree(path)


def test_a_monitor_leaves_nothing_on_the_memory_disk(
    tmp_path: Path, real_place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ended, it has removed its folder; killed, the next one does."""
    monkeypatch.delenv("RUNTIME_DIRECTORY")
    (tmp_path / "scenario.yaml").write_text(str(SCENARIO))
    driver = {"name": "simulated", "sample_rate_hz": 4000, "scenario": "scenario.yaml"}
    config = write_config(tmp_path, driver | {"pace": "realtime"})
    for number in (signal.SIGKILL, signal.SIGTERM):
        with running("monitor", "-c", config, "--no-page") as process:
            until((real_place / "status.json").exists, 30.0)
            process.send_signal(number)
            process.wait(30)
        assert real_place.exists() == (number == signal.SIGKILL)
        (real_place / "status.json").unlink(missing_ok=True)  # the next one writes it anew
