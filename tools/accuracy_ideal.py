"""What one-cycle rms has to read of rectangles in a sine: the definition in closed form.

IEC 61000-4-30: windows of one cycle from each half cycle on. Positions are in cycles from an
upward zero crossing, levels and readings in parts of the declared voltage.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tools.waves import Floats

Step = tuple[float, float, float]  # from, until, level


@dataclass(frozen=True, slots=True)
class Reading:
    """A dip or swell as the definition has it."""

    start_cycle: float  # start of its first window
    halves: int  # half cycles to the first window that is back
    extreme: float


def half_cycle_values(steps: Sequence[Step], n_values: int) -> Floats:
    """rms of window k, which begins at k/2; outside the steps the level is 1."""
    begin = np.arange(n_values) / 2
    square = np.ones(n_values)
    for start, stop, level in steps:
        first, last = np.maximum(begin, start), np.minimum(begin + 1, stop)
        inside = np.where(last > first, _energy(last) - _energy(first), 0)
        square += (level**2 - 1) * inside
    return np.asarray(np.sqrt(np.maximum(square, 0)))


def _energy(cycle: Floats) -> Floats:
    """Integral of 2 sin^2: 1 for each whole cycle."""
    return np.asarray(cycle - np.sin(4 * np.pi * cycle) / (4 * np.pi))


def readings(
    values: Floats, starts_beyond: float, ends_at: float, *, is_swell: bool = False
) -> list[Reading]:
    """Dips (or swells) among the values: from the first one beyond to the first one back."""
    sign = -1 if is_swell else 1
    found = []
    start: int | None = None
    for place, value in enumerate((sign * values).tolist()):
        if start is None and value < sign * starts_beyond - 1e-12:
            start = place
        elif start is not None and value >= sign * ends_at - 1e-12:
            extreme = float((sign * values[start:place]).min()) * sign
            found.append(Reading(start / 2, place - start, extreme))
            start = None
    return found
