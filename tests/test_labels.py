"""Labels on both sides of every edge. Tables from memory of IEEE 1159 and UNIPEDE (DISDIP)."""

import pytest

from daemon.labels import DisdipCell, disdip_cell, ieee_1159_category
from daemon.records import Kind

DIP, SWELL, INTERRUPTION = Kind.DIP, Kind.SWELL, Kind.INTERRUPTION


@pytest.mark.parametrize(
    ("kind", "value_pct", "duration_s", "label"),
    [
        # Half a cycle at 50 Hz is 10 ms, 30 cycles are 600 ms.
        (DIP, 70, 0.0099, None),
        (DIP, 70, 0.010, "instantaneous sag"),
        (DIP, 70, 0.600, "instantaneous sag"),
        (DIP, 70, 0.601, "momentary sag"),
        (DIP, 70, 3.0, "momentary sag"),
        (DIP, 70, 3.01, "temporary sag"),
        (DIP, 70, 60.0, "temporary sag"),
        (DIP, 70, 60.1, None),  # deeper than an undervoltage, and no interruption
        (DIP, 79.9, 61, None),
        (DIP, 80.0, 61, "undervoltage"),
        (DIP, 89.9, 61, "undervoltage"),
        (DIP, 89.9, 1, "momentary sag"),
        (DIP, 90.0, 1, None),
        (DIP, 10.0, 1, "momentary sag"),
        (DIP, 9.99, 1, "momentary interruption"),
        (INTERRUPTION, 4, 0.02, "momentary interruption"),
        (INTERRUPTION, 4, 0.0099, None),
        (INTERRUPTION, 4, 3.0, "momentary interruption"),
        (INTERRUPTION, 4, 3.01, "temporary interruption"),
        (INTERRUPTION, 4, 60.0, "temporary interruption"),
        (INTERRUPTION, 4, 60.1, "sustained interruption"),
        (INTERRUPTION, 12, 0.1, "instantaneous sag"),  # a threshold above the table's 10 %
        (SWELL, 110.0, 1, None),
        (SWELL, 110.1, 0.6, "instantaneous swell"),
        (SWELL, 180.0, 0.6, "instantaneous swell"),
        (SWELL, 180.1, 0.6, None),
        (SWELL, 140.0, 0.61, "momentary swell"),
        (SWELL, 140.1, 0.61, None),
        (SWELL, 140.0, 3.0, "momentary swell"),
        (SWELL, 120.0, 3.01, "temporary swell"),
        (SWELL, 120.1, 3.01, None),
        (SWELL, 120.0, 60.0, "temporary swell"),
        (SWELL, 120.0, 60.1, "overvoltage"),
        (SWELL, 120.1, 60.1, None),
        (Kind.TRANSIENT, 180, 0.1, None),
        (Kind.DISTORTION, 8, 100, None),
    ],
)
def test_ieee_1159_at_50_hz(
    kind: Kind, value_pct: float, duration_s: float, label: str | None
) -> None:
    assert ieee_1159_category(kind, value_pct, duration_s, 50) == label


@pytest.mark.parametrize(
    ("duration_s", "label"),
    [
        (0.0083, None),
        (0.5 / 60, "instantaneous sag"),
        (0.500, "instantaneous sag"),
        (0.501, "momentary sag"),
    ],
)
def test_cycles_are_shorter_at_60_hz(duration_s: float, label: str | None) -> None:
    assert ieee_1159_category(DIP, 70, duration_s, 60) == label


def test_thirty_cycles_counted_in_samples_are_thirty() -> None:
    assert ieee_1159_category(DIP, 70, sum([0.01] * 60), 50) == "instantaneous sag"


@pytest.mark.parametrize(
    ("value_pct", "row"),
    [
        (89.9, "90 to 80 %"),
        (80.0, "90 to 80 %"),
        (79.9, "80 to 70 %"),
        (70.0, "80 to 70 %"),
        (69.9, "70 to 40 %"),
        (40.0, "70 to 40 %"),
        (39.9, "40 to 5 %"),
        (5.0, "40 to 5 %"),
        (4.9, "below 5 %"),
        (0.0, "below 5 %"),
    ],
)
def test_disdip_rows(value_pct: float, row: str) -> None:
    assert disdip_cell(DIP, value_pct, 0.1) == DisdipCell(row, "10 to 200 ms")


@pytest.mark.parametrize(
    ("duration_s", "column"),
    [
        (0.010, "10 to 200 ms"),
        (0.200, "10 to 200 ms"),
        (0.201, "0.2 to 0.5 s"),
        (0.500, "0.2 to 0.5 s"),
        (0.501, "0.5 to 1 s"),
        (1.0, "0.5 to 1 s"),
        (1.01, "1 to 5 s"),
        (5.0, "1 to 5 s"),
        (5.01, "5 to 60 s"),
        (60.0, "5 to 60 s"),
    ],
)
def test_disdip_columns(duration_s: float, column: str) -> None:
    cell = disdip_cell(INTERRUPTION, 2, duration_s)
    assert cell == DisdipCell("below 5 %", column)
    assert str(cell) == f"below 5 %, {column}"


@pytest.mark.parametrize(
    ("kind", "value_pct", "duration_s"),
    [(DIP, 90.0, 1), (DIP, 50, 0.0099), (DIP, 50, 60.1), (SWELL, 120, 1), (Kind.FLICKER, 1, 1)],
)
def test_outside_the_disdip_table(kind: Kind, value_pct: float, duration_s: float) -> None:
    assert disdip_cell(kind, value_pct, duration_s) is None
