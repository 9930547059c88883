"""`halfcycle check-db`: whether a database is whole, and whether it is as the monitor wrote it."""

import sqlite3
from itertools import pairwise
from pathlib import Path

import click

from daemon.archive import Archive, open_archive
from daemon.chain_check import ChainReport
from daemon.database_file import is_damage
from daemon.errors import InputError, StoreError
from daemon.merging import BEFORE_MERGING, HEAD
from daemon.page.words import duration_words
from daemon.records import LogKind
from daemon.stored_settings import settings_of, table_of
from drivers.clock import SystemClock
from tools.coverage import site_coverage
from tools.edits import find_edits, uncovered
from tools.site import SIMULATED, find_open_run, find_site
from tools.text import moment_words, plural, terminal_width, wrapped

MOST_NAMED = 20  # events that are all wrong in one way
# Which stretch of which recording or scenario an input plays.
OF_PLAYING = ("begin_s", "duration_s", "path", "start_utc")
NOT_OF_IT = "this file holds nothing of the noted head"
REPAIR = (
    "What to do: copy the file again from the monitor, together with the -wal file beside it if "
    "there is one. If the original is damaged too, `sqlite3 DB .recover | sqlite3 NEW.db` saves "
    "what can still be read of it."
)
COVERS = (
    "Covered by the chain: the tables event, trace, waveform and log. Covered by a digest of their "
    "own: settings. Not covered: run (the account of the runs), statistics (of days) and "
    "event_count."
)
PROVES = (
    "What this proves: no event and no entry of the log that the chain covers was edited after the "
    "monitor wrote it by someone who did not also compute the chain anew, and no settings by "
    "someone who did not also compute their digest anew. What it does not: that the rest is as it "
    "was, that the measurement was right, or that nobody rebuilt the whole file. Against that, "
    "note the head elsewhere, as a report does, and check it with --head."
)


@click.command("check-db")
@click.argument("db", type=click.Path(path_type=Path))
@click.option("--head", metavar="HASH", help="A head noted earlier: is it still in the chain?")
def command(db: Path, head: str | None) -> None:
    """Look for damage, unfinished events, doubts about the clock, gaps, and later edits.

    Ends with 3 when the file is damaged or was edited, or --head is not of it.
    """
    archive, faults, chain = _read(db)
    edits = find_edits(archive, chain)
    noted = _head_words(archive, chain, head)
    covers_all = not uncovered(archive)
    is_of_it = not noted.startswith(NOT_OF_IT)
    lines = [_verdict(faults, edits, chain, covers_all=covers_all, is_of_it=is_of_it)]
    lines += [f"- {text}" for text in [*edits, *faults, noted] if text]
    lines += [REPAIR] if faults else []
    open_run_id = find_open_run(archive, SystemClock().utc_ns() / 1e9)
    lines += [f"- {text}" for text in cautions(archive, open_run_id)]
    lines += _chain_words(chain)
    width = terminal_width()
    click.echo("\n".join(line for text in lines for line in wrapped(text, width)))
    if faults or edits or not is_of_it:
        raise click.exceptions.Exit(3)


def _read(db: Path) -> tuple[Archive, list[str], ChainReport | None]:
    """:raises StoreError: too damaged to be read; it says what to do."""
    try:
        archive = open_archive(db)
        return archive, archive.faults_of_file(), archive.chain()
    except StoreError as error:
        cause = error.__cause__
        if isinstance(cause, OSError) or (
            isinstance(cause, sqlite3.Error) and not is_damage(cause)
        ):
            raise
        raise StoreError(f"{error}\n{REPAIR}") from error


def _verdict(
    faults: list[str],
    edits: list[str],
    chain: ChainReport | None,
    *,
    covers_all: bool,
    is_of_it: bool,
) -> str:
    if faults and edits:
        return "The file is not as the monitor wrote it, and it is damaged."
    if faults:
        return "The file is damaged."
    if edits:
        return "The file is whole, but it is not as the monitor wrote it."
    if not is_of_it:
        return "The file is whole, but the noted head is not of this file."
    if chain is None:
        return "The file is whole. Whether it was edited cannot be found."
    if not covers_all:
        return (
            "The file is whole. Some of it no chain of hashes speaks for: whether that was edited "
            "cannot be found. No later edit of the rest was found."
        )
    return "The file is whole, and no later edit of events, log and settings was found."


def _head_words(archive: Archive, chain: ChainReport | None, head: str | None) -> str:
    """Where the noted head is; empty where none was noted."""
    if head is None:
        return ""
    wanted = head.strip().lower().replace(" ", "")
    if len(wanted) < 8 or set(wanted) - set("0123456789abcdef"):
        raise InputError(f"--head is {head!r}; it takes at least 8 digits of a chain's head")
    if any(link.startswith(wanted) for link in (chain.hashes if chain else ())):
        return f"the noted head {wanted} is in the chain"
    for row in archive.log(LogKind.MERGED):
        if row.text.rpartition(HEAD)[2].startswith(wanted):
            name = row.text.rpartition(f": {HEAD}")[0]
            return f"the noted head {wanted} is that of {name} when it was merged into this file"
    return (
        f"{NOT_OF_IT} {wanted}: it is of another watch, or of a part before it was merged, or the "
        "chain was computed anew since it was noted"
    )


