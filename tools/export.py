"""`halfcycle export`: events, log and waveforms as files that other programs read."""

import csv
import io
import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import fields
from pathlib import Path

import click

from daemon.archive import Archive, EventFilter, EventRow, LogRow, open_archive
from daemon.comtrade_writer import (
    DataType,
    Flavour,
    Revision,
    comtrade_files,
    comtrade_single_file,
)
from daemon.errors import InputError, StoreError
from daemon.event_record import (
    event_file_stem,
    event_records,
    wav_bytes,
    wav_full_scale_v,
    write_file,
)
from tools.events import csv_lines, json_lines
from tools.export_folder import check_folder
from tools.monitors import Monitors
from tools.text import csv_cell, plural

FORMATS = ("csv", "jsonl", "comtrade", "cff", "wav")
FILES_OF_PART = {"comtrade": 3, "cff": 1, "wav": 1}  # for each unbroken stretch of samples
MORE_COLUMNS = (
    "start_local", "uncertainty", "duration_uncertainty_s", "cause", "evidence",
)  # fmt: skip
LOG_KEYS = tuple(field.name for field in fields(LogRow))
Contents = list[tuple[str, bytes]]


@click.command("export")
@click.argument("db", type=click.Path(path_type=Path))
@click.option(
    "-o", "--output", "folder", type=click.Path(path_type=Path, file_okay=False), required=True,
    metavar="DIR", help="Where to put the files; made if it is not there.",
)  # fmt: skip
@click.option(
    "--format", "formats", type=click.Choice(FORMATS), multiple=True,
    default=("csv", "jsonl", "comtrade"), show_default=True, help="May be given more than once.",
)  # fmt: skip
@click.option(
    "--revision", type=click.Choice(["1999", "2013"]), default="2013", show_default=True,
    help="Of COMTRADE; cff needs 2013.",
)  # fmt: skip
@click.option(
    "--data", type=click.Choice(["ascii", "binary", "float32"]), default="binary",
    show_default=True, help="How COMTRADE holds samples; float32 needs 2013.",
)  # fmt: skip
@click.option("--serious", "serious_only", is_flag=True, help="Only what a profile finds serious.")
def command(
    db: Path, folder: Path, formats: tuple[str, ...], revision: str, data: str, serious_only: bool
) -> None:
    """Write events and log (csv, jsonl) and each event's waveform (COMTRADE, WAV).

    Names of waveform files sort by time. The database stays as it is.
    """
    if "cff" in formats and revision == Revision.OLD:
        raise InputError(
            "--revision 1999 has no single file: --format cff exists only since 2013; leave out one"
        )
    archive = open_archive(db)
    flavour = _flavour(revision, data)
    wanted = EventFilter(serious_only=serious_only, newest_first=False)
    check_folder(archive, folder)
    n_files, with_parts = 0, Counter[int]()
    with _folder(folder):
        for name, lines in _tables(archive, wanted, formats):
            _write_lines(folder / name, lines)
            n_files += 1
        for event in archive.each(wanted) if _n_files_of_part(formats) else ():
            files = _waveforms(archive, event, flavour, formats)
            for name, content in files:
                write_file(folder / name, content)
            n_files += len(files)
            with_parts[len(files) // _n_files_of_part(formats)] += 1
    n_events = plural(archive.count(wanted), "event").capitalize()
    click.echo(f"{n_events} in {plural(n_files, 'file')}: {folder}")
    for text in _waveform_words(with_parts):
        click.echo(text)


def _n_files_of_part(formats: Sequence[str]) -> int:
    return sum(FILES_OF_PART.get(name, 0) for name in set(formats))


def _waveform_words(with_parts: Counter[int]) -> list[str]:
    """Why there are fewer waveforms than events, or more; empty where there is one for each.

    :param with_parts: how many events have so many parts.
    """
    n_long = sum(count for n_parts, count in with_parts.items() if n_parts > 1)
    words = []
    if with_parts[0]:
        words.append(f"No waveform was kept of {plural(with_parts[0], 'event')}.")
    if n_long:
        words.append(
            f"Of {plural(n_long, 'long event')} the waveform is in parts, around the start and "
            "the end: the name of a later one ends in _part2, and so on."
        )
    return words


@contextmanager
def _folder(folder: Path) -> Iterator[None]:
    """The folder is there; one made for this goes again where nothing was written into it.

    :raises InputError: it cannot be made.
    """
    is_new = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"-o {folder} cannot be made: {error.strerror}") from error
    try:
        yield
    except (InputError, StoreError):
        if is_new and not any(folder.iterdir()):
            folder.rmdir()
        raise


