"""The database as a file: made, opened, found where it was, set aside when it is damaged."""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from daemon import schema
from daemon.errors import InputError, StoreError

BUSY_TIMEOUT_S = 1.0  # for another writer, which there should be none of
WAL_LIMIT_BYTES = 4 * 1024 * 1024  # the write-ahead log is cut to this once it was emptied
WAL_WALL_BYTES = 64 * 1024 * 1024  # a reader that holds on for ever must not fill the disk
QUICK_CHECK_BYTES = 50_000_000  # after a power cut, files up to this are looked through: a second
DAMAGED = ("SQLITE_CORRUPT", "SQLITE_NOTADB")


@dataclass(frozen=True, slots=True)
class Place:
    """Which files lie at a path: device and inode of the database and of its write-ahead log."""

    database: tuple[int, int] | None  # None: nothing is there
    wal: tuple[int, int] | None

    @classmethod
    def of(cls, path: Path) -> "Place":
        return cls(_identity(path), _identity(beside(path, "-wal")))


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _state(path: Path) -> tuple[int, int] | None:
    """When the database was written last, and its size."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size


def beside(path: Path, ending: str) -> Path:
    """The file of that name and ending."""
    return path.with_name(path.name + ending)


class DatabaseFile:
    """An open database, and what becomes of it while it is open.

    A file that was deleted or replaced is noticed before anything is written; `reopen` puts
    things right where that is possible without losing what anybody wrote.
    """

    def __init__(self, path: Path) -> None:
        """Open the database at `path`, or make a new one; a damaged one is set aside.

        :raises InputError: the path or the file is wrong; the file is left as it is.
        :raises StoreError: the file is ours and cannot be opened now.
        """
        self._path = path
        self._is_damaged = self._is_open = False
        self.remark = ""  # what opening had to do, for the log
        try:
            self.connection = self._open()
        except StoreError:
            if not self._is_damaged:
                raise
            self.remark = self._start_anew()

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction: all of it is on the disk afterwards, or none.

        :raises StoreError: the disk or the file failed; the same may be tried again.
        """
        self.check_place()
        with self.reading() as connection:
            self._check_wal()
            try:
                connection.execute("BEGIN IMMEDIATE")
                yield connection
                connection.execute("COMMIT")
            finally:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """The connection outside of a transaction.

        :raises StoreError: the disk or the file failed.
        """
        try:
            yield self.connection
            self._state = _state(self._path)
        except sqlite3.DatabaseError as error:
            if isinstance(error, sqlite3.IntegrityError | sqlite3.ProgrammingError):
                raise  # a mistake of the program, not of the disk
            self._is_damaged = is_damage(error)
            raise StoreError(f"the database cannot be written: {error}") from error

    def check_place(self) -> None:
        """:raises StoreError: the file is not where it was opened, or damaged."""
        now = Place.of(self._path)
        if now == self._place and _state(self._path) != self._state:
            self._look_at_change()
        if self._is_damaged:
            raise StoreError(f"the database {self._path} is damaged")
        if not self._is_open:
            raise StoreError(f"the database {self._path} is not open")
        if now != self._place:
            how = "deleted" if now.database is None else "moved, or replaced by another"
            what = "database" if now.database != self._place.database else "write-ahead log"
            raise StoreError(f"the {what} {self._path} was {how}")

    def reopen(self) -> str:
        """Put right what keeps the database from being written, if that can be done from here.

        A deleted database is written anew from what is still open. One that was replaced is kept
        beside its place, and its successor is used; so is one that is damaged.

        :return: what was done, for the log; empty if there was nothing to do.
        :raises StoreError: it cannot be put right now.
        """
        now = Place.of(self._path)
        try:
            if self._is_damaged:
                self.close()
                return self._start_anew()
            if not self._is_open:
                self.connection = self._open()
                return "the database was opened again"
            if now == self._place:
                return ""
            if now.database is None:
                return self._restore()
            if now.database == self._place.database:
                return self._renew_log()
            return self._move_on()
        except InputError as error:
            raise StoreError(f"the database was replaced: {error}") from error
        except sqlite3.Error as error:
            raise StoreError(f"{self._path} cannot be opened again: {error}") from error

    def close(self) -> None:
        """Let go of the file, with everything moved into it. Harmless the second time."""
        self._is_open = False
        self.connection.close()

    def _open(self) -> sqlite3.Connection:
        try:
            connection = open_database(self._path)
        except sqlite3.DatabaseError as error:
            self._is_damaged = is_damage(error)
            raise StoreError(f"{self._path} cannot be opened: {error}") from error
        self._place, self._state = Place.of(self._path), _state(self._path)
        self._is_open = True
        return connection

    def _look_at_change(self) -> None:
        """Only this program writes here; somebody has written over the file, or copied onto it."""
        self._state = _state(self._path)
        try:
            with closing(sqlite3.connect(f"{self._path.as_uri()}?mode=ro", uri=True)) as other:
                self._is_damaged = other.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok"
        except sqlite3.DatabaseError as error:
            self._is_damaged = is_damage(error)

    def _start_anew(self) -> str:
        """The damaged file stays for whoever can make something of it."""
        aside = set_aside(self._path, "damaged")
        self._is_damaged = False
        self.connection = self._open()
        return f"the database was damaged; it lies at {aside} now, and a new one was begun"

    def _restore(self) -> str:
        copy_to(self.connection, self._path)
        for ending in ("-wal", "-shm"):  # of the deleted file, and in the way of the new one
            beside(self._path, ending).unlink(missing_ok=True)
        self.close()
        self.connection = self._open()
        return "the database was deleted; it was written again from what was still open"

    def _renew_log(self) -> str:
        self.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        self.close()
        self.connection = self._open()
        return "the database's write-ahead log was deleted; all of it was moved in before"

    def _move_on(self) -> str:
        """Go on with the file that lies there now."""
        schema.check_file(self._path)
        aside = self._keep_copy()
        self.close()
        self.connection = self._open()
        kept = "could not be read any more" if aside is None else f"is kept at {aside}"
        return f"the database was replaced by another, which is used now; what it was {kept}"

    def _keep_copy(self) -> Path | None:
        """What the replaced file held; None when it cannot be read any more."""
        aside = unused(self._path, "replaced")
        try:
            copy_to(self.connection, aside)
        except sqlite3.OperationalError as error:
            if not getattr(error, "sqlite_errorname", "").startswith("SQLITE_IOERR"):
                raise
            return None
        return aside

    def _check_wal(self) -> None:
        """A reader that never ends its transaction keeps the log from being emptied."""
        try:
            n_bytes = beside(self._path, "-wal").stat().st_size
        except OSError:
            return
        if n_bytes <= WAL_WALL_BYTES:
            return
        _, n_pages, n_moved = self.connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        if n_moved < n_pages:
            raise StoreError(
                f"the write-ahead log holds {n_bytes // 1_000_000} MB and cannot be emptied: "
                "another program has kept the database open for reading all the time"
            )


