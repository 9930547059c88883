"""Several voltages of one supply together: unbalance, dips over all phases, types of dips.

Phases are numbered 0, 1, 2 in the order in which they peak. Phasors are complex rms values of the
fundamental against one common time, so that phase 1 of a sound supply lags phase 0 by 120 degrees.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

TURN = np.exp(2j * np.pi / 3)  # by 120 degrees
# From the three phases to zero, positive and negative sequence.
SEQUENCES = np.array([[1, 1, 1], [1, TURN, TURN**2], [1, TURN**2, TURN]]) / 3
SHIFT_MIN_PCT = 2.0  # of declared voltage: normal load on a sound neutral stays well below
SHIFT_BALANCE = 0.2  # how far the legs may be from mirroring each other


@dataclass(frozen=True, slots=True)
class Unbalance:
    """Negative and zero sequence in % of the positive one (IEC 61000-4-30, 5.7)."""

    u2_pct: float
    u0_pct: float


def sequences(phasors: Phasors) -> Phasors:
    """Zero, positive and negative sequence of three phasors; shape (3,) to (3,)."""
    return SEQUENCES @ phasors


def unbalance(phasors: Phasors) -> Unbalance | None:
    """u2 and u0 of three phase-to-neutral phasors; None where there is no positive sequence.

    Of line-to-line phasors u2 is the same and u0 is nought: they add up to nothing.
    """
    zero, positive, negative = np.abs(sequences(phasors)).tolist()
    if positive <= 1e-9 * np.abs(phasors).max(initial=0.0):
        return None
    return Unbalance(100 * negative / positive, 100 * zero / positive)


def unbalance_from_lines(u12_v: float, u23_v: float, u31_v: float) -> float | None:
    """u2 in % from line-to-line rms alone (IEC 61000-4-30, 5.7); None without voltage.

    Voltages that are too unequal to close a triangle, which only error can make so, give 100.
    """
    squares = np.square([u12_v, u23_v, u31_v])
    total = float(squares.sum())
    if total <= 0:
        return None
    beta = float((squares**2).sum()) / total**2
    root = np.sqrt(max(0.0, 3 - 6 * beta))
    return float(100 * np.sqrt(max(0.0, 1 - root) / (1 + root)))


class DipType(StrEnum):
    """What a fault leaves of three phase-to-neutral voltages (Bollen, from memory).

    A: all three alike. B, D, F: one phase most. C, E, G: two phases most. B and E hold zero
    sequence: they are a fault to earth on this side of any delta winding. Between phases instead
    of to neutral, or behind a delta-star transformer, C looks like D, F like G, and the other way.
    """

    A = "A"
    B = "B"
    C = "C"
    D = "D"
    E = "E"
    F = "F"
    G = "G"


_S = np.sqrt(3) / 2
# Each is linear in the characteristic voltage V: `constant + V x slope` for phases 0 and 1;
# phase 2 mirrors phase 1.
_TYPES = {
    DipType.A: ((0, 0), (1, -0.5 - 1j * _S)),
    DipType.B: ((0, -0.5 - 1j * _S), (1, 0)),
    DipType.C: ((1, -0.5), (0, -1j * _S)),
    DipType.D: ((0, -1j * _S), (1, -0.5)),
    DipType.E: ((1, 0), (0, -0.5 - 1j * _S)),
    DipType.F: ((0, -1j / np.sqrt(3)), (1, -0.5 - 1j * _S / 3)),
    DipType.G: ((2 / 3, -1 / 3), (1 / 3, -1 / 6 - 1j * _S)),
}


@dataclass(frozen=True, slots=True)
class TypeMatch:
    """A dip type that the phasors agree with."""

    type: DipType
    phase: int  # the one that differs from the other two; 0 for type A
    characteristic: complex  # V in per unit; its angle is the phase jump
    error_pu: float  # rms distance of the three phasors from the type


def dip_types(phasors_pu: Phasors, tolerance_pu: float = 0.03) -> list[TypeMatch]:
    """Types that fit within the tolerance, best first.

    :param phasors_pu: during the dip, in units of the voltage before it, turned so that phase 0
        before the dip lies at angle 0.
    :returns: one match tells the type; several say that the dip is too shallow or too slight in
        its differences to tell them apart; none that it is of no such type (several faults at
        once, or no steady state). Magnitudes alone tell less: see `dip_family`.
    """
    matches = [
        _match(kind, phase, phasors_pu)
        for kind in DipType
        for phase in range(1 if kind is DipType.A else 3)
    ]
    best = {match.type: match for match in sorted(matches, key=lambda m: -m.error_pu)}
    fitting = [match for match in best.values() if match.error_pu <= tolerance_pu]
    return sorted(fitting, key=lambda match: match.error_pu)


def _match(kind: DipType, phase: int, phasors_pu: Phasors) -> TypeMatch:
    constant, slope = (np.array([own, other, np.conj(other)]) for own, other in _TYPES[kind])
    turned = np.roll(phasors_pu, -phase) * TURN**phase
    characteristic = np.vdot(slope, turned - constant) / np.vdot(slope, slope)
    rest = turned - constant - characteristic * slope
    error_pu = float(np.sqrt(np.mean(np.abs(rest) ** 2)))
    return TypeMatch(kind, phase, complex(characteristic), error_pu)


class DipFamily(StrEnum):
    """All that residual voltages without angles can tell."""

    ALL_ALIKE = "all three alike"  # type A
    ONE_PHASE = "one phase most"  # type B, D or F
    TWO_PHASES = "two phases most"  # type C, E or G
    UNCLEAR = "unclear"


def dip_family(residual_pu: Floats, tolerance_pu: float = 0.03) -> DipFamily:
    """Family of a dip from three phase-to-neutral residual voltages in per unit.

    Which of its types it is, only angles tell. Sure where the voltage dropped without a phase
    jump; a large jump steps the three magnitudes, evenly (unclear) or, with 30 degrees, even so
    that two phases most look like one phase most.
    """
    low, middle, high = np.sort(residual_pu).tolist()
    if high - low <= tolerance_pu:
        return DipFamily.ALL_ALIKE
    lower, upper = middle - low, high - middle
    if abs(lower - upper) <= tolerance_pu:
        return DipFamily.UNCLEAR
    return DipFamily.ONE_PHASE if lower > upper else DipFamily.TWO_PHASES


@dataclass(frozen=True, slots=True)
class Span:
    """A dip, swell or interruption of one channel, in samples."""

    channel: int
    start_index: float
    end_index: float | None  # None while it lasts
    extreme_v: float


@dataclass(frozen=True, slots=True)
class PolyphaseSpan:
    """A dip, swell or interruption of the supply as a whole."""

    start_index: float
    end_index: float | None  # None while it lasts
    extreme_v: float
    worst_channel: int
    channels: tuple[int, ...]  # that took part


def join_dips(spans: Sequence[Span], *, are_swells: bool = False) -> list[PolyphaseSpan]:
    """From when any channel is beyond its threshold until all are back (IEC 61000-4-30, 5.4)."""
    groups: list[list[Span]] = []
    for span in sorted(spans, key=lambda span: span.start_index):
        if groups and span.start_index <= max(_end(member) for member in groups[-1]):
            groups[-1].append(span)
        else:
            groups.append([span])
    return [
        _joined(group, group[0].start_index, max(map(_end, group)), are_swells=are_swells)
        for group in groups
    ]


def join_interruptions(spans: Sequence[Span], n_channels: int) -> list[PolyphaseSpan]:
    """From when all channels are below their threshold until any is back (same, 5.5)."""
    joined = []
    for start in sorted({span.start_index for span in spans}):
        group = [span for span in spans if span.start_index <= start < _end(span)]
        if len({span.channel for span in group}) == n_channels:
            joined.append(_joined(group, start, min(map(_end, group)), are_swells=False))
    return joined


def _end(span: Span) -> float:
    return np.inf if span.end_index is None else span.end_index


def _joined(
    group: Sequence[Span], start_index: float, end_index: float, *, are_swells: bool
) -> PolyphaseSpan:
    pick = max if are_swells else min
    worst = pick(group, key=lambda span: span.extreme_v)
    return PolyphaseSpan(
        start_index=start_index,
        end_index=None if np.isinf(end_index) else end_index,
        extreme_v=worst.extreme_v,
        worst_channel=worst.channel,
        channels=tuple(sorted({span.channel for span in group})),
    )


def is_neutral_shift(change_a_v: float, change_b_v: float, declared_v: float) -> bool:
    """Whether two legs of a split-phase supply moved against each other, their sum unmoved.

    What a bad neutral does and neither a load nor the grid can: a load moves one leg, the grid
    both alike. Limits are our own; once proves little, a repeat is a reason to look.

    :param change_a_v, change_b_v: change of each leg's rms over the same window.
    """
    apart, together = abs(change_a_v - change_b_v), abs(change_a_v + change_b_v)
    is_large = apart / 2 > SHIFT_MIN_PCT / 100 * declared_v
    return change_a_v * change_b_v < 0 and together < SHIFT_BALANCE * apart and is_large
