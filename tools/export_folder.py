"""Where an export may be put: files of two watches in one folder could not be told apart."""

from itertools import islice
from pathlib import Path

from daemon.archive import Archive, EventFilter
from daemon.errors import InputError
from daemon.event_record import event_file_stem

TABLES = ("events.csv", "events.jsonl", "log.csv", "log.jsonl")


def check_folder(archive: Archive, folder: Path) -> None:
    """See that a folder is new or empty, or holds nothing but an export of this database.

    :raises InputError: it holds something else; it was left as it is.
    """
    if not folder.is_dir():
        return
    try:
        names = {path.name for path in folder.iterdir()}
        foreign = sorted(names - {*TABLES, *_of_events(archive, names)})
        foreign += sorted(name for name in names & set(TABLES) if _is_other(archive, folder / name))
    except OSError as error:
        raise InputError(f"-o {folder} cannot be read: {error.strerror}") from error
    if foreign:
        raise InputError(
            f"-o {folder} holds {foreign[0]!r:.80}, which is no export of this database; it was "
            "left as it is: name a new or an empty folder"
        )


def _of_events(archive: Archive, names: set[str]) -> set[str]:
    """Those that begin as the files of this database's events do."""
    waveforms = names - set(TABLES)
    if not waveforms:
        return set()
    stems = {event_file_stem(event) for event in archive.each(EventFilter())}
    return {name for name in waveforms if _stem(name, stems) in stems}


def _stem(name: str, stems: set[str]) -> str:
    """A name without its ending, the part, and the full scale of a WAV file."""
    whole = name.rpartition(".")[0]
    while whole not in stems and "_" in whole:
        whole = whole.rpartition("_")[0]
    return whole


def _is_other(archive: Archive, table: Path) -> bool:
    """Whether the first lines of a table name a time that is not in this database."""
    with table.open(encoding="utf-8", errors="replace") as file:
        lines = list(islice(file, 2))
    first = "".join(lines if table.suffix == ".jsonl" else lines[1:])
    if not first.strip():
        return False
    rows = archive.log(newest_first=False) if "log" in table.name else archive.each(EventFilter())
    return not any(row.start_utc and row.start_utc in first for row in rows)
