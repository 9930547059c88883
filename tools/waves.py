"""Mains voltages whose every figure is known beforehand.

Samples sit at the middle of their intervals: sample n is taken at (n + 1/2) / rate, so an edge at
a whole multiple of 1/rate lies exactly between two samples and belongs to neither. In the
pipeline's numbering, where sample n is the instant n, the time t is the index t x rate - 1/2.
"""

from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Harmonics = Mapping[float, tuple[float, float]]  # order: (% of the fundamental, degrees)

PEAK = np.sqrt(2)

# IEC 61000-4-30:2008 testing states (from memory of the 2003/2008 editions): harmonics with one
# interharmonic, each at the magnitude and angle the state names.
STATE_2: Harmonics = {3: (10, 0), 5: (5, 0), 29: (5, 0), 7.5: (1, 0)}
STATE_3: Harmonics = {7: (10, 180), 13: (5, 0), 25: (5, 0), 3.5: (1, 0)}
# IEC 61000-4-15 ed. 2, the distorted voltage with many zero crossings (levels from memory); all
# harmonics stand at 180 degrees to the fundamental, which gives it seven crossings a cycle.
MANY_CROSSINGS: Harmonics = {
    order: (percent, 180)
    for order, percent in {
        3: 5, 5: 6, 7: 5, 9: 1.5, 11: 3.5, 13: 3, 17: 2, 19: 1.76, 23: 1.41, 25: 1.27, 29: 1.06,
        31: 0.97,
    }.items()
}  # fmt: skip


def instants(rate_hz: float, duration_s: float) -> Floats:
    """The times in s at which the samples are taken."""
    return np.asarray((np.arange(round(rate_hz * duration_s)) + 0.5) / rate_hz, np.float64)


def supply_wave(
    cycles: Floats, rms_v: ArrayLike = 1.0, harmonics: Harmonics | None = None
) -> Floats:
    """A voltage at the given phases of its fundamental, in cycles; `rms_v` is the fundamental's."""
    volts = np.sin(2 * np.pi * cycles)
    for order, (percent, degrees) in (harmonics or {}).items():
        angle = 2 * np.pi * order * cycles + np.deg2rad(degrees)
        volts += percent / 100 * np.sin(angle)
    return np.asarray(PEAK * np.asarray(rms_v) * volts, np.float64)


def true_rms(rms_v: float, harmonics: Harmonics | None = None) -> float:
    """rms in V over many cycles of a wave of orders that do not repeat."""
    power = sum((percent / 100) ** 2 for percent, _ in (harmonics or {}).values())
    return rms_v * float(np.sqrt(1 + power))


def envelope(time_s: Floats, steps: Iterable[tuple[float, float, float]]) -> Floats:
    """1, and within each (start_s, stop_s) the share given with it."""
    share = np.ones(len(time_s))
    for start_s, stop_s, level in steps:
        first, stop = np.searchsorted(time_s, [start_s, stop_s])
        share[first:stop] = level
    return share


def levels(time_s: Floats, steps: Iterable[tuple[float, float, float]]) -> Floats:
    """Like `envelope`, but an edge within a sample's interval gives it its share of the energy.

    So the rms of what is sampled is that of the continuous wave, wherever the edge lies.
    """
    square = np.ones(len(time_s))
    width_s = float(time_s[1] - time_s[0])
    for start_s, stop_s, level in steps:
        first, stop = np.searchsorted(time_s, [start_s - width_s, stop_s + width_s])
        begin = np.maximum(time_s[first:stop] - width_s / 2, start_s)
        end = np.minimum(time_s[first:stop] + width_s / 2, stop_s)
        square[first:stop] += np.maximum(end - begin, 0) / width_s * (level**2 - 1)
    return np.asarray(np.sqrt(np.maximum(square, 0)))
