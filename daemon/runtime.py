"""Around the monitor: its claim to a database, and its page."""

import fcntl
import os
import socket
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

from daemon.errors import InputError
from daemon.settings import Page

END_TIMEOUT_S = 5.0


class Claim:
    """That one monitor alone writes to a database, for as long as it runs.

    A lock (flock) on a small file beside the database, `events.db.lock`, removed in the end; the
    kernel lets go of it whatever ends the process. It holds between all processes on one computer
    that reach the database in that folder, whoever runs them, whatever RUNTIME_DIRECTORY they
    have, in a container or not. Not covered: a second name of the same file in another folder (a
    hard link), and network disks without locks.
    """

    def __init__(self, path: Path | None, descriptor: int) -> None:
        self._path = path
        self._descriptor = descriptor

    def close(self) -> None:
        """Give it up. Harmless the second time."""
        if self._path is not None:
            with suppress(OSError):  # left behind on a failed disk, it is no obstacle
                self._path.unlink(missing_ok=True)  # before it is let go of: nobody else has it yet
            os.close(self._descriptor)
            self._path = None


def claim_database(database: Path) -> Claim:
    """Claim a database before anything else is done.

    Where no such file can be made, no database can be written either: opening it says why.

    :raises InputError: another monitor has it.
    """
    database = Path(os.path.realpath(database))
    path = database.with_name(f"{database.name}.lock")
    if database.exists() and not database.is_file():
        return Claim(None, -1)
    while True:
        try:
            descriptor = os.open(path, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600)
        except OSError:
            return Claim(None, -1)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(descriptor)
            raise InputError(
                f"store.path is {database}, and another monitor already writes to it; "
                "stop that one first, or give this one a database of its own"
            ) from error
        if _is_same_file(path, descriptor):
            return Claim(path, descriptor)
        os.close(descriptor)  # its owner removed it between our opening and locking it


def _is_same_file(path: Path, descriptor: int) -> bool:
    try:
        return os.path.samestat(path.stat(), os.fstat(descriptor))
    except OSError:
        return False


def with_usable_port(page: Page) -> Page:
    """The same page, with any free port instead of port 0.

    :raises InputError: the address cannot be used here and now.
    """
    family = socket.AF_INET6 if ":" in page.bind else socket.AF_INET
    try:
        with socket.create_server((page.bind, page.port), family=family) as listener:
            port: int = listener.getsockname()[1]
    except OSError as error:
        reason = str(error.strerror).partition(" (while")[0]
        raise InputError(
            f"page.port is {page.port}, and {page.bind} port {page.port} cannot be used: {reason}"
        ) from error
    return page.model_copy(update={"port": port})


class PageProcess:
    """The status page, started beside the monitor and ended with it."""

    def __init__(self, page: Page, snapshot: Path, database: Path) -> None:
        command = [sys.executable, "-P", "-m", "daemon.page"]
        command += ["--snapshot", str(snapshot), "--database", str(database)]
        command += ["--bind", page.bind, "--port", str(page.port)]
        if page.token is not None:
            token_file = snapshot.with_name("token")
            token_file.touch(mode=0o600)
            token_file.write_text(page.token)
            command += ["--token-file", str(token_file)]
        self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL)
        self._is_missed = False

    def has_just_ended(self) -> bool:
        """True once when the page is gone although nobody ended it."""
        if self._is_missed or self._process.poll() is None:
            return False
        self._is_missed = True
        return True

    def close(self) -> None:
        """End the page. Harmless the second time."""
        if self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(END_TIMEOUT_S)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
