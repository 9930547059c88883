"""The folder where a monitor and its page meet, on a memory disk: made, and removed in the end.

Under systemd it is the service's own. Else it lies where everybody may write, so nothing is taken
for ours that belongs to somebody else or is a link, and no more is removed than a monitor makes.
"""

import fcntl
import hashlib
import os
import re
import stat
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from daemon.errors import InputError
from daemon.spool import SPOOL_NAME

MEMORY_DISK = Path("/dev/shm")
_OPENING = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_OURS = re.compile(r"\.?status\.json(\.\d+)?|token")
"""What may be removed: a snapshot or its draft, the page's token. A rescue file stays."""


def runtime_folder(database: Path, environment: Mapping[str, str]) -> Path:
    """Where the monitor of this database has its snapshot; it need not be there.

    systemd's runtime directory where there is one, else a folder of the user's on a memory disk.
    """
    given = environment.get("RUNTIME_DIRECTORY")
    if given:
        return Path(given.split(":")[0])
    base = MEMORY_DISK if os.access(MEMORY_DISK, os.W_OK) else Path(tempfile.gettempdir())
    mark = hashlib.sha256(str(database.resolve()).encode()).hexdigest()[:12]
    return base / f"{_opening()}{mark}"


class RuntimeFolder:
    """The folder of one monitor, claimed (flock) for as long as it runs."""

    def __init__(self, path: Path, descriptor: int | None) -> None:
        self.path = path
        self._descriptor = descriptor  # None: it was given, and is not ours to remove

    def close(self) -> None:
        """Remove it, unless something waits in it. Harmless the second time."""
        if self._descriptor is not None:
            with suppress(OSError):
                _remove(self.path, self._descriptor)
            os.close(self._descriptor)
            self._descriptor = None


def open_runtime_folder(database: Path, environment: Mapping[str, str]) -> RuntimeFolder:
    """The folder for this database, readable by its owner only, made if need be.

    What monitors of the same user left behind that are gone is removed on the way.

    :raises InputError: at its place lies something that is not ours.
    """
    path = runtime_folder(database, environment)
    if environment.get("RUNTIME_DIRECTORY"):
        return RuntimeFolder(path, None)
    while True:
        descriptor = _made(path)
        fcntl.flock(descriptor, fcntl.LOCK_EX)  # held by another only while it is being removed
        if _is_at(path, descriptor):
            break
        os.close(descriptor)
    _remove_left_over(path.parent)
    return RuntimeFolder(path, descriptor)


def _made(path: Path) -> int:
    try:
        with suppress(FileExistsError):
            path.mkdir(mode=0o700)
        descriptor = os.open(path, _OPENING)
    except OSError as error:
        raise InputError(f"{path} cannot be used: {error.strerror}; {_ADVICE}") from error
    if _is_ours(descriptor):
        return descriptor
    os.close(descriptor)
    raise InputError(f"{path} belongs to another user, or others may write there; {_ADVICE}")


_ADVICE = "name a folder of your own in the environment variable RUNTIME_DIRECTORY"


def _opening() -> str:
    return f"halfcycle-{os.getuid()}-"


def _is_at(path: Path, descriptor: int) -> bool:
    try:
        return os.path.samestat(path.lstat(), os.fstat(descriptor))
    except FileNotFoundError:
        return False


def _is_ours(descriptor: int) -> bool:
    found = os.fstat(descriptor)
    return found.st_uid == os.getuid() and not found.st_mode & (stat.S_IWGRP | stat.S_IWOTH)


def _remove_left_over(base: Path) -> None:
    """Folders of this user's monitors that nobody holds any more: a killed one removes nothing."""
    name = re.compile(re.escape(_opening()) + "[0-9a-f]{12}")
    with suppress(OSError):
        for found in base.iterdir():
            if name.fullmatch(found.name):
                with suppress(OSError):  # held by a monitor, a link, or somebody else's
                    _remove_unheld(found)


def _remove_unheld(path: Path) -> None:
    descriptor = os.open(path, _OPENING)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        if _is_ours(descriptor):
            _remove(path, descriptor)
    finally:
        os.close(descriptor)


def _remove(path: Path, descriptor: int) -> None:
    """By its descriptor, so that nothing outside of it is ever touched."""
    with suppress(FileNotFoundError):
        os.rmdir(SPOOL_NAME, dir_fd=descriptor)  # refused while marks wait in it
    names = os.listdir(descriptor)
    if not all(_OURS.fullmatch(name) for name in names):
        return
    for name in names:
        os.unlink(name, dir_fd=descriptor)
    os.rmdir(path)
