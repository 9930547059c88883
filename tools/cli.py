"""The command `halfcycle`. A verb's module is imported only when the verb is used."""

import io
import os
import sys
from importlib import import_module
from typing import IO, Any

import click

from daemon import __version__
from daemon.errors import InputError, StoreError
from drivers.errors import OptionError, SourceFailed, SourceUnavailable
from tools.text import clean

# Before numpy is first imported: its matrices here are small, and threads for them only cost.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

VERBS = {
    "demo": ("tools.demo", "Try it now: a simulated supply, with its status page."),
    "demo-watch": ("tools.demo_watch", "Make the database and report of a simulated watch."),
    "preflight": ("tools.preflight", "Before a watch: look for all that could spoil it."),
    "calibrate": ("tools.calibrate", "Find a channel's gain with a reference meter."),
    "monitor": ("tools.monitor", "Watch a circuit until told to stop, and keep what matters."),
    "page": ("tools.page", "The status page alone, of a monitor run with --no-page."),
    "measure": ("tools.measure", "Print measurements; nothing is stored."),
    "events": ("tools.events", "List what happened."),
    "show": ("tools.show", "Show one event whole."),
    "judge": ("tools.judge", "Compare the same events with another profile."),
    "report": ("tools.report", "Write one page: the answer, the evidence, what follows."),
    "correlate": ("tools.correlate", "Hold the equipment's failures against the events."),
    "compare": ("tools.compare", "Compare two watches: whether a conditioner does its work."),
    "export": ("tools.export", "Write events, log and waveforms as CSV, JSON, COMTRADE, WAV."),
    "mark": ("tools.mark", "Say that it failed just now, while the monitor runs."),
    "merge": ("tools.merge", "Put several monitors of one site into one database."),
    "check-db": ("tools.check_db", "Look for damage, gaps, doubts and later edits."),
    "profiles": ("tools.profiles", "List, show and check tolerance profiles."),
}
"""Every verb in the order a newcomer needs them: its module, and one line of help."""


class WrongInput(click.ClickException):
    """What the user gave is wrong: one message on stderr, no traceback."""

    exit_code = 2

    def show(self, file: IO[Any] | None = None) -> None:
        lines = [clean(line) for line in self.message.split("\n")]  # it may quote a file
        click.echo("halfcycle: " + "\n".join(lines), file=file or sys.stderr)


class Failed(WrongInput):
    """The device or the store failed."""

    exit_code = 3


class Verbs(click.Group):
    """The group of all verbs."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in VERBS:
            return None
        module, _ = VERBS[cmd_name]
        command: click.Command = import_module(module).command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Verbs"):
            formatter.write_dl([(verb, line) for verb, (_, line) in VERBS.items()])

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except (InputError, OptionError) as error:
            raise WrongInput(str(error)) from error
        except (StoreError, SourceUnavailable, SourceFailed) as error:
            raise Failed(str(error)) from error
        except KeyboardInterrupt as error:
            raise click.exceptions.Exit(130) from error


@click.group(cls=Verbs, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="halfcycle")
def main() -> None:
    """Leave it on a circuit, come back to the few events that matter."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal that knows fewer letters
