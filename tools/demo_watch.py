"""`halfcycle demo-watch`: a simulated watch, measured by the real pipeline, and its report."""

from importlib.resources import as_file, files
from pathlib import Path

import click

from daemon.archive import Archive, open_archive
from daemon.errors import InputError
from daemon.event_record import write_file
from daemon.schema import utc_seconds
from daemon.settings import Settings, load_settings
from tools.correlate import coverage_of
from tools.correlation import Question, correlate
from tools.failure_log import Reading, read_failures
from tools.monitor import watch
from tools.report import WINDOW_S, page_module
from tools.site import find_site

WEEK_H = 168.0


@click.command("demo-watch")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path, file_okay=False))
@click.option(
    "--hours", type=click.FloatRange(0.1, WEEK_H), default=18.0, show_default=True,
    help="How much of the simulated week is watched; all of it takes some minutes.",
)  # fmt: skip
def command(folder: Path, hours: float) -> None:
    """Make a database, a log of failures and a report to look at, in about a minute.

    The site is invented and the supply simulated, but every event is found by the same
    measurement as on a real circuit, at 2 kS/s as fast as this computer can.
    """
    database = folder / "watch.db"
    if database.exists():
        raise InputError(f"{database} is there already: name a new folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder} cannot be made: {error.strerror}") from error
    with as_file(files("config")) as config:
        settings = _shortened(load_settings(config / "demo-watch.yaml"), database, hours)
        click.echo(f"Watching a simulated supply for {hours:g} h ...")
        watch(settings, with_page=False)
        archive = open_archive(database)
        failures = _failures_until_end(config / "demo-watch-failures.csv", archive)
    write_file(folder / "failures.csv", failures.encode())
    _write_report(folder, archive)
    click.echo(_next_steps(folder))


def _shortened(settings: Settings, database: Path, hours: float) -> Settings:
    store = settings.store.model_copy(update={"path": database.absolute()})
    driver = settings.driver.model_copy(update={"duration_s": hours * 3600.0})
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
    if len(log.read_text(encoding="utf-8").splitlines()) > 1:  # else it is too early for any
        failures = read_failures(log, Reading(find_site(archive).zone))
        question = Question(WINDOW_S, None, True)
        found = correlate(database, archive, failures, coverage_of(database, archive), question)
    pages = page_module()
    text = pages.report_html(database, archive, pages.Wanted(None, None, None, found))
    write_file(folder / "report.html", text.encode())


def _next_steps(folder: Path) -> str:
    database, log = folder / "watch.db", folder / "failures.csv"
    return "\n".join(
        [
            f"Report:       {folder / 'report.html'}",
            f"Event list:   halfcycle events {database}",
            f"Failures:     halfcycle correlate {database} {log} --zone Europe/Vienna",
            f"Report again: halfcycle report {database} -o report.html"
            f" --equipment-log {log} --zone Europe/Vienna",
        ]
    )
