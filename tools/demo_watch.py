"""`halfcycle demo-watch`: a simulated watch, measured by the real pipeline, and its report."""

import subprocess
import sys
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import timedelta
from importlib.resources import as_file, files
from pathlib import Path
from tempfile import TemporaryDirectory

import click

from daemon.app import Summary
from daemon.archive import Archive, open_archive
from daemon.errors import InputError, StoreError
from daemon.event_record import write_file
from daemon.merging import Part, merge
from daemon.schema import utc_seconds
from daemon.settings import Settings, load_settings
from drivers.simulated import SimulatedOptions
from tools.correlate import coverage_of
from tools.correlation import Question, correlate
from tools.failure_log import Reading, read_failures
from tools.report import page_module
from tools.site import find_site
from tools.watching import watch

HOUR_S = 3600.0
WEEK_H = 168.0
# Two processes watch a part each. In between the monitor is off, as when somebody moves it: so
# the second part is a run of its own, and the page has a pause to show.
FIRST_PART_H = 84.0
PAUSE_H = 0.1
SHORTEST_H = 0.1
COMMAND = (sys.executable, "-P", "-c", "from tools.cli import main; main(prog_name='halfcycle')")


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of the simulated week."""

    begin_h: float
    hours: float


@click.command("demo-watch")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path, file_okay=False))
@click.option(
    "--hours", type=click.FloatRange(SHORTEST_H, WEEK_H), default=WEEK_H, show_default=True,
    help="How much of the simulated week is watched.",
)  # fmt: skip
def command(folder: Path, hours: float) -> None:
    """Make a database, a log of failures and a report to look at, in some minutes.

    The site is invented and the supply simulated, but every event is found by the same
    measurement as on a real circuit, at 1.6 kS/s as fast as this computer can.
    """
    database = folder / "watch.db"
    if database.exists():
        raise InputError(f"{database} is there already: name a new folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder} cannot be made: {error.strerror}") from error
    with as_file(files("config")) as config:
        settings = load_settings(config / "demo-watch.yaml")
        click.echo(f"Watching a simulated supply for {hours:g} h ...")
        if len(parts_of(hours)) > 1:
            click.echo(
                "Two monitors watch a part each, with a pause between them. Their databases are "
                "merged\ninto one at the end, which its log says."
            )
        watch_parts(settings, database, parts_of(hours))
        archive = open_archive(database)
        failures = _failures_until_end(config / "demo-watch-failures.csv", archive)
    write_file(folder / "failures.csv", failures.encode())
    _write_report(folder, archive)
    click.echo(_next_steps(folder))


def parts_of(hours: float) -> list[Stretch]:
    """What is watched of the first `hours` of the week."""
    begin_h = FIRST_PART_H + PAUSE_H
    if hours < begin_h + SHORTEST_H:
        return [Stretch(0.0, min(hours, FIRST_PART_H))]
    return [Stretch(0.0, FIRST_PART_H), Stretch(begin_h, hours - begin_h)]


def watch_parts(settings: Settings, database: Path, parts: Sequence[Stretch]) -> None:
    """Measure each part by a monitor of its own, all at once, into one database.

    :raises StoreError: one of them failed.
    :raises click.Abort: somebody stopped it.
    """
    with TemporaryDirectory(prefix="parts-", dir=database.parent) as name, ExitStack() as running:
        found = [
            Path(name).absolute() / str(n) / f"part-{n}-of-the-demo.db"
            for n in range(1, len(parts) + 1)
        ]
        plans = [_plan(settings, path, part) for path, part in zip(found, parts, strict=True)]
        others = [running.enter_context(_begin(plan)) for plan in plans[1:]]
        is_stopped = not _is_whole(watch(plans[0], with_page=False), plans[0])
        for other in others:
            if is_stopped:
                other.terminate()
            _, words = other.communicate()
            if other.returncode:
                raise StoreError(f"a part of the watch failed: {words.strip()}")
        if is_stopped:
            raise click.Abort
        merge(database, [Part(path, None) for path in found])


def _is_whole(summary: Summary, plan: Settings) -> bool:
    """Whether everything was watched that was planned, or somebody stopped it."""
    options = plan.driver
    assert isinstance(options, SimulatedOptions)
    wanted = round((options.duration_s or 0.0) * options.sample_rate_hz)
    return summary.n_samples + summary.n_lost >= wanted


def _begin(plan: Settings) -> "subprocess.Popen[str]":
    file = plan.store.path.with_suffix(".yaml")
    file.write_text(plan.model_dump_json(exclude_unset=True), encoding="utf-8")  # JSON is YAML
    return subprocess.Popen(
        [*COMMAND, "monitor", "-c", str(file), "--no-page"],
        stdin=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )


def _plan(settings: Settings, database: Path, part: Stretch) -> Settings:
    """The same watch, only this stretch of it, into a database of its own."""
    database.parent.mkdir()
    options = settings.driver
    assert isinstance(options, SimulatedOptions)
    assert options.start_utc is not None
    times = {
        "begin_s": part.begin_h * HOUR_S,
        "duration_s": part.hours * HOUR_S,
        "start_utc": options.start_utc + timedelta(hours=part.begin_h),
    }
    store = settings.store.model_copy(update={"path": database})
    driver = options.model_copy(update=times)
    return settings.model_copy(update={"store": store, "driver": driver})


def _failures_until_end(log: Path, archive: Archive) -> str:
    """The invented log of failures, as far as the watch goes."""
    until_utc_s = utc_seconds(archive.runs()[-1].until_utc)
    found = read_failures(log, Reading(find_site(archive).zone)).failures
    kept = {failure.line for failure in found if failure.utc_s < until_utc_s}
    lines = log.read_text(encoding="utf-8").splitlines()
    return "".join(f"{line}\n" for n, line in enumerate(lines, start=1) if n == 1 or n in kept)


def _write_report(folder: Path, archive: Archive) -> None:
    database, log = folder / "watch.db", folder / "failures.csv"
    found = None
    if _has_failures(log):
        failures = read_failures(log, Reading(find_site(archive).zone))
        question = Question()
        found = correlate(database, archive, failures, coverage_of(database, archive), question)
    pages = page_module()
    text = pages.report_html(database, archive, pages.Wanted(None, None, None, found))
    write_file(folder / "report.html", text.encode())


def _has_failures(log: Path) -> bool:
    """Whether there is more than the heading: the first hours are too early for any."""
    return len(log.read_text(encoding="utf-8").splitlines()) > 1


def _next_steps(folder: Path) -> str:
    database, log = folder / "watch.db", folder / "failures.csv"
    zone = "--zone Europe/Vienna"
    again = f"halfcycle report {database} -o report.html"
    lines = [
        f"Report:       {folder / 'report.html'}",
        f"Event list:   halfcycle events {database}",
    ]
    if not _has_failures(log):
        nothing = "none yet: the invented machine fails later in the week"
        return "\n".join([*lines, f"Failures:     {nothing}", f"Report again: {again}"])
    return "\n".join(
        [
            *lines,
            f"Failures:     halfcycle correlate {database} {log} {zone}",
            f"Report again: {again} --equipment-log {log} {zone}",
        ]
    )
