"""Pictures of one event, and of all events against a curve.

Nothing here knows the database: numbers come in, figures go out.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator
from numpy.typing import NDArray

from daemon.records import Trace, Verdict, Waveform
from tools.drawing import BLUE, GREY, INK, LOOKS, WIDTH_IN, Mark, legend_below, styled

Floats = NDArray[np.float64]

MOST_POINTS = 1200  # drawn of a waveform: more cannot be told apart on paper
SHORTEST_S = 1e-3


@dataclass(frozen=True, slots=True)
class CurveStep:
    """A level that is borne for at most so long (infinite: for ever); farthest from 100 % first."""

    level_pct: float
    time_s: float


@dataclass(frozen=True, slots=True, eq=False)
class EventPicture:
    """What one event left to look at. Times are drawn from its start on."""

    start_s: float
    duration_s: float | None
    threshold_v: float | None  # where it is a voltage
    extreme_v: float | None
    extreme_s: float
    declared_v: float | None
    waveforms: tuple[Waveform, ...]
    trace: Trace | None


def event_figure(picture: EventPicture) -> Figure:
    """The waveform of an event, and below it the one-cycle rms with trigger and extreme."""
    with styled():
        has_trace = picture.trace is not None and len(picture.trace.urms_v) > 0
        n_parts = len(picture.waveforms)
        rows = [2] * bool(n_parts) + [1.6] * has_trace
        figure = Figure(figsize=(WIDTH_IN, 1.1 * sum(rows) or 1.0), layout="constrained")
        if not rows:
            figure.text(0.02, 0.5, "No waveform was kept of this event.")
            return figure
        grid = figure.add_gridspec(len(rows), max(n_parts, 1), height_ratios=rows)
        for number, waveform in enumerate(picture.waveforms):
            _draw_waveform(figure.add_subplot(grid[0, number]), picture, waveform, number)
        if has_trace:
            _draw_trace(figure.add_subplot(grid[-1, :]), picture)
        return figure


def _draw_waveform(axes: Axes, picture: EventPicture, waveform: Waveform, number: int) -> None:
    times_s = waveform.first_index / waveform.sample_rate_hz - picture.start_s
    times = times_s + np.arange(len(waveform.volts)) / waveform.sample_rate_hz
    drawn_t, drawn_v = thinned(times, waveform.volts.astype(np.float64), MOST_POINTS)
    unit, factor = _time_unit(float(drawn_t[-1] - drawn_t[0]))
    axes.plot(drawn_t * factor, drawn_v, color=BLUE, linewidth=0.9)
    if picture.declared_v is not None:
        peak_v = picture.declared_v * math.sqrt(2)
        for level_v in (peak_v, -peak_v):
            axes.axhline(level_v, color=GREY, linewidth=0.6, linestyle=(0, (4, 3)))
    _mark_duration(axes, picture, factor, float(drawn_t[0]), float(drawn_t[-1]))
    axes.set_xlim(float(drawn_t[0]) * factor, float(drawn_t[-1]) * factor)
    axes.set_title("Waveform; dashes: declared peak" if number == 0 else "at the end")
    axes.set_ylabel("V" if number == 0 else "")
    axes.set_xlabel(f"{unit} from the start")
    axes.grid(visible=True, axis="y")


def _mark_duration(
    axes: Axes, picture: EventPicture, factor: float, first_s: float, last_s: float
) -> None:
    end_s = math.inf if picture.duration_s is None else picture.duration_s
    begin_s, end_s = max(0.0, first_s), min(end_s, last_s)
    if end_s > begin_s:
        axes.axvspan(begin_s * factor, end_s * factor, color="#f6e3d3", linewidth=0, zorder=0)


def _draw_trace(axes: Axes, picture: EventPicture) -> None:
    assert picture.trace is not None
    times = picture.trace.start_s - picture.start_s
    values = picture.trace.urms_v.astype(np.float64)
    unit, factor = _time_unit(float(times[-1] - times[0]))
    top_v = max(float(values.max()), picture.declared_v or 0.0) * 1.2
    jumps = np.flatnonzero(np.diff(times) > 1.0) + 1
    for part_t, part_v in zip(np.split(times, jumps), np.split(values, jumps), strict=True):
        axes.step(part_t * factor, part_v, where="post", color=BLUE)
    _mark_duration(axes, picture, factor, float(times[0]), float(times[-1]))
    if picture.declared_v is not None:
        axes.axhline(picture.declared_v, color=GREY, linewidth=0.6, linestyle=(0, (4, 3)))
    if picture.threshold_v is not None:
        axes.axhline(picture.threshold_v, color=LOOKS[Verdict.MAY_STOP][1], linewidth=0.9)
        axes.annotate(  # beside the drawing, where it lies on no line
            f"trigger\n{picture.threshold_v:.1f} V", (1.0, picture.threshold_v), xytext=(4, 0),
            xycoords=("axes fraction", "data"), textcoords="offset points", ha="left",
            va="center", fontsize=7.5, color=LOOKS[Verdict.MAY_STOP][1],
        )  # fmt: skip
    if picture.extreme_v is not None:
        at = (picture.extreme_s - picture.start_s) * factor
        _mark_extreme(axes, at, picture.extreme_v, top_v)
    axes.set_ylim(bottom=0.0, top=top_v)
    axes.set_xlim(float(times[0]) * factor, float(times[-1]) * factor)
    axes.set_title("One-cycle rms, renewed each half cycle; dashes: declared voltage")
    axes.set_ylabel("V rms")
    axes.set_xlabel(f"{unit} from the start")
    axes.grid(visible=True, axis="y")


def _mark_extreme(axes: Axes, at: float, extreme_v: float, top_v: float) -> None:
    """A point with its value, on the far side of the trace; whole where it lies on the axis."""
    colour = LOOKS[Verdict.MAY_DAMAGE][1]
    axes.plot([at], [extreme_v], marker="o", color=colour, ms=4, clip_on=False, zorder=5)
    is_below = 0.2 * top_v < extreme_v < 0.8 * top_v
    axes.annotate(
        f"{extreme_v:.1f} V", (at, extreme_v), xytext=(0, -6 if is_below else 6),
        textcoords="offset points", ha="center", va="top" if is_below else "bottom",
        fontsize=7.5, color=colour, zorder=6,
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.0},
    )  # fmt: skip


def _time_unit(length_s: float) -> tuple[str, float]:
    return ("ms", 1e3) if length_s < 2.0 else ("s", 1.0)


def thinned(times: Floats, values: Floats, most: int) -> tuple[Floats, Floats]:
    """At most about `most` points: of each piece its lowest and its highest, in their order."""
    n_pieces = most // 2
    if len(values) <= 2 * n_pieces:
        return times, values
    edges = np.linspace(0, len(values), n_pieces + 1).astype(int)
    keep: set[int] = {0, len(values) - 1}
    for first, last in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        piece = values[first:last]
        keep |= {first + int(piece.argmin()), first + int(piece.argmax())}
    chosen = np.array(sorted(keep))
    return times[chosen], values[chosen]


def duration_figure(
    marks: Sequence[Mark], under: Sequence[CurveStep], over: Sequence[CurveStep], name: str
) -> Figure:
    """Magnitude over duration of dips, swells and interruptions, with the limits of a profile."""
    with styled():
        figure = Figure(figsize=(WIDTH_IN, 3.6), layout="constrained")
        axes = figure.add_subplot()
        longest_s = max([10.0, *(3 * (mark.duration_s or 0.0) for mark in marks)])
        longest_s = min(10 ** math.ceil(math.log10(longest_s)), 1e6)
        top_pct = max([140.0, *(mark.value_pct + 10 for mark in marks)])
        top_pct = max(top_pct, *(step.level_pct + 20 for step in over), 0.0) if over else top_pct
        top_pct = min(top_pct, 300.0)
        _draw_steps(axes, under, longest_s, 0.0)
        _draw_steps(axes, over, longest_s, top_pct)
        for verdict, (marker, colour, words) in LOOKS.items():
            chosen = [mark for mark in marks if mark.verdict is verdict]
            if not chosen:
                continue
            x = [min(max(m.duration_s or longest_s, SHORTEST_S), longest_s) for m in chosen]
            y = [min(mark.value_pct, top_pct) for mark in chosen]
            is_hollow = verdict is Verdict.WITHIN
            axes.plot(
                x, y, linestyle="none", marker=marker, markersize=5.5, color=colour,
                markerfacecolor="white" if is_hollow else colour, label=words, clip_on=False,
            )  # fmt: skip
        _name_points(axes, marks, longest_s)
        axes.set_xscale("log")
        axes.set_xlim(SHORTEST_S, longest_s)
        axes.set_ylim(0, top_pct)
        ticks = [10.0**power for power in range(-3, round(math.log10(longest_s)) + 1)]
        axes.xaxis.set_major_locator(FixedLocator(ticks))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: _tick_words(value)))
        axes.set_xlabel("Duration")
        axes.set_ylabel("% of declared voltage")
        axes.grid(visible=True)
        axes.set_axisbelow(True)
        if under or over:
            axes.plot([], [], color=INK, linewidth=1.4, label=f"limit: {name}")
        legend_below(figure, axes)
        return figure


def _draw_steps(axes: Axes, steps: Sequence[CurveStep], longest_s: float, edge_pct: float) -> None:
    """The border of what is borne, and a tint beyond it, towards `edge_pct`."""
    if not steps:
        return
    x, y, reached = [], [], SHORTEST_S
    for step in steps:
        until = min(step.time_s, longest_s)
        if until <= reached:
            continue
        x += [reached, until]
        y += [step.level_pct, step.level_pct]
        reached = until
    axes.fill_between(x, y, edge_pct, color="#f3ece6", linewidth=0, zorder=0)
    axes.plot(x, y, color=INK, linewidth=1.4, zorder=2)


def _name_points(axes: Axes, marks: Sequence[Mark], longest_s: float) -> None:
    if len([mark for mark in marks if mark.label]) > 12:
        return
    for mark in marks:
        if mark.label:
            at = min(max(mark.duration_s or longest_s, SHORTEST_S), longest_s)
            axes.annotate(
                mark.label, (at, mark.value_pct), xytext=(5, 4), textcoords="offset points",
                fontsize=7.5,
            )  # fmt: skip


def _tick_words(seconds: float) -> str:
    for limit, unit, factor in ((1.0, "ms", 1e3), (100.0, "s", 1.0)):
        if seconds < limit:
            return f"{seconds * factor:g} {unit}"
    return f"{seconds:g} s" if seconds < 1000 else f"{seconds / 3600:.3g} h"
