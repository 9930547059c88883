"""IEEE 1564-2014 figures, worked by hand. Formulas from memory; the definitions are published."""

import math

import numpy as np
import pytest

from daemon.indices import (
    CurveStep,
    DipFigures,
    Dips,
    ReferenceCurve,
    merge_within,
    sag_energy_of_trace_s,
    sag_energy_s,
    sarfi,
    sarfi_curve,
    system_average,
)

# A curve like that of SEMI F47 (from memory), carried on to 90 % for ever.
CURVE = ReferenceCurve(
    [
        CurveStep(0.02, 0),
        CurveStep(0.2, 50),
        CurveStep(0.5, 70),
        CurveStep(10, 80),
        CurveStep(math.inf, 90),
    ]
)


def dips(*figures: tuple[float, float]) -> Dips:
    residual_pct, duration_s = np.array(figures, np.float64).reshape(-1, 2).T
    return Dips(residual_pct, duration_s)


# Residual in %, duration in s, severity (None where it was not worked out), energy in s.
DIPS = [
    (50, 0.1, 1.0, 0.0750),
    (50, 0.3, 1.6667, 0.2250),
    (70, 0.4, 1.0, 0.2040),
    (30, 0.1, 1.4, 0.0910),
    (75, 0.6, 1.25, 0.2625),
    (85, 20, 1.5, 5.55),
    (0, 0.01, 1.0, 0.0100),
    (80, 1, 1.0, 0.360),
    (0, 0.1, 2.0, 0.1),
]


@pytest.mark.parametrize(("residual_pct", "duration_s", "severity", "energy_s"), DIPS)
def test_severity_and_energy(
    residual_pct: float, duration_s: float, severity: float, energy_s: float
) -> None:
    dip = DipFigures(residual_pct, duration_s)
    assert CURVE.severity(dip) == pytest.approx(severity, abs=5e-5)  # four decimals are given
    assert sag_energy_s(dip) == pytest.approx(energy_s, abs=5e-5)


@pytest.mark.parametrize(
    ("duration_s", "residual_pct"),
    [(0.02, 0), (0.0201, 50), (0.2, 50), (0.201, 70), (0.5, 70), (0.51, 80), (10, 80), (10.1, 90)],
)
def test_a_step_includes_its_duration(duration_s: float, residual_pct: float) -> None:
    assert CURVE.residual_pct(duration_s) == residual_pct


def test_beyond_the_end_of_a_curve_there_is_no_severity() -> None:
    short = ReferenceCurve([CurveStep(1.0, 70)])
    assert short.severity(DipFigures(0, 1.01)) is None
    assert short.are_below(dips((0, 1.01), (0, 1.0))).tolist() == [False, True]


def test_a_swell_has_no_severity() -> None:
    assert CURVE.severity(DipFigures(115, 0.1)) == 0


def test_curves_that_make_no_sense() -> None:
    with pytest.raises(ValueError, match="order"):
        ReferenceCurve([CurveStep(1, 50), CurveStep(1, 70)])
    with pytest.raises(ValueError, match="100 %"):
        ReferenceCurve([CurveStep(1, 100)])


def test_energy_of_a_constant_trace_is_that_of_the_dip() -> None:
    trace = np.full(20, 60.0)
    assert sag_energy_of_trace_s(trace, 0.01) == pytest.approx(sag_energy_s(DipFigures(60, 0.2)))


def test_energy_of_a_ramp() -> None:
    # Integral of 1 - (0.5 + t/2)^2 over one second: 1 - (1 - 1/8) x 2/3 = 5/12.
    n = 10000
    trace = 50 + 50 * (np.arange(n) + 0.5) / n
    assert sag_energy_of_trace_s(trace, 1 / n) == pytest.approx(5 / 12, abs=1e-8)


def test_energy_with_uneven_spacing() -> None:
    assert sag_energy_of_trace_s(np.array([0.0, 50.0]), np.array([0.1, 0.2])) == pytest.approx(0.25)


EVENTS = dips((89.9, 0.1), (90.0, 0.1), (69, 0.1), (50, 0.1), (9, 1), (112, 0.1), (120, 2))


@pytest.mark.parametrize(
    ("level_pct", "count"), [(90, 4), (80, 3), (70, 3), (50, 1), (10, 1), (110, 2), (120, 0)]
)
def test_sarfi(level_pct: float, count: int) -> None:
    assert sarfi(EVENTS, level_pct) == count


def test_sarfi_of_a_curve() -> None:
    # For 0.1 s 50 % is on the curve; for 1 s 9 % is below 80 %.
    assert sarfi_curve(EVENTS, CURVE) == 1
    assert sarfi_curve(dips((49.9, 0.1), (0, 0.02)), CURVE) == 1


def test_system_average_counts_customers() -> None:
    # (10 x 100 + 2 x 300) / 400
    assert system_average([10, 2], [100, 300]) == pytest.approx(4)


def test_dips_of_one_minute_count_once_by_the_deepest() -> None:
    starts_s = np.array([0.0, 30, 60, 61, 200])
    five = dips(*((pct, 0.1) for pct in (80, 40, 60, 70, 85)))
    assert merge_within(starts_s, five, 60) == [1, 3, 4]
    assert merge_within(starts_s, five, 300) == [1]
    assert merge_within(np.empty(0), dips(), 60) == []
