"""The page as a process: `python -m daemon.page --snapshot P --database P --bind A --port N`.

It ends quietly by SIGTERM or SIGINT, and by itself when the process that started it is gone.
Exit 0 ended, 2 an argument is wrong, 3 the address cannot be used.
"""

import os
import signal
import socket
import sys
from pathlib import Path
from types import FrameType

import click
import uvicorn

from daemon.allocation import fix_borders
from daemon.page.app import PageConfig, create_app
from daemon.page.guard import hosts_for
from daemon.page.server import PageServer, PatientProtocol

_BACKLOG = 64
_LARGEST_HEAD = 16_384
_BORDER_BYTES = 64 << 10  # nothing here is in such haste that it must keep what it used
_MODESTY = 10  # niceness: whatever happens to the page, measuring comes first


@click.command()
@click.option("--snapshot", type=click.Path(path_type=Path), required=True)
@click.option("--database", type=click.Path(path_type=Path), required=True)
@click.option("--bind", default="127.0.0.1", show_default=True)
@click.option("--port", type=click.IntRange(1, 65535), default=8230, show_default=True)
@click.option("--token-file", type=click.Path(path_type=Path, dir_okay=False), default=None)
def main(snapshot: Path, database: Path, bind: str, port: int, token_file: Path | None) -> None:
    """Show what the monitor writes to SNAPSHOT and DATABASE; only ever reads them.

    With a token, marks are taken too: files in the folder `spool` beside SNAPSHOT.
    """
    os.nice(_MODESTY)
    fix_borders(_BORDER_BYTES)
    parent_pid = os.getppid()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, _end)
    token = None if token_file is None else _read_token(token_file)
    listener = _listen(bind, port)
    config = PageConfig(snapshot, database, token, hosts_for(bind))
    settings = uvicorn.Config(
        create_app(config),
        http=PatientProtocol,
        ws="none",
        loop="asyncio",
        lifespan="off",
        log_config=None,
        log_level="error",
        access_log=False,
        proxy_headers=False,
        server_header=False,
        backlog=_BACKLOG,
        timeout_keep_alive=5,
        timeout_graceful_shutdown=2,
        h11_max_incomplete_event_size=_LARGEST_HEAD,
    )
    PageServer(settings, parent_pid).run(sockets=[listener])


def _end(number: int, frame: FrameType | None) -> None:
    """uvicorn raises the signal once more when it has finished; this makes it an ordinary end."""
    sys.exit(0)


def _read_token(path: Path) -> str:
    try:
        token = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise click.BadParameter(f"{path} cannot be read: {error}") from error
    if not token:
        raise click.BadParameter(f"{path} is empty; a token has at least one character")
    return token


def _listen(bind: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in bind else socket.AF_INET
    try:
        listener = socket.create_server((bind, port), family=family, backlog=_BACKLOG)
    except OSError as error:
        reason = str(error.strerror).partition(" (while")[0]
        click.echo(f"the page cannot use {bind} port {port}: {reason}", err=True)
        sys.exit(3)
    # asyncio does this for sockets it made itself; without it every answer waits 40 ms for an ACK
    listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return listener


if __name__ == "__main__":
    main()
