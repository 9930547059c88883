"""Where rescue files lie, and what becomes of those that are found at the start."""

from collections.abc import Sequence
from pathlib import Path

from daemon.errors import InputError
from daemon.rescue import ENDING, read_rescue, remove, set_aside
from daemon.store import Store


def rescue_places(database: Path, runtime: Path) -> tuple[Path, ...]:
    """Beside the database, where it outlasts a power cut; else on the memory disk."""
    name = f"{database.name}{ENDING}"
    return database.resolve().with_name(name), runtime / name


def take_back_all(store: Store, places: Sequence[Path]) -> list[str]:
    """Put what is found into the database and remove it; what to say of it in the log.

    :raises StoreError: the database cannot be written.
    """
    remarks = []
    for path in places:
        try:
            rescued = read_rescue(path)
            if rescued is None:
                continue
            is_new = store.take_back(rescued)
        except InputError as error:
            remarks.append(f"a rescue file was refused and lies at {set_aside(path)}: {error}")
            continue
        if is_new:
            remarks.append(
                f"{rescued.count} events and log entries that could not be written at the end of "
                f"run {rescued.run_id} were taken from a rescue file ({rescued.digest})"
            )
        remove(path)
    return remarks


def rest_words(path: Path | None, n_waiting: int, places: Sequence[Path]) -> str:
    """What became of what waited at the end."""
    waiting = f"{n_waiting} events and log entries that were still to be written"
    if path is None:
        return f"{waiting} are lost"
    told = f"{waiting} are kept in {path} and go into the database at its next start"
    if path != places[0]:
        told += "; that is a memory disk: start again before the computer is switched off"
    return told
