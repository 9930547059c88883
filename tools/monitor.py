"""`halfcycle monitor`: the daemon, in the foreground."""

from contextlib import closing
from importlib import import_module
from pathlib import Path

import click

from daemon.sampler_process import SamplerProcess


@click.command("monitor")
@click.option(
    "-c", "--config", "config", type=click.Path(path_type=Path), required=True,
    metavar="FILE", help="The configuration, such as config/site.example.yaml.",
)  # fmt: skip
@click.option("--no-page", is_flag=True, help="Without the status page.")
def command(config: Path, no_page: bool) -> None:
    """Watch a circuit and keep what matters, until SIGTERM or Ctrl-C, or the recording is over."""
    # Both processes import what they need at the same time.
    with closing(SamplerProcess()) as sampler:
        import_module("tools.watching").watch_as(config, sampler, with_page=not no_page)
