"""Dip figures of IEEE 1564-2014: severity, lost energy, counts for a site.

Voltages are in % of the reference, durations in s. The idea of each figure is published; the
formulas are from memory of the guide.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CurveStep:
    """For durations up to `at_most_s` (included) equipment has to bear `residual_pct`."""

    at_most_s: float
    residual_pct: float


@dataclass(frozen=True, slots=True, order=True)
class DipFigures:
    """One dip or swell: residual or highest voltage, and how long."""

    residual_pct: float
    duration_s: float


@dataclass(frozen=True, slots=True)
class Dips:
    """Very many dips or swells, a place in both arrays for each."""

    residual_pct: Floats
    duration_s: Floats

    def at(self, places: NDArray[np.int64] | Sequence[int]) -> "Dips":
        """Those at these places, in that order."""
        wanted = np.asarray(places, np.int64)
        return Dips(self.residual_pct[wanted], self.duration_s[wanted])


class ReferenceCurve:
    """A curve of equipment tolerance in steps; the last one may reach to infinity."""

    def __init__(self, steps: Sequence[CurveStep]) -> None:
        """:raises ValueError: when durations do not rise, or a step asks for nothing less."""
        if any(before.at_most_s >= after.at_most_s for before, after in pairwise(steps)):
            raise ValueError("the steps of a curve must be in order of their durations")
        if not all(0 <= step.residual_pct < 100 for step in steps):
            raise ValueError("the steps of a curve must lie from 0 % to below 100 %")
        self._steps = tuple(steps)

    def residual_pct(self, duration_s: float) -> float | None:
        """What has to be borne for so long; None beyond the curve's end."""
        for step in self._steps:
            if duration_s <= step.at_most_s:
                return step.residual_pct
        return None

    def severity(self, dip: DipFigures) -> float | None:
        """Se: 1 on the curve, more below it, 0 at full voltage; None beyond the curve's end."""
        limit_pct = self.residual_pct(dip.duration_s)
        if limit_pct is None:
            return None
        return max(0.0, (100 - dip.residual_pct) / (100 - limit_pct))

    def are_below(self, dips: Dips) -> NDArray[np.bool_]:
        """Of each dip whether it is below the curve; exactly on it is not, nor beyond its end."""
        ends_s = [step.at_most_s for step in self._steps]
        limits_pct = np.array([*(step.residual_pct for step in self._steps), -np.inf])
        found: NDArray[np.bool_] = (
            dips.residual_pct < limits_pct[np.searchsorted(ends_s, dips.duration_s)]
        )
        return found


def sag_energy_s(dip: DipFigures) -> float:
    """Evs in s of a dip that stays at its residual voltage: an interruption loses its duration."""
    return (1 - (dip.residual_pct / 100) ** 2) * dip.duration_s


def sag_energy_of_trace_s(residual_pct: Floats, spacing_s: Floats | float) -> float:
    """Evs in s of a dip from its one-cycle rms values.

    :param residual_pct: values from the start of the dip to its end, each until the next.
    :param spacing_s: time for which each value stands, half a cycle for `urms_half`.
    """
    lost = 1 - np.square(residual_pct / 100)
    return float((lost * spacing_s).sum())


def sarfi(dips: Dips, level_pct: float) -> int:
    """SARFI-X of one site: dips below X %, or for an X above 100 the swells above it."""
    if level_pct > 100:
        return int(np.count_nonzero(dips.residual_pct > level_pct))
    return int(np.count_nonzero(dips.residual_pct < level_pct))


def sarfi_curve(dips: Dips, curve: ReferenceCurve) -> int:
    """SARFI-curve of one site: dips below a curve."""
    return int(np.count_nonzero(curve.are_below(dips)))


def system_average(counts: Sequence[int], customers: Sequence[int]) -> float:
    """SARFI of a system: the sites' counts, weighted with the customers each one serves."""
    return float(np.average(counts, weights=customers))


def merge_within(starts_s: Floats, dips: Dips, gap_s: float) -> list[int]:
    """Of dips that follow the first of their group within `gap_s`, the place of the deepest.

    One cause may bring several dips; the guide counts those within 1 min (or 5 min) as one.

    :param starts_s: start of each dip, rising.
    """
    kept: list[int] = []
    first_s, deepest_pct = -np.inf, np.inf
    for place, (start_s, residual_pct) in enumerate(zip(starts_s, dips.residual_pct, strict=True)):
        if start_s - first_s > gap_s:
            first_s, deepest_pct = start_s, residual_pct
            kept.append(place)
        elif residual_pct < deepest_pct:
            kept[-1], deepest_pct = place, residual_pct
    return kept