def _flavour(revision: str, data: str) -> Flavour:
    try:
        return Flavour(Revision(revision), DataType(data.upper()))
    except ValueError as error:
        raise InputError(f"--data {data}: {error}") from error


def _tables(
    archive: Archive, wanted: EventFilter, formats: Sequence[str]
) -> Iterator[tuple[str, Iterable[str]]]:
    """Names and lines of the tables; of very many events only a few are in memory."""
    monitors = Monitors(archive)
    if "csv" in formats:
        yield "events.csv", csv_lines(archive.each(wanted), monitors, MORE_COLUMNS)
        yield "log.csv", [_log_csv(archive)]
    if "jsonl" in formats:
        yield "events.jsonl", json_lines(archive.each(wanted), monitors, MORE_COLUMNS)
        log = archive.log(newest_first=False)
        yield "log.jsonl", (json.dumps(_log_cells(row)) + "\n" for row in log)


def _write_lines(path: Path, lines: Iterable[str]) -> None:
    """Write a table whole, or leave none: half a list would pass for all of it.

    :raises InputError: it cannot be written there.
    """
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            file.writelines(lines)
    except StoreError:  # of the database that is read meanwhile
        path.unlink(missing_ok=True)
        raise
    except OSError as error:
        with suppress(OSError):  # what made it fail is told, not this
            path.unlink(missing_ok=True)
        raise InputError(f"{path} cannot be written: {error.strerror}") from error


def _log_cells(row: LogRow) -> dict[str, object]:
    """What was first noted, where the time was corrected, is its start alone."""
    first = None if row.first is None else row.first.start_utc
    return {key: getattr(row, key) for key in LOG_KEYS} | {"first": first}


def _log_csv(archive: Archive) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(LOG_KEYS)
    for row in archive.log(newest_first=False):
        writer.writerow(map(csv_cell, _log_cells(row).values()))
    return out.getvalue()


def _waveforms(
    archive: Archive, event: EventRow, flavour: Flavour, formats: Sequence[str]
) -> Contents:
    makers: dict[str, Callable[[Archive, EventRow, Flavour], Contents]] = {
        "comtrade": _comtrade,
        "cff": _single_files,
        "wav": _wavs,
    }
    return [
        file for name, make in makers.items() if name in formats
        for file in make(archive, event, flavour)
    ]  # fmt: skip


def _comtrade(archive: Archive, event: EventRow, flavour: Flavour) -> Contents:
    found: Contents = []
    for part, record in enumerate(event_records(archive, event)):
        stem, files = event_file_stem(event, part), comtrade_files(record, flavour)
        found += [(f"{stem}.cfg", files.cfg), (f"{stem}.dat", files.dat)]
        found.append((f"{stem}.hdr", files.hdr))
    return found


def _single_files(archive: Archive, event: EventRow, flavour: Flavour) -> Contents:
    return [
        (f"{event_file_stem(event, part)}.cff", comtrade_single_file(record, flavour.data_type))
        for part, record in enumerate(event_records(archive, event))
    ]


def _wavs(archive: Archive, event: EventRow, flavour: Flavour) -> Contents:
    return [
        (f"{event_file_stem(event, part)}_{wav_full_scale_v(waveform):g}V.wav", wav_bytes(waveform))
        for part, waveform in enumerate(archive.waveforms(event.id))
    ]
