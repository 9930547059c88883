"""`halfcycle mark`: say that something happened just now; the running monitor writes it down."""

import os
from pathlib import Path

import click

from daemon.archive import Archive, open_archive
from daemon.errors import InputError
from daemon.page.reading import take_reading
from daemon.runtime_folder import runtime_folder
from daemon.spool import (
    LONGEST_NOTE,
    SPOOL_NAME,
    WITHOUT_NOTE,
    Mark,
    plain_note,
    write_mark,
)
from drivers.clock import Clock, SystemClock

SERVICE_FOLDER = Path("/run/halfcycle")  # RuntimeDirectory= of systemd/halfcycle.service
SNAPSHOT_NAME = "status.json"


@click.command("mark")
@click.argument("db", type=click.Path(path_type=Path))
@click.argument("note", default="")
def command(db: Path, note: str) -> None:
    """Put a mark with the time of now, and a NOTE if given, into the log of the monitor on DB.

    For "it failed just now", to be held against the events later.
    """
    archive = open_archive(db)
    if len(note) > LONGEST_NOTE:
        raise InputError(f"the note has {len(note)} characters; at most {LONGEST_NOTE} are kept")
    clock = SystemClock()
    folder = _watched_folder(db, archive, clock)
    write_mark(folder / SPOOL_NAME, Mark(clock.utc_ns() / 1e9, note))
    click.echo(f"Marked: {plain_note(note) or WITHOUT_NOTE}. The monitor writes it into its log.")


def _watched_folder(db: Path, archive: Archive, clock: Clock) -> Path:
    """Where the monitor of this database keeps its snapshot.

    :raises InputError: none is running there, so nobody would take the mark.
    """
    started = {run.started_utc for run in archive.runs()}
    folders = [runtime_folder(db, os.environ), runtime_folder(db, {}), SERVICE_FOLDER]
    for folder in dict.fromkeys(folders):
        reading = take_reading(folder / SNAPSHOT_NAME, clock)
        is_ours = reading.snapshot is not None and reading.snapshot.run.started_utc in started
        if is_ours and reading.trouble is None:
            return folder
    raise InputError(f"no monitor watches into {db} now, so nobody would write the mark down")