def _chain_words(chain: ChainReport | None) -> list[str]:
    if chain is None or chain.is_missing:
        return []
    lines = [f"Chain: {plural(len(chain.hashes), 'link')}, head {chain.head}"]
    if chain.n_corrected:
        lines.append(
            f"- times of {plural(chain.n_corrected, 'row')} were corrected when the time was known "
            "better; the first ones are kept, and the chain covers both"
        )
    if chain.n_let_go:
        lines.append(f"- waveforms of {plural(chain.n_let_go, 'event')} were let go to save room")
    return [*lines, COVERS, PROVES]


def cautions(archive: Archive, open_run_id: int | None) -> list[str]:
    """What a reader of the events has to know before he relies on them.

    :param open_run_id: the run that goes on now, if one does.
    """
    return [
        *uncovered(archive),
        *_unfinished(archive, open_run_id),
        *_clock_doubts(archive),
        *_gaps(archive),
        *_settings_changes(archive),
        *_faults_logged(archive),
    ]


def _unfinished(archive: Archive, open_run_id: int | None) -> list[str]:
    events = archive.unfinished()
    left = [e.id for e in events if e.duration_s is None and e.run_id != open_run_id]
    half = [e.id for e in events if e.duration_s is not None]
    found = [f"the end was not seen of: event {_few(left)}"] if left else []
    found += [f"not both ends were seen of: event {_few(half)}"] if half else []
    broken = [str(r.id) for r in archive.runs() if not r.stopped and r.id != open_run_id]
    found += [f"not ended in good order: run {', '.join(broken)}"] if broken else []
    return found


def _few(ids: list[int]) -> str:
    more = f" and {len(ids) - MOST_NAMED} more" if len(ids) > MOST_NAMED else ""
    return ", ".join(map(str, ids[:MOST_NAMED])) + more


def _clock_doubts(archive: Archive) -> list[str]:
    runs = [str(run.id) for run in archive.runs() if run.clock == "free"]
    found = [f"nothing set the clock during run {', '.join(runs)}: times may be off"]
    found = found if runs else []
    for noun, is_simulated in (("simulation", True), ("recording", False)):
        ids = [
            str(run.id)
            for run in archive.runs()
            if run.clock == "recording" and (run.driver == SIMULATED) == is_simulated
        ]
        if ids:
            runs_words = f"run {ids[0]}" if len(ids) == 1 else f"runs {', '.join(ids)}"
            found.append(f"times of {runs_words} are those of a {noun}")
    for entry in archive.log(LogKind.CLOCK_SET, newest_first=False):
        found.append(f"{entry.start_local}: {entry.text}")
    return found


def _gaps(archive: Archive) -> list[str]:
    coverage = site_coverage(archive)
    if coverage is None or not coverage.unseen:
        return [coverage.basis] if coverage is not None and coverage.basis else []
    whole_s = coverage.until_utc_s - coverage.since_utc_s
    missed_s = whole_s - coverage.watched_s
    lost = f"{duration_words(missed_s)} unobserved ({100 * missed_s / whole_s:.2g} %)"
    first = moment_words(coverage.unseen[0].start_utc_s, find_site(archive).zone)
    found = f"{lost} in {plural(len(coverage.unseen), 'gap')}, the first at {first}"
    return [found, *([coverage.basis] if coverage.basis else [])]


def _settings_changes(archive: Archive) -> list[str]:
    found = []
    for before, after in pairwise(archive.runs()):
        if before.settings_id == after.settings_id or before.origin != after.origin:
            continue
        old, new = (_watching(settings_of(archive, one.settings_id)) for one in (before, after))
        if old == new:
            continue
        keys = sorted(key for key in {*old, *new} if old.get(key) != new.get(key))
        found.append(f"settings changed before run {after.id}: {', '.join(keys) or 'their form'}")
    return found


def _watching(settings: dict[str, object]) -> dict[str, object]:
    """Without what changes nothing about the watch: where it is stored, and what is played."""
    driver = table_of(settings, "driver")
    kept = {key: value for key, value in driver.items() if key not in OF_PLAYING}
    return {key: value for key, value in settings.items() if key != "store"} | {"driver": kept}


def _faults_logged(archive: Archive) -> list[str]:
    every = archive.log(LogKind.FAULT, newest_first=False)
    rows = [row for row in every if BEFORE_MERGING not in row.text]  # those are said as edits
    return [f"{row.start_local}: fault: {row.text}" for row in rows[:10]]
