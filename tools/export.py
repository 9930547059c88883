"""`halfcycle export`: events, log and waveforms as files that other programs read."""

import csv
import io
import json
from collections.abc import Callable, Iterable, Iterator, Sequence
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
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"-o {folder} cannot be made: {error.strerror}") from error
    n_files = 0
    for name, lines in _tables(archive, wanted, formats):
        _write_lines(folder / name, lines)
        n_files += 1
    for event in archive.each(wanted) if set(formats) - {"csv", "jsonl"} else ():
        for name, content in _waveforms(archive, event, flavour, formats):
            write_file(folder / name, content)
            n_files += 1
    n_events = plural(archive.count(wanted), "event").capitalize()
    click.echo(f"{n_events} in {plural(n_files, 'file')}: {folder}")


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
    """:raises InputError: it cannot be written there."""
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            file.writelines(lines)
    except StoreError:  # of the database that is read meanwhile
        raise
    except OSError as error:
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