def open_database(path: Path) -> sqlite3.Connection:
    """Open the database at `path`, or make a new one.

    :raises InputError: the path or the file is wrong; the file is left as it is.
    :raises StoreError: it cannot be made.
    :raises sqlite3.DatabaseError: it is ours and cannot be opened now.
    """
    if _is_vacant(path):
        _create(path)
    schema.check_file(path)
    return _open(path)


def is_damage(error: BaseException | None) -> bool:
    """Whether the file itself is broken, so that trying again is of no use."""
    return getattr(error, "sqlite_errorname", "").startswith(DAMAGED)


def set_aside(path: Path, ending: str) -> Path:
    """Rename the database and its write-ahead log; where it lies now.

    :raises StoreError: it cannot be renamed.
    """
    aside = unused(path, ending)
    try:
        with suppress(FileNotFoundError):
            os.replace(beside(path, "-wal"), beside(aside, "-wal"))
        beside(path, "-shm").unlink(missing_ok=True)
        os.replace(path, aside)
    except OSError as error:
        raise StoreError(f"{path} cannot be set aside: {error.strerror}") from error
    return aside


def unused(path: Path, ending: str) -> Path:
    """A name beside `path` at which nothing lies yet."""
    number = 1
    while beside(path, f".{ending}-{number}").exists():
        number += 1
    return beside(path, f".{ending}-{number}")


