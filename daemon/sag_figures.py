"""IEEE 1564 figures of stored events: lost energy of each, counts and sums for a site."""

from array import array
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from daemon.archive import EventRow
from daemon.groups import Group
from daemon.indices import (
    CurveStep,
    DipFigures,
    Dips,
    Floats,
    ReferenceCurve,
    merge_within,
    sag_energy_of_trace_s,
    sag_energy_s,
    sarfi,
    sarfi_curve,
)
from daemon.judge import steps_of
from daemon.records import Kind, Trace
from daemon.tolerance import ImmunityProfile

DIPS = (Kind.DIP, Kind.INTERRUPTION)
LEVELS_PCT = (90.0, 80.0, 70.0, 50.0, 10.0)
ONE_CAUSE_S = 60.0  # dips that follow within it count once, in a second count (from memory)


def lost_energy_s(row: EventRow, trace: Trace | None, declared_v: float) -> float | None:
    """Evs of a dip or interruption, in s, from its rms values; None while it is open.

    Without them, as if it had stayed at its residual voltage, which is the most it can be.
    """
    if row.kind not in DIPS or row.duration_s is None:
        return None
    if trace is not None:
        end_s = row.start_s + row.duration_s
        is_inside = (trace.start_s >= row.start_s - 1e-9) & (trace.start_s < end_s - 1e-9)
        times_s = trace.start_s[is_inside]
        if len(times_s):
            spacing_s = np.diff(np.append(times_s, end_s))
            volts = trace.urms_v[is_inside].astype(np.float64)
            return sag_energy_of_trace_s(100 * volts / declared_v, spacing_s)
    return sag_energy_s(DipFigures(row.value_pct, row.duration_s))


@dataclass(frozen=True, slots=True)
class SagCounts:
    """SARFI of one site over a time: how many dips went below a level, or below a curve."""

    below: tuple[tuple[float, int, int], ...]  # level in %, all dips, those of a minute as one
    below_curve: tuple[int, int] | None  # likewise; None without a curve


def count_sags(
    groups: Iterable[tuple[float, Group]],
    profile: ImmunityProfile | None,
    supply: tuple[float, float],
) -> SagCounts:
    """Count the dips of the supply as a whole; the worst line stands for all.

    :param groups: with the UTC second at which each began; those that are no dip do not count.
        Three numbers of each are held, so that there may be millions.
    :param supply: its declared voltage in V and frequency in Hz.
    """
    starts_s, dips = _in_order(groups)
    merged = dips.at(merge_within(starts_s, dips, ONE_CAUSE_S))
    curve = None if profile is None else curve_of(profile, *supply)
    return SagCounts(
        tuple((level, sarfi(dips, level), sarfi(merged, level)) for level in LEVELS_PCT),
        None if curve is None else (sarfi_curve(dips, curve), sarfi_curve(merged, curve)),
    )


def _in_order(groups: Iterable[tuple[float, Group]]) -> tuple[Floats, Dips]:
    """The starts of the dips, rising, and the dips themselves."""
    numbers = array("d")
    for start_s, group in groups:
        if group.kind is Kind.DIP:
            numbers.extend((start_s, group.value_pct, group.duration_s or 0.0))
    starts_s, residual_pct, duration_s = np.frombuffer(numbers).reshape(-1, 3).T
    order = np.lexsort((duration_s, residual_pct, starts_s))
    return starts_s[order], Dips(residual_pct, duration_s).at(order)


def curve_of(
    profile: ImmunityProfile, nominal_v: float, frequency_hz: float
) -> ReferenceCurve | None:
    """The lower limits of a profile as a curve; None where it has none for this supply."""
    steps = steps_of(profile, Kind.DIP, nominal_v, frequency_hz)
    if not steps or any(step.level_pct >= 100 for step in steps):
        return None
    return ReferenceCurve([CurveStep(step.time_s, step.level_pct) for step in steps])
