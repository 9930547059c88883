"""IEEE 1564 figures of stored events: lost energy of each, counts and sums for a site."""

from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from daemon.archive import DipRow, EventRow
from daemon.archive_rows import TIME_DIGITS
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
from daemon.measure.unbalance import Span, join_dips
from daemon.records import Kind, Trace
from daemon.schema import utc_seconds
from daemon.tolerance import ImmunityProfile

Dip = tuple[float, DipFigures]  # the UTC second at which it began
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


def dips_of_supply(rows: Sequence[DipRow], lines: Sequence[str]) -> list[Dip]:
    """The dips of the supply as a whole, as `groups.join_rows` has them; a last one may be open.

    :param rows: of one run, the oldest first; those of other channels do not count.
    :param lines: names of all lines of the supply.
    """
    zero_s = utc_seconds(rows[0].start_utc) - rows[0].start_s
    ours = [row for row in rows if row.channel in lines]
    if len(ours) == 1:  # as most are
        (row,) = ours
        return [(zero_s + row.start_s, _figures(row.value_pct, row.duration_s))]
    percent = {(lines.index(row.channel), row.value): row.value_pct for row in reversed(ours)}
    return [
        (zero_s + span.start_index,
         _figures(percent[span.worst_channel, span.extreme_v],
                  None if span.end_index is None else span.end_index - span.start_index))
        for span in join_dips([_span(row, lines) for row in ours])
    ]  # fmt: skip


def _figures(residual_pct: float, duration_s: float | None) -> DipFigures:
    """Rounded to less than a sample: 0.02 s late in a run, as a difference, are still 0.02 s."""
    return DipFigures(residual_pct, round(duration_s or 0.0, TIME_DIGITS))


def _span(row: DipRow, lines: Sequence[str]) -> Span:
    end_s = None if row.duration_s is None else row.start_s + row.duration_s
    return Span(lines.index(row.channel), row.start_s, end_s, row.value)


def count_sags(
    dips: Iterable[Dip],
    profile: ImmunityProfile | None,
    supply: tuple[float, float],
) -> SagCounts:
    """Count the dips of the supply as a whole; the worst line stands for all.

    :param dips: in any order; three numbers of each are held, so that there may be millions.
    :param supply: its declared voltage in V and frequency in Hz.
    """
    starts_s, every = _in_order(dips)
    merged = every.at(merge_within(starts_s, every, ONE_CAUSE_S))
    curve = None if profile is None else curve_of(profile, *supply)
    return SagCounts(
        tuple((level, sarfi(every, level), sarfi(merged, level)) for level in LEVELS_PCT),
        None if curve is None else (sarfi_curve(every, curve), sarfi_curve(merged, curve)),
    )


def _in_order(dips: Iterable[Dip]) -> tuple[Floats, Dips]:
    """The starts of the dips, rising, and the dips themselves."""
    numbers = array("d")
    for start_s, figures in dips:
        numbers.extend((start_s, figures.residual_pct, figures.duration_s))
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
