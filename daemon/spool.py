"""Marks on their way to the monitor: one small file each, in a folder beside the snapshot.

Whoever marks writes a file, the monitor takes it away. A file appears as a whole or not at all.
What is in the folder is not trusted: it is small, few, and of one shape, or it is thrown away.
"""

import contextlib
import os
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from daemon.errors import InputError, StoreError
from daemon.records import LogEntry, LogKind

SPOOL_NAME = "spool"  # beside the snapshot
LONGEST_NOTE = 500
MOST_WAITING = 100
LARGEST_FILE = 4096
WITHOUT_NOTE = "it failed just now"
SHUTDOWN = "ended with the shutdown button"  # the one mark that says nothing of the equipment
_ENDING = ".mark"


class _Content(BaseModel):
    """What a file of the spool holds."""

    model_config = ConfigDict(extra="forbid", strict=True)

    utc_s: Annotated[float, Field(ge=0, le=1e11, allow_inf_nan=False)]
    note: Annotated[str, Field(max_length=LONGEST_NOTE)]


@dataclass(frozen=True, slots=True)
class Mark:
    """Somebody says that something happened just now."""

    utc_s: float  # seconds since 1970 UTC
    note: str = ""


def plain_note(text: str) -> str:
    """A note on one line, without anything that does not print, cut to `LONGEST_NOTE`."""
    words = " ".join(text.split())
    return "".join(letter for letter in words if letter.isprintable())[:LONGEST_NOTE].strip()


def write_mark(folder: Path, mark: Mark) -> None:
    """Put a mark where the monitor will find it; the folder is made if it is not there.

    :raises InputError: `MOST_WAITING` marks already wait, so nobody takes them.
    :raises StoreError: the folder cannot be written.
    """
    content = _Content(utc_s=float(mark.utc_s), note=plain_note(mark.note))
    name = f"{round(mark.utc_s * 1000):015d}-{secrets.token_hex(4)}"
    part = folder / f".{name}.part"
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        if len(_waiting(folder)) >= MOST_WAITING:
            raise InputError(f"{MOST_WAITING} marks wait already: the monitor does not take them")
        part.write_text(content.model_dump_json(), encoding="utf-8")
        part.replace(folder / f"{name}{_ENDING}")
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise StoreError(f"the mark cannot be written to {folder}: {error.strerror}") from error


def read_spool(folder: Path) -> list[LogEntry]:
    """Take the marks that wait, in the order of time. They are gone from the folder afterwards.

    No folder means no marks. Files that are no marks are removed and left out, so is what is
    beyond `MOST_WAITING`; one that cannot be read or removed now stays for the next time.
    """
    found = []
    for path in _waiting(folder)[:MOST_WAITING]:
        try:
            content = _read(path)
            path.unlink()
        except OSError:
            continue
        if content is not None:
            found.append(_entry(content))
    return sorted(found, key=lambda entry: entry.start_utc_s)


def _waiting(folder: Path) -> list[Path]:
    return sorted(folder.glob(f"*{_ENDING}"))


def _read(path: Path) -> _Content | None:
    """The content, or None where it is none. Never follows a link out of the folder.

    :raises OSError: it cannot be read now.
    """
    if path.is_symlink() or not path.is_file():
        return None
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    with os.fdopen(descriptor, "rb") as file:
        raw = file.read(LARGEST_FILE + 1)
    try:
        return _Content.model_validate_json(raw) if len(raw) <= LARGEST_FILE else None
    except ValidationError:
        return None


def _entry(content: _Content) -> LogEntry:
    note = plain_note(content.note) or WITHOUT_NOTE
    return LogEntry(LogKind.MARK, content.utc_s, None, None, note)