def copy_to(connection: sqlite3.Connection, path: Path) -> None:
    """Write everything an open connection still has, even of a deleted file, to a new file.

    :raises StoreError: it cannot be written there, or something is there.
    :raises sqlite3.DatabaseError: it cannot be read any more, or there is no room.
    """
    try:
        with _draft(path) as draft:
            connection.execute("VACUUM INTO ?", (str(draft),))
            with draft.open("rb+") as file:
                os.fsync(file.fileno())
            os.link(draft, path)  # which, unlike a rename, never replaces anything
        _sync_folder(path)
    except OSError as error:
        raise StoreError(f"{path} cannot be written: {error.strerror}") from error


def _is_vacant(path: Path) -> bool:
    """Whether a new database may be made there: in a folder, where nothing or an empty file is."""
    try:
        if not path.parent.is_dir():
            raise InputError(f"store.path is {path}, but the folder {path.parent} does not exist")
        return not path.exists() or (path.is_file() and path.stat().st_size == 0)
    except OSError as error:
        raise InputError(f"store.path is {path}: {error.strerror}") from error


def _create(path: Path) -> None:
    # beside its place, then moved there: a power cut leaves no half-made database behind
    try:
        for ending in ("-wal", "-shm"):  # of a database that is gone: not to be taken for the new
            beside(path, ending).unlink(missing_ok=True)
        with _draft(path) as draft:
            connection = sqlite3.connect(draft, isolation_level=None)
            try:
                # only possible in an empty file
                connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
                schema.migrate(connection)
            finally:
                connection.close()
            os.replace(draft, path)
        _sync_folder(path)
    except OSError as error:
        raise StoreError(f"{path} cannot be made: {error.strerror}") from error


@contextmanager
def _draft(path: Path) -> Iterator[Path]:
    """Where a file is made before it is moved to `path`; on a full disk nothing of it stays."""
    draft = beside(path, ".new")
    parts = draft, beside(draft, "-journal")
    for part in parts:
        part.unlink(missing_ok=True)
    try:
        yield draft
    finally:
        for part in parts:
            with suppress(OSError):  # what made it fail is told, not this
                part.unlink(missing_ok=True)


def _sync_folder(path: Path) -> None:
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _open(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=BUSY_TIMEOUT_S, isolation_level=None)
    try:
        schema.check_version(path, schema.schema_version(connection))
        (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
        if mode != "wal":
            raise StoreError(f"{path} lies where SQLite cannot keep a write-ahead log")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute(f"PRAGMA journal_size_limit = {WAL_LIMIT_BYTES}")
        schema.migrate(connection)
        schema.check_tables(connection, path)
        _look_through(connection, path)
        connection.execute("BEGIN IMMEDIATE")  # from now on the write-ahead log is there
        connection.execute("ROLLBACK")
    except (sqlite3.DatabaseError, InputError, StoreError):
        connection.close()
        raise
    return connection


def _look_through(connection: sqlite3.Connection, path: Path) -> None:
    """After a run that broke off, see whether the disk kept what it was given."""
    sql = "SELECT count(*) FROM run WHERE stopped = 0"
    if path.stat().st_size > QUICK_CHECK_BYTES or not connection.execute(sql).fetchone()[0]:
        return
    found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if found != "ok":
        error = sqlite3.DatabaseError(str(found))
        error.sqlite_errorname = "SQLITE_CORRUPT"
        raise error
