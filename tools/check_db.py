"""`halfcycle check-db`: whether a database is whole, and whether it is as the monitor wrote it."""

from itertools import pairwise
from pathlib import Path

import click

from daemon.archive import Archive, open_archive
from daemon.chain_check import ChainReport
from daemon.errors import InputError
from daemon.page.words import duration_words
from daemon.records import LogKind
from daemon.stored_settings import edited_settings, settings_of, table_of
from drivers.clock import SystemClock
from tools.coverage import site_coverage
from tools.site import find_open_run, find_site
from tools.text import moment_words, plural, terminal_width, wrapped

MOST_NAMED = 20  # events that are all wrong in one way
# Which stretch of which recording or scenario an input plays.
OF_PLAYING = ("begin_s", "duration_s", "path", "start_utc")
COVERS = (
    "Covered by the chain: the tables event, trace, waveform and log. Covered by a digest of their "
    "own: settings. Not covered: run (the account of the runs), statistics (of days) and "
    "event_count."
)
PROVES = (
    "What this proves: no event and no entry of the log was edited after the monitor wrote it by "
    "someone who did not also compute the chain anew, and no settings by someone who did not also "
    "compute their digest anew. What it does not: that the rest is as it was, that the measurement "
    "was right, or that nobody rebuilt the whole file. Against that, note the head elsewhere, as a "
    "report does, and check it with --head."
)


@click.command("check-db")
@click.argument("db", type=click.Path(path_type=Path))
@click.option("--head", metavar="HASH", help="A head noted earlier: is it still in the chain?")
def command(db: Path, head: str | None) -> None:
    """Look for damage, unfinished events, doubts about the clock, gaps, and later edits.

    Ends with 3 when the file is damaged or was edited.
    """
    archive = open_archive(db)
    faults, chain = archive.faults_of_file(), archive.chain()
    edits = [*_edits(chain, head), *edited_settings(archive)]
    lines = [_verdict(faults, edits, chain)]
    lines += [f"- {text}" for text in faults + edits]
    open_run_id = find_open_run(archive, SystemClock().utc_ns() / 1e9)
    lines += [f"- {text}" for text in cautions(archive, open_run_id)]
    lines += _chain_words(chain)
    width = terminal_width()
    click.echo("\n".join(line for text in lines for line in wrapped(text, width)))
    if faults or edits:
        raise click.exceptions.Exit(3)


def _verdict(faults: list[str], edits: list[str], chain: ChainReport | None) -> str:
    if faults:
        return "The file is damaged."
    if edits:
        return "The file is whole, but it is not as the monitor wrote it."
    if chain is None:
        return "The file is whole. It was written before there was a chain: edits cannot be found."
    return "The file is whole, and no later edit was found."


def _edits(chain: ChainReport | None, head: str | None) -> list[str]:
    found = list(chain.findings) if chain else []
    if head is not None:
        wanted = head.strip().lower().replace(" ", "")
        if len(wanted) < 8 or set(wanted) - set("0123456789abcdef"):
            raise InputError(f"--head is {head!r}; it takes at least 8 digits of a chain's head")
        if not any(link.startswith(wanted) for link in (chain.hashes if chain else ())):
            found.append(f"the noted head {wanted} is not in the chain: it was computed anew")
    return found


def _chain_words(chain: ChainReport | None) -> list[str]:
    if chain is None:
        return []
    lines = [f"Chain: {plural(len(chain.hashes), 'link')}, head {chain.head}"]
    if chain.n_not_covered:
        lines.append(f"- {plural(chain.n_not_covered, 'row')} older than the chain, not covered")
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
    recordings = [str(run.id) for run in archive.runs() if run.clock == "recording"]
    if recordings:
        found.append(f"times of run {', '.join(recordings)} are those of a recording")
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
    rows = archive.log(LogKind.FAULT, newest_first=False)
    return [f"{row.start_local}: fault: {row.text}" for row in rows[:10]]
