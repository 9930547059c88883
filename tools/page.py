"""`halfcycle page`: the status page alone, beside a monitor that runs without one."""

import os
import sys
from pathlib import Path

import click

from daemon.errors import InputError
from daemon.runtime import with_usable_port
from daemon.runtime_folder import runtime_folder
from daemon.settings import Page, load_settings

SNAPSHOT_NAME = "status.json"  # the monitor's, in the folder both of them know


@click.command("page")
@click.option(
    "-c", "--config", "config", type=click.Path(path_type=Path), required=True, metavar="FILE",
    help="The monitor's configuration.",
)  # fmt: skip
def command(config: Path) -> None:
    """Serve only the status page of a monitor that was started with --no-page.

    It reads the monitor's snapshot and database and needs no device. Ends by SIGTERM or Ctrl-C.
    """
    settings = load_settings(config)
    if not settings.page.enabled:
        raise InputError(f"{config}: page.enabled is false: there is no page to serve")
    page = with_usable_port(settings.page)
    database = settings.store.path.absolute()
    snapshot = runtime_folder(database, os.environ) / SNAPSHOT_NAME
    os.execv(sys.executable, page_command(page, snapshot, database))


def page_command(page: Page, snapshot: Path, database: Path) -> list[str]:
    """How the page is started in this process's place; its token goes through a memory file."""
    words = [sys.executable, "-P", "-m", "daemon.page"]
    words += ["--snapshot", str(snapshot), "--database", str(database)]
    words += ["--bind", page.bind, "--port", str(page.port)]
    if page.token is not None:
        descriptor = os.memfd_create("halfcycle-token", 0)
        os.write(descriptor, page.token.encode())
        words += ["--token-file", f"/proc/self/fd/{descriptor}"]
    return words
