"""`halfcycle monitor`: the daemon, in the foreground."""

import os
import signal
import sys
import threading
from pathlib import Path
from types import FrameType

import click

from daemon.app import Monitor, Summary
from daemon.runtime import with_usable_port
from daemon.service_log import listen
from daemon.settings import Settings, load_settings
from drivers.clock import SystemClock
from tools.progress import RecordingBar
from tools.text import plural


@click.command("monitor")
@click.option(
    "-c", "--config", "config", type=click.Path(path_type=Path), required=True,
    metavar="FILE", help="The configuration, such as config/site.example.yaml.",
)  # fmt: skip
@click.option("--no-page", is_flag=True, help="Without the status page.")
def command(config: Path, no_page: bool) -> None:
    """Watch a circuit and keep what matters, until SIGTERM or Ctrl-C, or the recording is over."""
    settings = load_settings(config)
    if "JOURNAL_STREAM" in os.environ:  # systemd says that it keeps what is printed
        listen(sys.stderr)
    with_page = settings.page.enabled and not no_page
    if with_page:
        settings = settings.model_copy(update={"page": with_usable_port(settings.page)})
    summary = watch(settings, with_page=with_page)
    if sys.stderr.isatty():
        click.echo(end_words(summary), err=True)


def watch(settings: Settings, *, with_page: bool) -> Summary:
    """Run the monitor until a signal or the end of the recording."""
    stop = stop_on_signals()
    monitor = Monitor(settings, SystemClock(), with_page=with_page)
    if with_page and sys.stderr.isatty():
        click.echo(f"Status page: {page_address(settings)}", err=True)
    with RecordingBar() as progress:
        return monitor.run(stop, progress)


def stop_on_signals() -> threading.Event:
    """An event that SIGTERM and Ctrl-C set; a second one ends the program at once."""
    stop = threading.Event()

    def on_signal(number: int, frame: FrameType | None) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        stop.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, on_signal)
    return stop


def page_address(settings: Settings) -> str:
    """Where a person finds the status page."""
    bind = settings.page.bind
    host = f"[{bind}]" if ":" in bind else bind
    return f"http://{host}:{settings.page.port}/"


def end_words(summary: Summary) -> str:
    """What the run came to, and what to type next."""
    found = plural(summary.n_events, "event")
    return f"Kept {found}. See them: halfcycle events {summary.database}"
