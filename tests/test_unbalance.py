"""Unbalance, dip types and polyphase rules against closed forms and the standards' test states."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from daemon.measure.unbalance import (
    DipFamily,
    DipType,
    PolyphaseSpan,
    Span,
    dip_family,
    dip_types,
    is_neutral_shift,
    join_dips,
    join_interruptions,
    sequences,
    unbalance,
    unbalance_from_lines,
)

Phasors = NDArray[np.complex128]

ANGLES = np.exp(-2j * np.pi / 3 * np.arange(3))


def phases(a: complex, b: complex, c: complex) -> Phasors:
    return np.asarray(np.array([a, b, c]) * ANGLES)


# Test states of IEC 61000-4-30 (73/80/87 and 152/140/128 %, from memory), and others; u by
# symmetrical components worked out apart from this code.
STATES = [
    (phases(100, 100, 100), 0.0, 0.0),
    (phases(73, 80, 87), 5.0518, 5.0518),
    (phases(152, 140, 128), 4.9487, 4.9487),
    (phases(100, 100, 90), 3.4483, 3.4483),
    (phases(100, 100, 50), 20.0, 20.0),
    (phases(100, 100, 0), 50.0, 50.0),
    (phases(100, 100 * np.exp(2j * np.pi / 180), 100), 1.1637, 1.1637),  # phase 1 at -118 degrees
]


@pytest.mark.parametrize(("phasors", "u2_pct", "u0_pct"), STATES)
def test_unbalance(phasors: Phasors, u2_pct: float, u0_pct: float) -> None:
    found = unbalance(phasors)
    assert found is not None
    # Four decimals are given.
    assert found.u2_pct == pytest.approx(u2_pct, abs=6e-5)
    assert found.u0_pct == pytest.approx(u0_pct, abs=6e-5)


def lines(phasors: Phasors) -> list[float]:
    return [float(abs(phasors[n] - phasors[(n + 1) % 3])) for n in range(3)]


@pytest.mark.parametrize(("phasors", "u2_pct", "u0_pct"), STATES)
def test_unbalance_from_lines(phasors: Phasors, u2_pct: float, u0_pct: float) -> None:
    assert unbalance_from_lines(*lines(phasors)) == pytest.approx(u2_pct, abs=6e-5)


@given(st.lists(st.floats(0.2, 1.5), min_size=3, max_size=3), st.floats(-0.4, 0.4))
def test_lines_agree_with_phasors(magnitudes: list[float], jump_rad: float) -> None:
    phasors = np.array(magnitudes) * ANGLES * np.array([1, np.exp(1j * jump_rad), 1])
    found = unbalance(phasors)
    assert found is not None
    # Where u2 is near nought the formula takes the root of a rounding error of 1e-16: 1e-6 %.
    assert unbalance_from_lines(*lines(phasors)) == pytest.approx(found.u2_pct, rel=1e-6, abs=1e-5)


def test_nothing_to_compare_with() -> None:
    assert unbalance(np.zeros(3, complex)) is None
    assert unbalance(np.conj(phases(100, 100, 100))) is None  # phases connected in reverse
    assert unbalance_from_lines(0, 0, 0) is None
    assert unbalance_from_lines(100, 10, 10) == pytest.approx(100)  # no triangle


def test_sequences_of_pure_ones() -> None:
    assert sequences(np.full(3, 2 + 0j)) == pytest.approx([2, 0, 0])
    assert sequences(phases(2, 2, 2)) == pytest.approx([0, 2, 0])
    assert sequences(np.conj(phases(2, 2, 2))) == pytest.approx([0, 0, 2])


def dip(kind: str, v: complex) -> Phasors:
    """Phase-to-neutral phasors of the seven types (Bollen, from memory), written out."""
    j, r = 1j, math.sqrt(3)
    own, minus, plus = {
        "A": (v, -v / 2 - j * r / 2 * v, -v / 2 + j * r / 2 * v),
        "B": (v, -0.5 - j * r / 2, -0.5 + j * r / 2),
        "C": (1, -0.5 - j * r / 2 * v, -0.5 + j * r / 2 * v),
        "D": (v, -v / 2 - j * r / 2, -v / 2 + j * r / 2),
        "E": (1, -v / 2 - j * r / 2 * v, -v / 2 + j * r / 2 * v),
        "F": (v, -v / 2 - j * (r / 3 + r / 6 * v), -v / 2 + j * (r / 3 + r / 6 * v)),
        "G": (2 / 3 + v / 3, -1 / 3 - v / 6 - j * r / 2 * v, -1 / 3 - v / 6 + j * r / 2 * v),
    }[kind]
    return np.array([own, minus, plus], complex)


# Magnitudes for V = 0.5, computed apart from this code; they tie `dip` to the literature.
HALF = {
    "A": (0.5, 0.5, 0.5),
    "B": (0.5, 1, 1),
    "C": (1, 0.6614, 0.6614),
    "D": (0.5, 0.9014, 0.9014),
    "E": (1, 0.5, 0.5),
    "F": (0.5, 0.7638, 0.7638),
    "G": (0.8333, 0.6009, 0.6009),
}
FAMILY = {"A": DipFamily.ALL_ALIKE} | dict.fromkeys("BDF", DipFamily.ONE_PHASE)
FAMILY |= dict.fromkeys("CEG", DipFamily.TWO_PHASES)


@pytest.mark.parametrize("kind", HALF)
def test_magnitudes_and_family(kind: str) -> None:
    residual_pu = np.abs(dip(kind, 0.5))
    assert residual_pu == pytest.approx(HALF[kind], abs=6e-5)
    assert dip_family(residual_pu) is FAMILY[kind]


@pytest.mark.parametrize("phase", [0, 1, 2])
@pytest.mark.parametrize("v", [0.5, 0.2 + 0.1j, 0.6 * np.exp(-0.5j)])
@pytest.mark.parametrize("kind", HALF)
def test_type_from_phasors(kind: str, v: complex, phase: int) -> None:
    # Phase 1 in the place of phase 0: everything lags by 120 degrees.
    phasors = np.roll(dip(kind, v), phase) * np.exp(-2j * np.pi / 3 * phase)
    (best, *others) = dip_types(phasors)
    assert best.type is DipType(kind)
    assert best.phase == (0 if kind == "A" else phase)
    assert best.characteristic == pytest.approx(v)
    assert best.error_pu < 1e-12
    assert others == []


def test_a_shallow_dip_has_no_certain_type() -> None:
    assert len(dip_types(dip("D", 0.95))) > 1


def test_no_type_at_all() -> None:
    assert dip_types(phases(0.3, 0.6, 1.0)) == []


def test_a_phase_jump_misleads_magnitudes_but_not_phasors() -> None:
    # Type C, V = 0.6 turned by 30 degrees: |Ub,c|^2 = 0.52 -+ sqrt(3)/2 x 0.6 x sin 30 degrees.
    phasors = dip("C", 0.6 * np.exp(1j * np.pi / 6))
    steps = [math.sqrt(0.52 - 0.2598), math.sqrt(0.52 + 0.2598), 1]
    assert np.sort(np.abs(phasors)) == pytest.approx(steps, abs=1e-4)
    assert dip_family(np.abs(phasors)) is DipFamily.ONE_PHASE
    assert [match.type for match in dip_types(phasors)] == [DipType.C]
    assert dip_family(np.array([0.5, 0.75, 1.0])) is DipFamily.UNCLEAR


def test_a_dip_lasts_until_all_channels_are_back() -> None:
    # Channel 0 from 0 to 100 ms, channel 1 from 60 to 200 ms: one dip of 200 ms.
    spans = [Span(1, 60, 200, 50.0), Span(0, 0, 100, 80.0), Span(2, 500, 600, 70.0)]
    assert join_dips(spans) == [
        PolyphaseSpan(0, 200, 50.0, 1, (0, 1)),
        PolyphaseSpan(500, 600, 70.0, 2, (2,)),
    ]


def test_one_channel_starting_as_another_ends_is_one_dip() -> None:
    assert len(join_dips([Span(0, 0, 100, 80.0), Span(1, 100, 200, 80.0)])) == 1
    assert len(join_dips([Span(0, 0, 100, 80.0), Span(1, 100.5, 200, 80.0)])) == 2


def test_a_long_dip_holds_several_short_ones() -> None:
    spans = [Span(0, 0, 1000, 80.0), Span(1, 10, 20, 30.0), Span(1, 900, 950, 60.0)]
    assert join_dips(spans) == [PolyphaseSpan(0, 1000, 30.0, 1, (0, 1))]


def test_an_open_channel_keeps_the_dip_open() -> None:
    (joined,) = join_dips([Span(0, 0, None, 80.0), Span(1, 50, 90, 20.0)])
    assert joined.end_index is None


def test_the_highest_swell_counts() -> None:
    (joined,) = join_dips([Span(0, 0, 9, 260.0), Span(1, 5, 9, 270.0)], are_swells=True)
    assert (joined.extreme_v, joined.worst_channel) == (270.0, 1)


def test_an_interruption_needs_all_channels() -> None:
    two = [Span(0, 0, 300, 1.0), Span(1, 50, 250, 2.0)]
    assert join_interruptions(two, 3) == []
    assert join_interruptions([*two, Span(2, 100, 400, 0.5)], 3) == [
        PolyphaseSpan(100, 250, 0.5, 2, (0, 1, 2))
    ]


def test_an_interruption_ends_and_comes_again() -> None:
    spans = [
        Span(0, 0, 1000, 1.0),
        Span(1, 10, 20, 1.0),
        Span(1, 20, 30, 1.0),
        Span(1, 50, None, 2.0),
    ]
    found = join_interruptions(spans, 2)
    # Back for no time at all is back: channel 1 had recovered at 20.
    assert [(one.start_index, one.end_index) for one in found] == [(10, 20), (20, 30), (50, 1000)]


def test_an_interruption_of_all_may_be_open() -> None:
    (found,) = join_interruptions([Span(0, 5, None, 1.0), Span(1, 7, None, 1.0)], 2)
    assert (found.start_index, found.end_index) == (7, None)


def legs(neutral_ohm: float) -> tuple[float, float]:
    """120 V legs with 10 and 20 ohm loads and a neutral of so many ohms: node equation."""
    shift = (120 / 10 - 120 / 20) / (1 / 10 + 1 / 20 + 1 / neutral_ohm)
    return 120 - shift, 120 + shift


@pytest.mark.parametrize(
    ("neutral_ohm", "is_shift"), [(0.02, False), (0.1, False), (0.5, True), (2, True), (1e9, True)]
)
def test_neutral_of_a_split_phase_supply(neutral_ohm: float, is_shift: bool) -> None:
    # 0.5 ohm moves the legs by 2.79 V, 2.3 %; 0.1 ohm by 0.59 V.
    a_v, b_v = legs(neutral_ohm)
    assert is_neutral_shift(a_v - 120, b_v - 120, 120) is is_shift


def test_neither_load_nor_grid_is_a_neutral_shift() -> None:
    assert not is_neutral_shift(-6, 0.5, 120)  # a load on one leg, the neutral's own drop
    assert not is_neutral_shift(-12, -12, 120)
