"""Where things stand in a drawing, in whole numbers and per cents that SVG attributes can hold.

Across, a drawing is 1000 wide and stretched to the space there is; its height is in pixels.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

ACROSS = 1000.0
_STEPS_S = (10, 60, 300, 900, 3600, 3 * 3600, 6 * 3600, 12 * 3600, 86_400, 2 * 86_400, 7 * 86_400)
_MOST_TICKS = 9
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True, slots=True)
class Tick:
    """A line across the drawing, and what is written beside it."""

    at: float
    text: str
    is_minor: bool = False  # left out where there is little room


@dataclass(frozen=True, slots=True)
class Linear:
    """Values from `low` to `high` onto `start` to `end`."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Where a value stands; beyond the ends means at the end."""
        share = (value - self.low) / (self.high - self.low) if self.high > self.low else 0.0
        return round(self.start + (self.end - self.start) * min(max(share, 0.0), 1.0), 2)


@dataclass(frozen=True, slots=True)
class Logarithmic:
    """Positive values likewise, each decade as wide as the next."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Where a value stands; beyond the ends means at the end."""
        inner = Linear(math.log10(self.low), math.log10(self.high), self.start, self.end)
        return inner.at(math.log10(max(value, self.low)))

    def decades(self) -> list[float]:
        """The powers of ten from end to end."""
        first, last = (round(math.log10(edge)) for edge in (self.low, self.high))
        return [10.0**power for power in range(first, last + 1)]


def curve(x: Sequence[float] | NDArray[np.float64], y: Sequence[float]) -> str:
    """The points joined by straight lines, as the `d` of an SVG path."""
    return "M" + "L".join(f"{across:.1f} {down:.1f}" for across, down in zip(x, y, strict=True))


def thinned(values: NDArray[np.float64], most: int) -> tuple[NDArray[np.float64], list[float]]:
    """Places (0 to 1) and values of a curve with at most 2 * `most` points.

    Each stretch keeps its smallest and largest value, so that no spike is lost.
    """
    count = len(values)
    if count <= 2 * most:
        return np.linspace(0, 1, max(count, 1))[:count], [float(value) for value in values]
    edges = np.linspace(0, count, most + 1).astype(int)
    kept: list[int] = []
    for start, stop in pairwise(edges.tolist()):
        piece = values[start:stop]
        kept += sorted({int(start + piece.argmin()), int(start + piece.argmax())})
    places = np.array(kept) / (count - 1)
    return places, [float(values[index]) for index in kept]


def time_ticks(start_s: float, end_s: float, zone: tzinfo) -> list[tuple[float, str]]:
    """Round local times between two instants (UTC seconds), and how they are written."""
    wanted_s = (end_s - start_s) / _MOST_TICKS
    step_s = next((step for step in _STEPS_S if step >= wanted_s), 28 * 86_400)
    local = datetime.fromtimestamp(start_s, zone).replace(minute=0, second=0, microsecond=0)
    if step_s >= 3600:
        local = local.replace(hour=0)
    naive = local.replace(tzinfo=None)
    found: list[tuple[float, str]] = []
    while len(found) < 4 * _MOST_TICKS:
        utc_s = naive.replace(tzinfo=zone).timestamp()  # whole local hours, through summer time too
        if utc_s > end_s:
            break
        if utc_s >= start_s:
            found.append((utc_s, _tick_words(naive, step_s)))
        naive += timedelta(seconds=step_s)
    return found


def _tick_words(local: datetime, step_s: int) -> str:
    if local.hour == local.minute == 0:
        return f"{_DAYS[local.weekday()]} {local.day} {_MONTHS[local.month - 1]}"
    if step_s < 60:
        return f"{local:%H:%M:%S}"
    return f"{local:%H:%M}" if step_s < 86_400 else ""


def round_values(low: float, high: float, most: int) -> list[float]:
    """At most `most` round numbers from `low` to `high`: steps of 1, 2 or 5 and zeros."""
    if high <= low:
        return []
    power = 10.0 ** math.floor(math.log10((high - low) / most))
    step = next(f * power for f in (1, 2, 5, 10, 20) if (high - low) / (f * power) <= most - 1)
    first = math.ceil(low / step - 1e-9)
    return [round(n * step, 9) for n in range(first, math.floor(high / step + 1e-9) + 1)]


def seconds_words(time_s: float) -> str:
    """A power of ten of seconds for an axis: `1 ms`, `10 s`."""
    return f"{time_s:g} s" if time_s >= 1 else f"{time_s * 1000:g} ms"
