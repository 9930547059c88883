"""A monitor in the foreground, from its configuration to its last word."""

import os
import signal
import sys
import threading
from importlib import import_module
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import click

from daemon.allocation import fix_borders
from daemon.opening import open_input
from daemon.runtime import with_usable_port
from daemon.sampler_process import SamplerProcess
from daemon.service_log import listen
from daemon.settings import Settings, load_settings
from drivers.clock import SystemClock
from tools.progress import RecordingBar
from tools.text import plural

if TYPE_CHECKING:
    from daemon.app import Monitor, Summary


def watch_as(config: Path, sampler: SamplerProcess, *, with_page: bool) -> None:
    """Watch as a configuration says, with a sampler that was started already."""
    settings = load_settings(config)
    if "JOURNAL_STREAM" in os.environ:  # systemd says that it keeps what is printed
        listen(sys.stderr)
    with_page = settings.page.enabled and with_page
    if with_page:
        settings = settings.model_copy(update={"page": with_usable_port(settings.page)})
    summary = watch(settings, sampler, with_page=with_page)
    if sys.stderr.isatty():
        click.echo(end_words(summary), err=True)


def watch(
    settings: Settings, sampler: SamplerProcess | None = None, *, with_page: bool
) -> "Summary":
    """Run the monitor until a signal or the end of the recording."""
    stop = stop_on_signals()
    fix_borders()
    opening = open_input(settings, sampler)
    # Only now, while the device opens: it is the larger part of all that is imported.
    app = import_module("daemon.app")
    monitor: Monitor = app.Monitor(settings, SystemClock(), with_page=with_page, opening=opening)
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


def end_words(summary: "Summary") -> str:
    """What the run came to, and what to type next."""
    found = plural(summary.n_events, "event")
    return f"Kept {found}. See them: halfcycle events {summary.database}"
