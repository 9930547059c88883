"""`python -m tools.bench`: what everything costs, in one run, with the bars beside it.

Processor time throughout, the least of several runs taken in turns: what else the computer does
distorts it little. Start-up is the exception, and says so.
"""

import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from importlib import import_module
from pathlib import Path
from types import ModuleType

import click

# Before numpy is first imported, as the command line does it: one thread, as on a single core.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

PARTS = ("pipeline", "lists", "day", "monitor")
ABOUT_S = {"pipeline": 50, "lists": 20, "day": 5, "monitor": 16}  # on an idle computer
MILLION = 1_000_000
MILLION_S = 240
RATES_HZ = (8_000, 16_000, 48_000, 192_000)
CHANNELS = (1, 2, 3, 4)
EVENTS = (100, 10_000)


@click.command()
@click.option(
    "--only", "parts", type=click.Choice(PARTS), multiple=True, default=PARTS,
    help="This part only; may be given several times.",
)  # fmt: skip
@click.option("--rate", "rates", type=int, multiple=True, default=RATES_HZ, metavar="HZ")
@click.option(
    "--channels", type=click.IntRange(1, 8), multiple=True, default=CHANNELS, metavar="N",
    help="Three are a three-phase supply; other numbers are single phases.",
)  # fmt: skip
@click.option("--million", is_flag=True, help="Lists and a report of a million events, too.")
def main(
    parts: Sequence[str], rates: Sequence[int], channels: Sequence[int], million: bool
) -> None:
    """Measure what the pipeline, its stages, lists, a quiet day and the monitor cost."""
    began = time.perf_counter()
    about_s = sum(ABOUT_S[part] for part in parts) + MILLION_S * (million and "lists" in parts)
    click.echo(f"This takes about {about_s} s on an idle computer.")
    load = " ".join(f"{one:.1f}" for one in os.getloadavg())
    click.echo(f"{os.cpu_count()} processors, load {load}, Python {sys.version.split()[0]}")
    tables: dict[str, Callable[[Path], Iterator[str]]] = {
        "pipeline": lambda _: _tables().pipeline_lines(rates, channels),
        "lists": lambda folder: _tables().list_lines(
            folder, [*EVENTS, MILLION] if million else EVENTS
        ),
        "day": lambda folder: _tables().day_lines(folder),
        "monitor": lambda folder: _tables().monitor_lines(folder),
    }
    for part in PARTS:
        if part in parts:
            click.echo("")
            with tempfile.TemporaryDirectory(prefix="halfcycle-bench-") as folder:
                for line in tables[part](Path(folder)):
                    click.echo(line)
    click.echo(f"\nTook {time.perf_counter() - began:.0f} s.")


def _tables() -> ModuleType:
    """Imported now: numpy comes with it."""
    return import_module("tools.bench_tables")


if __name__ == "__main__":
    main()
