"""The tables of `tools.bench`, line by line as they are measured."""

from collections.abc import Iterator, Sequence
from pathlib import Path

from tools.bench_lists import BAR_LIST_S, LATEST, ListCost, measure_lists
from tools.bench_monitor import (
    BAR_DAY_MB,
    BAR_PSS_MB,
    BAR_START_S,
    measure_monitor,
    measure_quiet_day,
)
from tools.bench_pipeline import (
    BAR_RATE_HZ,
    BAR_RATIO,
    REST,
    STAGES,
    PipelineCost,
    measure_pipeline,
)

COLUMN = 8
_NAMES = (*(name for name, _ in STAGES), REST)


def pipeline_lines(rates: Sequence[int], channels: Sequence[int]) -> Iterator[str]:
    """Floor, whole pipeline, and each stage; one line for each rate and number of channels."""
    yield "Pipeline: processor time in ns per sample and channel; x: times the bare numpy floor"
    yield "live: in calm; bulk: as for recordings; -trans., -flick.: live without them"
    headings = ("rate", "channels", "floor", "live", "x", "bulk", "x", "-trans.", "-flick.")
    yield _row([*headings, *_NAMES])
    worst = 0.0
    for rate_hz in rates:
        for n_channels in channels:
            cost = measure_pipeline(rate_hz, n_channels)
            if (rate_hz, n_channels) == (BAR_RATE_HZ, 1):
                worst = cost.ratio
            yield _row([str(rate_hz), str(n_channels), *_cells(cost)])
    if worst:
        yield _bar(f"pipeline at {BAR_RATE_HZ / 1000:g} kS/s, times the floor", worst, BAR_RATIO)


def _cells(cost: PipelineCost) -> list[str]:
    return [
        f"{cost.floor_ns:.1f}",
        f"{cost.live_ns:.1f}",
        f"{cost.ratio:.2f}",
        f"{cost.bulk_ns:.1f}",
        f"{cost.bulk_ns / cost.floor_ns:.2f}",
        f"{cost.live_ns - cost.transients_ns:.1f}",
        f"{cost.live_ns - cost.flicker_ns:.1f}",
        *(f"{cost.stages_ns[name]:.1f}" for name in _NAMES),
    ]


def list_lines(folder: Path, numbers: Sequence[int]) -> Iterator[str]:
    """Lists and reports, by the number of events."""
    yield f"Lists and reports: processor time in ms, the start of Python apart; latest {LATEST}"
    headings = ("events", "MB", "built s", "serious", "all", "page", "report", "page MB", "peak MB")
    yield _row(headings)
    costs = []
    for n_events in numbers:
        costs.append(measure_lists(folder, n_events))
        yield _row(_list_cells(costs[-1]))
    slowest = max(max(cost.latest_s, cost.latest_all_s, cost.page_s) for cost in costs)
    yield _bar(f"list and page of at most {max(numbers)} events, s", slowest, BAR_LIST_S)


def _list_cells(cost: ListCost) -> list[str]:
    return [
        str(cost.n_events),
        f"{cost.database_mb:.1f}",
        f"{cost.built_s:.1f}",
        f"{1000 * cost.latest_s:.1f}",
        f"{1000 * cost.latest_all_s:.1f}",
        f"{1000 * cost.page_s:.1f}",
        f"{1000 * cost.report_s:.0f}",
        f"{cost.report_mb:.2f}",
        f"{cost.report_peak_mb:.0f}",
    ]


def day_lines(folder: Path) -> Iterator[str]:
    """Bytes written on a quiet day."""
    cost = measure_quiet_day(folder)
    yield "A quiet day, one channel: the journal's own writing with its clock moved by a day"
    yield f"  the database grew by {cost.grown_mb:.2f} MB; {cost.n_writes} times the run was noted"
    yield _bar("handed to write calls (wchar of /proc/self/io), MB", cost.written_mb, BAR_DAY_MB)


def monitor_lines(folder: Path) -> Iterator[str]:
    """Start and memory of the monitor with its page."""
    cost = measure_monitor(folder)
    yield "The monitor with its page, simulated, 16 kS/s, one channel, in real time"
    yield f"  READY after {cost.ready_s:.2f} s, as the clock on the wall has it"
    yield _bar("first value in the status after s (wall)", cost.first_value_s, BAR_START_S)
    yield f"  processor time until then: {cost.worked_s:.2f} s"
    for name, size_mb in cost.pss_mb.items():
        yield f"  {name:<10} {size_mb:6.1f} MB (PSS)"
    yield _bar("all processes, MB", cost.whole_mb, BAR_PSS_MB)


def _row(cells: Sequence[str]) -> str:
    return " ".join(f"{cell:>{COLUMN}}" for cell in cells)


def _bar(what: str, found: float, bar: float) -> str:
    verdict = "holds" if found <= bar else "DOES NOT HOLD"
    return f"  {what}: {found:.2f}, bar {bar:g}: {verdict}"
