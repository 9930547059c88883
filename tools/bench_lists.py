"""What lists and reports cost on databases of a hundred, ten thousand and a million events."""

import os
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from daemon.archive import EventFilter, open_archive
from daemon.page.address import HomeQuery
from daemon.page.happened import read_history
from daemon.page.reading import Reading
from tools.bench_database import write_database

BAR_LIST_S = 0.2
LATEST = 50
REPEATS = 3
_REPORT = """
import sys, time
from pathlib import Path
from daemon.archive import open_archive
from tools.report_page import Wanted, report_html
path, began_ns = Path(sys.argv[1]), time.process_time_ns()
text = report_html(path, open_archive(path), Wanted(None, None, None, None))
seconds = (time.process_time_ns() - began_ns) / 1e9
# VmHWM and not ru_maxrss, which begins with what the process that started this one takes
(peak,) = [line for line in Path("/proc/self/status").read_text().splitlines() if "VmHWM" in line]
print(seconds, len(text.encode()), int(peak.split()[1]) * 1024)
"""


@dataclass(frozen=True, slots=True)
class ListCost:
    """Processor time in s, the start of Python apart."""

    n_events: int
    database_mb: float
    built_s: float
    latest_s: float  # the latest 50 serious ones, as `halfcycle events` asks for them
    latest_all_s: float  # of all that was captured
    page_s: float  # all that the home page asks of the database
    report_s: float
    report_mb: float  # of the page
    report_peak_mb: float  # of memory


def measure_lists(folder: Path, n_events: int) -> ListCost:
    """Write a database, ask it, and let go of it."""
    path = folder / f"events-{n_events}.db"
    built_s = _seconds(lambda: write_database(path, n_events))
    size_mb = path.stat().st_size / 1e6
    reading = Reading(None, None, 0.0)
    try:
        return ListCost(
            n_events,
            size_mb,
            built_s,
            _least(lambda: _latest(path, serious_only=True)),
            _least(lambda: _latest(path, serious_only=False)),
            _least(lambda: read_history(path, HomeQuery(), reading)),
            *_report(path),
        )
    finally:
        path.unlink()


def _latest(path: Path, *, serious_only: bool) -> None:
    """Open, count and list, as the command line does."""
    archive = open_archive(path)
    archive.verdict_counts(EventFilter())
    archive.events(EventFilter(serious_only=serious_only, limit=LATEST))


def _report(path: Path) -> tuple[float, float, float]:
    """In a process of its own, whose memory is its own: s, MB of page, MB of memory."""
    told = subprocess.run(
        [sys.executable, "-c", _REPORT, str(path)],
        check=True,
        capture_output=True,
        text=True,
        env=os.environ,
    )
    seconds, size, peak = map(float, told.stdout.split())
    return seconds, size / 1e6, peak / 1e6


def _least(question: Callable[[], object]) -> float:
    return min(_seconds(question) for _ in range(REPEATS))


def _seconds(question: Callable[[], object]) -> float:
    began_ns = time.process_time_ns()
    question()
    return (time.process_time_ns() - began_ns) / 1e9
