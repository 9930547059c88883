"""What was edited after the monitor wrote it, in words: by chain, settings, log, and a merge."""

from collections.abc import Sequence

from daemon.archive import Archive, EventFilter, RunRow
from daemon.chain_check import ChainReport
from daemon.merging import BEFORE_MERGING, UNCOVERED
from daemon.page.words import zone_of
from daemon.records import LogKind
from daemon.schema import utc_seconds
from daemon.stored_settings import edited_settings
from tools.text import moment_words

MOST_LOOKED_AT = 20_000  # events; of more, only check-db and report take the time
ENDS_AGREE_S = 60.0  # a clock that was set while the run ended moves the two apart by less


def find_edits(archive: Archive, chain: ChainReport | None) -> list[str]:
    """Each later edit that shows: of rows, settings, the end of a run, a part before a merge."""
    return [
        *(chain.findings if chain else ()),
        *archive.loose_rows(),
        *edited_settings(archive),
        *doubtful_ends(archive),
        *edits_before_merging(archive),
    ]


def edits_before_merging(archive: Archive) -> list[str]:
    """What the log of a merged database says of its parts."""
    faults = archive.log(LogKind.FAULT, newest_first=False)
    return [row.text for row in faults if BEFORE_MERGING in row.text]


def uncovered(archive: Archive) -> list[str]:
    """What no chain of hashes speaks for: of this file, and of its parts before a merge."""
    own = archive.uncovered_words()
    merged = archive.log(LogKind.MERGED, newest_first=False)
    return [*([own] if own else []), *(row.text for row in merged if UNCOVERED in row.text)]


def edit_lines(archive: Archive, name: str = "the database") -> list[str]:
    """What to say first where a verb rests on edited rows; nothing where no edit shows.

    :param name: of the database, where there are two.
    """
    if archive.count(EventFilter()) > MOST_LOOKED_AT:
        return []
    return edit_words(find_edits(archive, archive.chain()), name)


def edit_words(edits: Sequence[str], name: str = "the database") -> list[str]:
    """The same of edits that are known already."""
    if not edits:
        return []
    more = f", and {len(edits) - 1} more" if len(edits) > 1 else ""
    return [
        f"Careful: {name} is not as the monitor wrote it: {edits[0]}{more}. See check-db before "
        "you rely on what follows."
    ]


def doubtful_ends(archive: Archive) -> list[str]:
    """Runs, which no hash covers, that end at another time than the log, which one does cover."""
    stops = {row.run_id: row.start_utc for row in archive.log(LogKind.STOPPED, newest_first=False)}
    return [
        f"the account of run {run.id} was changed: it is said to end at "
        f"{_moment(run, run.until_utc)}, but its log stopped at {_moment(run, stops[run.id])}"
        for run in archive.runs()
        if run.stopped and run.id in stops
        if abs(utc_seconds(run.until_utc) - utc_seconds(stops[run.id])) > ENDS_AGREE_S
    ]


def _moment(run: RunRow, stamp: str) -> str:
    return moment_words(utc_seconds(stamp), zone_of(run.timezone))
