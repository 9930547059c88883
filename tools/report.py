"""`halfcycle report`: a watch as one page that someone can act on."""

import re
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import Any

import click

from daemon.archive import Archive, open_archive
from daemon.errors import InputError
from daemon.event_record import write_file
from tools.correlate import coverage_of
from tools.correlation import Correlation, Question, correlate
from tools.failure_log import Reading, read_failures
from tools.failure_options import reading_options
from tools.outputs import HTML, PDF, check_output
from tools.picture_files import drawing_module

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")
BROWSER_TIMEOUT_S = 120.0


@dataclass(frozen=True, slots=True)
class Print:
    """What stands on the page besides the findings, and on which paper it is printed."""

    title: str | None
    date: str | None
    paper: str | None


def print_options(verb: Callable[..., None]) -> Callable[..., None]:
    """Gives a verb `--title`, `--date` and `--pdf` as one `Print`."""

    @click.option("--title", help="Instead of the name of the site.")
    @click.option("--date", help="To stand on the page; left out, none does.")
    @click.option(
        "--pdf", "paper", type=click.Choice(["A4", "Letter"], case_sensitive=False),
        is_flag=False, flag_value="A4", help="Also as PDF, if there is a Chromium. [A4]",
    )  # fmt: skip
    @wraps(verb)
    def wrapper(title: str | None, date: str | None, paper: str | None, **named: Any) -> None:
        verb(page=Print(title, date, paper), **named)

    return wrapper


@click.command("report")
@click.argument("db", type=click.Path(path_type=Path))
@click.option(
    "-o", "--output", type=click.Path(path_type=Path, dir_okay=False), required=True,
    metavar="FILE.html", help="The page to write.",
)  # fmt: skip
@click.option("--profile", "profile_name", metavar="ID", help="Judge by this one instead.")
@click.option(
    "--equipment-log", "log", type=click.Path(path_type=Path), metavar="FILE",
    help="Times at which the equipment failed, as for `correlate`.",
)  # fmt: skip
@print_options
@reading_options
def command(
    reading: Reading, page: Print, db: Path, output: Path, profile_name: str | None,
    log: Path | None,
) -> None:  # fmt: skip
    """Write one self-contained page: the answer, the evidence, and what follows.

    The same database and options give the same bytes.
    """
    if output.suffix.lower() == ".pdf":
        page_name = output.with_suffix(".html")
        raise InputError(
            f"-o {output}: the page is HTML; for a PDF beside it give -o {page_name} --pdf"
        )
    check_output("--output", output, HTML)
    if page.paper is not None:
        check_output("--pdf", output.with_suffix(".pdf"), PDF)
    archive = open_archive(db)
    failures = _failures(db, archive, log, reading, profile_name)
    pages = page_module()
    wanted = pages.Wanted(page.title, page.date, profile_name, failures)
    text = pages.report_html(db, archive, wanted)
    write_file(output, text.encode())
    click.echo(f"Report: {output}")
    if page.paper is not None:
        pdf = output.with_suffix(".pdf")
        print_pdf(text, pdf, page.paper)
        click.echo(f"PDF: {pdf}")


def _failures(
    db: Path, archive: Archive, log: Path | None, reading: Reading, profile_name: str | None
) -> Correlation | None:
    if log is None:
        return None
    coverage = coverage_of(db, archive)
    watch = coverage.since_utc_s, coverage.until_utc_s
    question = Question(profile_name=profile_name)
    return correlate(db, archive, read_failures(log, reading, watch), coverage, question)


def page_module() -> Any:
    """The part that draws the page.

    :raises InputError: matplotlib is not installed.
    """
    return drawing_module("tools.report_page")


def print_pdf(html: str, pdf: Path, paper: str) -> None:
    """Print a page with a Chromium, on `A4` or `Letter`.

    :raises InputError: there is no Chromium, or it failed.
    """
    browser = next((found for name in BROWSERS if (found := shutil.which(name))), None)
    if browser is None:
        raise InputError("--pdf needs Chromium; without it, print the page from a browser")
    sized = re.sub(r"@page \{", f"@page {{ size: {paper};", html, count=1)
    with tempfile.TemporaryDirectory(prefix="halfcycle-pdf-") as folder:
        page, target = Path(folder) / "report.html", Path(folder) / "report.pdf"
        page.write_text(sized, encoding="utf-8")
        command = [
            browser, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic",
            "--no-first-run", "--disable-background-networking", "--disable-component-update",
            "--disable-sync", f"--user-data-dir={folder}/profile", "--no-pdf-header-footer",
            f"--print-to-pdf={target}", page.as_uri(),
        ]  # fmt: skip
        try:
            subprocess.run(command, capture_output=True, timeout=BROWSER_TIMEOUT_S, check=False)
        except subprocess.TimeoutExpired as error:
            raise InputError("--pdf: Chromium did not finish; print the page by hand") from error
        if not target.exists():
            raise InputError("--pdf: Chromium made no PDF; print the page from a browser")
        write_file(pdf, target.read_bytes())
