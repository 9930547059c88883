"""A tolerance profile as a picture. Only this module needs matplotlib; it is imported on demand."""

import math
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from daemon.errors import InputError
from daemon.tolerance import ClassificationProfile, ImmunityProfile, Limits, Profile
from tools.profile_chart import KEYS, frequency_of, level_pct, nominal_of, time_span

_UNDER, _OVER, _PEAK = "#2a6f97", "#b5483a", "#8a5a00"


def draw_profile(profile: Profile, path: Path) -> None:
    """Write a PNG of 1200 by 750 dots.

    :raises InputError: there is nothing to draw, or the file cannot be written.
    """
    figure = Figure(figsize=(8, 5), dpi=150, layout="constrained")
    axes = figure.add_subplot()
    if isinstance(profile, ClassificationProfile):
        _draw_classes(axes, profile)
    elif profile.under or profile.over:
        _draw_limits(axes, profile)
    else:
        raise InputError(f"{profile.id} limits no voltage: there is no curve to draw")
    axes.set_xscale("log")
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: _time_label(float(value))))
    axes.set_xlabel("Duration")
    axes.set_ylabel("Voltage in % of nominal")
    axes.set_title(profile.title, fontsize=10)
    axes.grid(visible=True, alpha=0.3)
    axes.axhline(100, color="0.5", linewidth=0.8)
    try:
        figure.savefig(path, format="png")
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror}") from error


def _time_label(time_s: float) -> str:
    return f"{time_s:g} s" if time_s >= 1 else f"{time_s * 1000:g} ms"


def _draw_limits(axes: Axes, profile: Limits) -> None:
    nominal_v, frequency_hz = nominal_of(profile), frequency_of(profile)
    under = [(level_pct(step, nominal_v), step.time_s(frequency_hz)) for step in profile.under]
    over = [(level_pct(step, nominal_v), step.time_s(frequency_hz)) for step in profile.over]
    peaks = profile.peak if isinstance(profile, ImmunityProfile) else ()
    times = [time for _, time in (*under, *over)] + [point.at_most_s for point in peaks]
    first_s, last_s = time_span(times)
    top_pct = 1.1 * max([120.0, *(level for level, _ in over), *(one.up_to_pct for one in peaks)])
    is_immunity = isinstance(profile, ImmunityProfile)
    if under:
        times_s, levels = _staircase(under, first_s, last_s, 0.0)
        label = "below: may stop" if is_immunity else "below: beyond the limit"
        axes.plot(times_s, levels, color=_UNDER, label=label)
        axes.fill_between(times_s, levels, 0.0, color=_UNDER, alpha=0.15)
    if over:
        start_s = peaks[-1].at_most_s if peaks else first_s
        times_s, levels = _staircase(over, start_s, last_s, top_pct)
        label = "above: may be damaged" if is_immunity else "above: beyond the limit"
        axes.plot(times_s, levels, color=_OVER, label=label)
        axes.fill_between(times_s, levels, top_pct, color=_OVER, alpha=0.15)
    if peaks:
        times_s = [first_s, *(point.at_most_s for point in peaks)]
        levels = [peaks[0].up_to_pct, *(point.up_to_pct for point in peaks)]
        axes.plot(times_s, levels, color=_PEAK, label="peak, of nominal peak")
        axes.fill_between(times_s, levels, top_pct, color=_PEAK, alpha=0.15)
    axes.set_xlim(first_s, last_s)
    axes.set_ylim(0, top_pct)
    axes.legend(loc="upper right", fontsize=8)


def _staircase(
    steps: list[tuple[float, float]], first_s: float, last_s: float, outside_pct: float
) -> tuple[list[float], list[float]]:
    """The corners of the curve through steps, farthest from 100 % first."""
    times_s, levels = [first_s], [steps[0][0] if steps[0][1] > first_s else outside_pct]
    for level, time_s in steps:
        end_s = min(time_s, last_s)
        if end_s >= times_s[-1]:
            times_s += [times_s[-1], end_s]
            levels += [level, level]
    return times_s, levels


def _draw_classes(axes: Axes, profile: ClassificationProfile) -> None:
    spans = [cell.span_s(frequency_of(profile)) for cell in profile.classes]
    first_s, last_s = time_span([time for span in spans for time in span])
    top_pct = 1.1 * max(110.0, *(cell.below_pct or cell.at_least_pct for cell in profile.classes))
    for key, cell, (longer_s, at_most_s) in zip(KEYS, profile.classes, spans, strict=False):
        left_s, right_s = max(longer_s, first_s), min(at_most_s, last_s)
        high_pct = top_pct if cell.below_pct is None else cell.below_pct
        axes.fill_between([left_s, right_s], cell.at_least_pct, high_pct, color=_UNDER, alpha=0.1)
        axes.plot(
            [left_s, right_s, right_s, left_s, left_s],
            [cell.at_least_pct, cell.at_least_pct, high_pct, high_pct, cell.at_least_pct],
            color=_UNDER,
            linewidth=0.8,
        )
        middle_s = math.sqrt(left_s * right_s)
        axes.text(middle_s, (cell.at_least_pct + high_pct) / 2, key, ha="center", va="center")
    axes.set_xlim(first_s, last_s)
    axes.set_ylim(0, top_pct)
