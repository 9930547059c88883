"""`halfcycle demo`: the monitor on a simulated supply, with its page."""

import tempfile
from importlib.resources import as_file, files
from pathlib import Path

import click

from daemon.runtime import with_usable_port
from daemon.settings import Settings, load_settings
from tools.watching import end_words, page_address, watch

CAUTION = (
    "Simulated: nothing is measured. On a real circuit, mains can kill: the converter only ever\n"
    "sees the extra-low-voltage side of a sensor with rated isolation. See the README first."
)


@click.command("demo")
@click.option("--port", type=click.IntRange(1, 65535), help="Of the status page, if not 8230.")
@click.option(
    "--db", type=click.Path(path_type=Path, dir_okay=False),
    help="Where to keep the events; by default in a new temporary folder.",
)  # fmt: skip
@click.option("--no-page", is_flag=True, help="Without the status page.")
def command(port: int | None, db: Path | None, no_page: bool) -> None:
    """Watch a simulated outlet on which something happens every few seconds. Ctrl-C ends it."""
    with as_file(files("config")) as folder:
        settings = load_settings(folder / "demo.yaml")
        if not no_page:
            settings = _shown(settings, port)
        settings = _placed(settings, db)
        click.echo(_introduction(settings, with_page=not no_page))
        summary = watch(settings, with_page=not no_page)
    click.echo(end_words(summary))


def _shown(settings: Settings, port: int | None) -> Settings:
    page = settings.page if port is None else settings.page.model_copy(update={"port": port})
    return settings.model_copy(update={"page": with_usable_port(page)})


def _placed(settings: Settings, db: Path | None) -> Settings:
    database = db or Path(tempfile.mkdtemp(prefix="halfcycle-demo-")) / "events.db"
    store = settings.store.model_copy(update={"path": database.absolute()})
    return settings.model_copy(update={"store": store})


def _introduction(settings: Settings, *, with_page: bool) -> str:
    lines = [CAUTION, ""]
    if with_page:
        lines.append(f"Status page:   {page_address(settings)}")
    lines += [
        f"Event list:    halfcycle events {settings.store.path}",
        "Stop:          Ctrl-C",
    ]
    return "\n".join(lines)
