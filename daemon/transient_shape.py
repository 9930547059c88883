"""One transient described: size, width, point on the wave, oscillation, what may have caused it."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from daemon.measure.expected import Explained

Floats = NDArray[np.float64]

ONSET_SHARE = 0.1  # of its own peak: a transient begins where its deviation exceeds this
LOBE_SHARE = 0.25  # of its own peak: a lobe smaller than this is no part of an oscillation
OSCILLATING_LOBES = 3
SEPARATION_SHARE = 1 / 8  # of a cycle between one transient and the next
# Switching a capacitor bank rings at 300 to 900 Hz as a rule (common practice, no source), and
# seldom above 1500 Hz; the voltage first falls towards zero and stays about 1 % higher after.
CAPACITOR_HZ = (300.0, 1500.0)
CAPACITOR_RISE_PCT = (0.1, 5.0)


@dataclass(frozen=True, slots=True)
class Transient:
    """A deviation from the expected waveform that does not last; indices are those of the run.

    Sizes are those of samples: nothing is added for what may have passed between them.
    """

    start_index: int
    peak_index: int  # of the largest deviation
    peak_v: float  # the voltage farthest from zero while it lasted, with its sign
    deviation_v: float  # largest deviation from the expected waveform, with its sign
    deviation_pct: float  # its size in % of the declared peak
    width_s: float  # of the highest lobe at half its deviation
    duration_s: float  # from the start until the deviation stays below half its peak
    point_on_wave_deg: float  # fundamental at `peak_index`, from its upward zero crossing
    oscillation_hz: float | None  # None: impulsive
    looks_like_capacitor: bool  # rings, first towards zero, and the voltage is higher afterwards
    peak_loss_pct: float  # by how many % at most sampling made it read low if it rose to its peak
    is_resolved: bool  # False: its size may not be quoted


@dataclass(frozen=True, slots=True)
class Lobes:
    """What the deviation alone says of one transient; positions within the samples looked at."""

    start: int
    stop: int
    peak: int
    deviation_v: float
    width: float  # in samples
    last_half: int  # last sample above half the peak
    oscillation: float | None  # cycles a sample
    first_v: float  # peak of the first lobe


def find_lobes(
    explained: Explained, level_v: float, threshold_v: float, period: float
) -> list[Lobes]:
    """The transients among some samples.

    :param level_v: samples beyond this belong together.
    :param threshold_v: one of them must reach this, or there is no transient.
    """
    beyond = np.flatnonzero(np.abs(explained.beyond_v) >= level_v)
    if len(beyond) == 0:
        return []
    parted = np.flatnonzero(np.diff(beyond) > SEPARATION_SHARE * period) + 1
    groups = np.split(beyond, parted)
    return [
        _measure(explained.deviation_v, group, period)
        for group in groups
        if np.abs(explained.deviation_v[group]).max() >= threshold_v
    ]


def _measure(deviation: Floats, group: NDArray[np.intp], period: float) -> Lobes:
    peak = int(group[np.argmax(np.abs(deviation[group]))])
    deviation_v = float(deviation[peak])
    size = np.abs(deviation)
    first, last = int(group[0]), int(group[-1])
    margin = int(SEPARATION_SHARE * period)
    quiet = size < ONSET_SHARE * abs(deviation_v)
    start = first - _count_until(quiet[max(0, first - margin) : first][::-1])
    start += _count_until(~quiet[start : peak + 1])
    stop = last + 1 + _count_until(quiet[last + 1 : last + 1 + margin])
    halves = np.flatnonzero(size[start:stop] >= abs(deviation_v) / 2) + start
    peaks, oscillation = _oscillation(deviation[start:stop])
    return Lobes(
        start=start,
        stop=stop,
        peak=peak,
        deviation_v=deviation_v,
        width=_half_width(deviation * np.sign(deviation_v), peak),
        last_half=int(halves[-1]),
        oscillation=oscillation,
        first_v=peaks,
    )


def _count_until(flags: NDArray[np.bool_]) -> int:
    return int(np.argmax(np.append(flags, True)))


def _half_width(size: Floats, peak: int) -> float:
    """Samples between the two sides of a peak at half its height, between samples if need be."""
    half = size[peak] / 2
    right = peak + _count_until(size[peak:] < half)
    left = peak - _count_until(size[: peak + 1][::-1] < half)
    right_edge, left_edge = float(right), float(left)
    if right < len(size):
        right_edge = right - (half - size[right]) / (size[right - 1] - size[right])
    if left >= 0:
        left_edge = left + (half - size[left]) / (size[left + 1] - size[left])
    return float(right_edge - left_edge)


def _oscillation(deviation: Floats) -> tuple[float, float | None]:
    """Peak of the first lobe, and the frequency in cycles a sample if the signs alternate.

    From the zero crossings between lobes that count: decay moves peaks but not crossings.
    """
    sign = np.where(deviation >= 0, 1.0, -1.0)
    changes = np.flatnonzero(np.diff(sign)) + 1
    edges = np.concatenate([[0], changes, [len(deviation)]])
    peaks = np.array(
        [deviation[a:b][np.argmax(np.abs(deviation[a:b]))] for a, b in pairwise(edges)]
    )
    counts = np.abs(peaks) >= LOBE_SHARE * np.abs(peaks).max()
    first = int(np.argmax(counts))
    n_lobes = _count_until(~counts[first:])
    if n_lobes < OSCILLATING_LOBES:
        return float(peaks[first]), None
    at = changes[first : first + n_lobes - 1]
    crossings = at - deviation[at] / (deviation[at] - deviation[at - 1])
    return float(peaks[first]), (n_lobes - 2) / 2 / float(crossings[-1] - crossings[0])


def looks_like_capacitor(
    lobes: Lobes, expected_v: float, declared_peak_v: float, rate_hz: float, rise_pct: float
) -> bool:
    """Whether a transient has all three marks of a capacitor bank being switched on.

    :param expected_v: the waveform without it, where it begins.
    :param rise_pct: by how much the fundamental is higher after it.
    """
    if lobes.oscillation is None:
        return False
    low_hz, high_hz = CAPACITOR_HZ
    low_pct, high_pct = CAPACITOR_RISE_PCT
    is_towards_zero = lobes.first_v * expected_v < 0 and abs(expected_v) > 0.1 * declared_peak_v
    rings = low_hz <= lobes.oscillation * rate_hz <= high_hz
    return is_towards_zero and rings and low_pct <= rise_pct <= high_pct
