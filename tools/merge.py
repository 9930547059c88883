"""`halfcycle merge`: several monitors of one site in one database."""

from collections import Counter
from pathlib import Path

import click

from daemon.archive import open_archive
from daemon.errors import InputError
from daemon.merging import Part, merge
from tools.edits import doubtful_ends
from tools.text import plural


@click.command("merge")
@click.argument("output", metavar="OUT.db", type=click.Path(path_type=Path, dir_okay=False))
@click.argument("databases", metavar="A.db B.db ...", type=click.Path(path_type=Path), nargs=-1)
def command(output: Path, databases: tuple[Path, ...]) -> None:
    """Put several databases into a new one; each run keeps the name of its file as origin.

    Events are not joined: two monitors that saw the same dip each keep their own.
    """
    if len(databases) < 2:
        raise InputError("name the new file, then at least two databases")
    same = [path for path, count in Counter(p.resolve() for p in databases).items() if count > 1]
    if same:
        raise InputError(f"{same[0]} is named twice")
    parts = [
        Part(path, origin) for path, origin in zip(databases, _origins(databases), strict=True)
    ]
    for part in merge(output, parts):
        runs, events = plural(part.n_runs, "run"), plural(part.n_events, "event")
        click.echo(f"{part.origin}: {runs}, {events}")
        for text in part.edits:
            click.echo(f"{part.origin} was edited after the watch: {text}", err=True)
        if part.uncovered:
            click.echo(f"{part.origin}: {part.uncovered}", err=True)
    for text in doubtful_ends(open_archive(output)):  # the new file holds both accounts, too
        click.echo(f"Edited after the watch: {text}", err=True)
    click.echo(f"Merged: {output}")


def _origins(databases: tuple[Path, ...]) -> list[str]:
    """File names without ending, with the folder where two are alike."""
    stems = Counter(path.stem for path in databases)
    return [
        path.stem if stems[path.stem] == 1 else f"{path.resolve().parent.name}/{path.stem}"
        for path in databases
    ]
