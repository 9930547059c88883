"""`halfcycle measure`: measurements to the terminal, no database."""

import json
import math
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import click

from daemon.pipeline import Pipeline
from daemon.plan import PipelineSetup
from daemon.records import Output
from daemon.settings import load_settings
from daemon.setup import pipeline_setup
from drivers.clock import SystemClock
from drivers.errors import SourceEnded
from drivers.registry import find_driver
from drivers.source import Block, Source
from tools.progress import RecordingBar
from tools.watching import stop_on_signals

Row = dict[str, object]


@click.command("measure")
@click.option(
    "-c", "--config", "config", type=click.Path(path_type=Path), required=True, metavar="FILE",
    help="The configuration.",
)  # fmt: skip
@click.option(
    "--interval", type=click.Choice(["half-cycle", "basic", "10s", "10min", "2h"]), default="basic",
    show_default=True, help="Half cycles, 10 or 12 cycles, 10 s, 10 min, 2 h.",
)  # fmt: skip
@click.option(
    "--format", "layout", type=click.Choice(["table", "jsonl"]), default="table", show_default=True
)
def command(config: Path, interval: str, layout: str) -> None:
    """Print measurements until Ctrl-C or the end of the recording. Nothing is stored.

    Times are seconds from the first sample to the start of each interval.
    """
    settings = load_settings(config)
    source = find_driver(settings.driver.name)(settings.driver, SystemClock())
    info = source.open()
    try:
        setup = pipeline_setup(settings, info)
        rows = _ROWS[interval]
        if layout == "table":
            click.echo(_HEADINGS[interval])
        for out in _outputs(source, Pipeline(setup), info.n_samples):
            for row in rows(out, setup):
                click.echo(json.dumps(row) if layout == "jsonl" else _LINES[interval](row))
            sys.stdout.flush()
    finally:
        source.close()


def _outputs(source: Source, pipeline: Pipeline, n_total: int | None) -> Iterator[Output]:
    stop = stop_on_signals()
    with RecordingBar() as progress:
        for block in _blocks(source, stop.is_set):
            yield pipeline.feed(block)
            if not sys.stdout.isatty():
                progress.advance(len(block.volts), n_total)
        yield pipeline.finish()


def _blocks(source: Source, is_stopped: Callable[[], bool]) -> Iterator[Block]:
    while not is_stopped():
        try:
            block = source.read(0.5)
        except SourceEnded:
            return
        if block is not None:
            yield block


def _half_cycles(out: Output, setup: PipelineSetup) -> Iterator[Row]:
    for values in out.half_cycles:
        name = setup.channels[values.channel].name
        for start, urms in zip(values.start_index.tolist(), values.urms_v.tolist(), strict=True):
            yield {"t_s": start / setup.sample_rate_hz, "channel": name, "urms_v": urms}


def _basic(out: Output, setup: PipelineSetup) -> Iterator[Row]:
    unbalance = {value.start_index: value for value in out.unbalance}
    for interval in out.intervals:
        row: Row = {
            "t_s": interval.start_index / setup.sample_rate_hz,
            "channel": setup.channels[interval.channel].name,
            "urms_v": interval.urms_v,
            "frequency_hz": _known(interval.frequency_hz),
            "thd_pct": _known(interval.thd_pct),
            "harmonics_pct": [_known(part) for part in interval.harmonics_pct.tolist()],
            "flagged": interval.flagged,
        }
        value = unbalance.get(interval.start_index)
        if value is not None and interval.channel == setup.lines[0]:  # they share their windows
            row |= {"u2_pct": _known(value.u2_pct), "u0_pct": _known(value.u0_pct)}
        yield row


def _known(value: float) -> float | None:
    """What could not be measured is null, not NaN, which JSON does not know."""
    return None if math.isnan(value) else value


def _ten_seconds(out: Output, setup: PipelineSetup) -> Iterator[Row]:
    for value in out.frequencies:
        start_s = value.start_index / setup.sample_rate_hz
        yield {"t_s": start_s, "frequency_hz": value.frequency_hz}


def _ten_minutes(out: Output, setup: PipelineSetup) -> Iterator[Row]:
    for value in out.ten_minute:
        yield {
            "t_s": value.start_index / setup.sample_rate_hz,
            "channel": setup.channels[value.channel].name,
            "urms_v": value.urms_v,
            "pst": value.pst,
        }


def _two_hours(out: Output, setup: PipelineSetup) -> Iterator[Row]:
    for value in out.two_hour:
        yield {
            "t_s": value.start_index / setup.sample_rate_hz,
            "channel": setup.channels[value.channel].name,
            "urms_v": value.urms_v,
            "plt": value.plt,
        }


_ROWS: dict[str, Callable[[Output, PipelineSetup], Iterator[Row]]] = {
    "half-cycle": _half_cycles,
    "basic": _basic,
    "10s": _ten_seconds,
    "10min": _ten_minutes,
    "2h": _two_hours,
}
_HEADINGS = {
    "half-cycle": f"{'Time s':>12}  {'Channel':8}  {'Voltage V':>10}",
    "basic": (
        f"{'Time s':>12}  {'Channel':8}  {'Voltage V':>10}  {'Frequency Hz':>12}  {'THD %':>7}"
    ),
    "10s": f"{'Time s':>12}  {'Frequency Hz':>12}",
    "10min": f"{'Time s':>12}  {'Channel':8}  {'Voltage V':>10}  {'Pst':>7}",
    "2h": f"{'Time s':>12}  {'Channel':8}  {'Voltage V':>10}  {'Plt':>7}",
}


def _voltage_line(row: Row) -> str:
    return f"{row['t_s']:12.4f}  {row['channel']:8}  {row['urms_v']:10.3f}"


def _basic_line(row: Row) -> str:
    flag = "  touched by an event" if row["flagged"] else ""
    if "u2_pct" in row:
        flag = f"  unbalance u2 {_cell(row['u2_pct'], 0, 3)} %{flag}"
    frequency, thd = _cell(row["frequency_hz"], 12, 4), _cell(row["thd_pct"], 7, 3)
    return f"{_voltage_line(row)}  {frequency}  {thd}{flag}"


def _cell(value: object, width: int, digits: int) -> str:
    return f"{'-':>{width}}" if value is None else f"{value:{width}.{digits}f}"


def _ten_minute_line(row: Row) -> str:
    return f"{_voltage_line(row)}  {_cell(row['pst'], 7, 3)}"


def _two_hour_line(row: Row) -> str:
    return f"{_voltage_line(row)}  {_cell(row['plt'], 7, 3)}"


def _frequency_line(row: Row) -> str:
    return f"{row['t_s']:12.4f}  {row['frequency_hz']:12.4f}"


_LINES: dict[str, Callable[[Row], str]] = {
    "half-cycle": _voltage_line,
    "basic": _basic_line,
    "10s": _frequency_line,
    "10min": _ten_minute_line,
    "2h": _two_hour_line,
}
