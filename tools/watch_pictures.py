"""Pictures of a whole watch: coverage, timeline, days and hours."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from daemon.records import Verdict
from tools.drawing import GREY, INK, LOOKS, WIDTH_IN, Mark, legend_below, styled

NARROWEST = 0.006  # of the whole width, about 1 mm
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


@dataclass(frozen=True, slots=True)
class Stretch:
    """The time that a picture spans, and the parts of it that were not watched."""

    since_utc_s: float
    until_utc_s: float
    unseen: tuple[tuple[float, float], ...]
    zone: tzinfo


@dataclass(frozen=True, slots=True, eq=False)
class DayHours:
    """Counts for each day (or day of the week) and hour; `is_watched` where any of it was seen."""

    rows: tuple[str, ...]
    counts: NDArray[np.int64]  # shape (rows, 24)
    is_watched: NDArray[np.bool_]


def timeline_figure(marks: Sequence[Mark], failures: Sequence[float], stretch: Stretch) -> Figure:
    """Events over the time of the watch: magnitude of voltage events, failures above the top."""
    with styled():
        figure = Figure(figsize=(WIDTH_IN, 2.5), layout="constrained")
        axes = figure.add_subplot()
        _shade(axes, stretch)
        axes.axhline(100, color=GREY, linewidth=0.6)
        for verdict, (marker, colour, words) in LOOKS.items():
            chosen = [mark for mark in marks if mark.verdict is verdict]
            if not chosen:
                continue
            x, y = [mark.utc_s for mark in chosen], [mark.value_pct for mark in chosen]
            axes.vlines(x, 100, y, color=colour, linewidth=0.8)
            axes.plot(
                x, y, linestyle="none", marker=marker, color=colour, markersize=4.5, label=words,
                clip_on=False,
                markerfacecolor="white" if verdict is Verdict.WITHIN else colour,
            )  # fmt: skip
        top = max([125.0, *(mark.value_pct + 15 for mark in marks)])
        if failures:
            axes.plot(  # above the drawing: they have no magnitude
                list(failures), [1.05] * len(failures), linestyle="none", marker="x", color=INK,
                markersize=6, markeredgewidth=1.4, label="failure of the equipment", clip_on=False,
                transform=axes.get_xaxis_transform(),
            )  # fmt: skip
        axes.set_ylim(0, top)
        axes.set_ylabel("% of declared")
        axes.grid(visible=True, axis="y")
        _time_axis(axes, stretch)
        legend_below(figure, axes)
        return figure


def coverage_figure(stretch: Stretch) -> Figure:
    """A bar of the whole time: watched, and not."""
    with styled():
        figure = Figure(figsize=(WIDTH_IN, 0.75), layout="constrained")
        axes = figure.add_subplot()
        axes.axvspan(stretch.since_utc_s, stretch.until_utc_s, color="#7fa3bf", linewidth=0)
        for start, end in stretch.unseen:
            _unseen(axes, (start, end), stretch)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        _time_axis(axes, stretch)
        return figure


def _shade(axes: Axes, stretch: Stretch) -> None:
    for number, span in enumerate(stretch.unseen):
        _unseen(axes, span, stretch, label="not watched" if number == 0 else None)


def _unseen(
    axes: Axes, span: tuple[float, float], stretch: Stretch, label: str | None = None
) -> None:
    """Hatched, and never narrower than can be seen: a gap of minutes in a week counts too."""
    least_s = NARROWEST * (stretch.until_utc_s - stretch.since_utc_s)
    middle, half = (span[0] + span[1]) / 2, max(span[1] - span[0], least_s) / 2
    axes.axvspan(
        middle - half, middle + half, facecolor="white", edgecolor=INK, hatch="/////",
        linewidth=0.5, label=label, zorder=1.5,
    )  # fmt: skip


def day_hour_figure(hours: DayHours, noun: str) -> Figure:
    """Squares of days and hours, darker where more happened, hatched where nobody looked."""
    with styled():
        n_rows = len(hours.rows)
        figure = Figure(figsize=(WIDTH_IN, 0.62 + 0.21 * n_rows), layout="constrained")
        axes = figure.add_subplot()
        most = max(int(hours.counts.max(initial=0)), 1)
        for row in range(n_rows):
            for hour in range(24):
                count = int(hours.counts[row, hour])
                corner = (hour, row)
                if not hours.is_watched[row, hour]:
                    _square(axes, corner, "#f4f5f6", "/////")
                elif count == 0:
                    _square(axes, corner, "#f0f4f2", None)
                else:
                    share = 0.35 + 0.65 * count / most
                    _square(axes, corner, (0.76, 0.31, 0.05, share), None)
                    axes.text(hour + 0.5, row + 0.5, str(count), ha="center", va="center",
                              fontsize=7.5, color="white" if share > 0.6 else INK)  # fmt: skip
        axes.set_xlim(0, 24)
        axes.set_ylim(n_rows, 0)
        axes.set_xticks(range(0, 25, 3), [f"{hour:02d}:00" for hour in range(0, 25, 3)])
        axes.set_yticks([row + 0.5 for row in range(n_rows)], hours.rows)
        axes.tick_params(length=0)
        for spine in axes.spines.values():
            spine.set_visible(False)
        axes.set_title(f"{noun} in each hour, local time; hatched: not watched")
        return figure


def _square(
    axes: Axes, corner: tuple[int, int], colour: str | tuple[float, ...], hatch: str | None
) -> None:
    x, y = corner
    axes.fill(
        [x + 0.05, x + 0.95, x + 0.95, x + 0.05], [y + 0.06, y + 0.06, y + 0.94, y + 0.94],
        facecolor=colour, edgecolor=GREY if hatch else "none", hatch=hatch, linewidth=0,
    )  # fmt: skip


def _time_axis(axes: Axes, stretch: Stretch) -> None:
    """Ticks at whole local hours or days."""
    axes.set_xlim(stretch.since_utc_s, stretch.until_utc_s)
    span_s = stretch.until_utc_s - stretch.since_utc_s
    steps_s = (60, 300, 900, 3600, 3 * 3600, 6 * 3600, 12 * 3600, 86400, 2 * 86400, 7 * 86400)
    step_s = next((step for step in steps_s if span_s / step <= 9), span_s / 9)
    first = datetime.fromtimestamp(stretch.since_utc_s, stretch.zone)
    midnight = first.replace(hour=0, minute=0, second=0, microsecond=0).timestamp()
    n_first = math.ceil((stretch.since_utc_s - midnight) / step_s)
    n_last = math.floor((stretch.until_utc_s - midnight) / step_s)
    ticks = [midnight + number * step_s for number in range(n_first, n_last + 1)]
    axes.set_xticks(ticks)
    axes.set_xticklabels([_moment(tick, stretch.zone, step_s) for tick in ticks])


def _moment(utc_s: float, zone: tzinfo, step_s: float) -> str:
    when = datetime.fromtimestamp(utc_s, zone)
    day = f"{_DAYS[when.weekday()]} {when.day} {_MONTHS[when.month - 1]}"
    if step_s >= 86400 or (when.hour, when.minute) == (0, 0):
        return day
    return f"{when:%H:%M}"
