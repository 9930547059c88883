"""Labels on both sides of every edge.

The tables are written out here: IEEE 1159 (categories, as in the editions of 1995 to 2019), and the
UNIPEDE (DISDIP) grid as the DLMS/COSEM identifiers of meters have it.
"""

import pytest

from daemon.judge import judge
from daemon.labels import disdip_cell, ieee_1159_category, labels_of
from daemon.profiles import find_profile
from daemon.records import Kind
from daemon.staircase import EventFacts

DIP, SWELL, INTERRUPTION = Kind.DIP, Kind.SWELL, Kind.INTERRUPTION


@pytest.mark.parametrize(
    ("kind", "value_pct", "duration_s", "label"),
    [
        # Half a cycle at 50 Hz is 10 ms, 30 cycles are 600 ms.
        (DIP, 70, 0.010, "instantaneous dip (sag)"),
        (DIP, 70, 0.600, "instantaneous dip (sag)"),
        (DIP, 70, 0.601, "momentary dip (sag)"),
        (DIP, 70, 3.0, "momentary dip (sag)"),
        (DIP, 70, 3.01, "temporary dip (sag)"),
        (DIP, 70, 60.0, "temporary dip (sag)"),
        (DIP, 70, 60.1, None),  # deeper than an undervoltage, and no interruption
        (DIP, 79.9, 61, None),
        (DIP, 80.0, 61, "undervoltage"),
        (DIP, 89.9, 61, "undervoltage"),
        (DIP, 89.9, 1, "momentary dip (sag)"),
        (DIP, 90.0, 1, None),
        (DIP, 10.0, 1, "momentary dip (sag)"),
        (DIP, 9.99, 1, "momentary interruption"),
        (INTERRUPTION, 4, 0.02, "momentary interruption"),
        (INTERRUPTION, 4, 3.0, "momentary interruption"),
        (INTERRUPTION, 4, 3.01, "temporary interruption"),
        (INTERRUPTION, 4, 60.0, "temporary interruption"),
        (INTERRUPTION, 4, 60.1, "sustained interruption"),
        (INTERRUPTION, 12, 0.1, "instantaneous dip (sag)"),  # a threshold above the table's 10 %
        (SWELL, 109.9, 1, None),
        (SWELL, 110.1, 0.6, "instantaneous swell"),
        (SWELL, 179.9, 0.6, "instantaneous swell"),
        (SWELL, 180.0, 0.6, None),
        (SWELL, 139.9, 0.61, "momentary swell"),
        (SWELL, 140.0, 0.61, None),
        (SWELL, 139.9, 3.0, "momentary swell"),
        (SWELL, 119.9, 3.01, "temporary swell"),
        (SWELL, 120.0, 3.01, None),
        (SWELL, 119.9, 60.0, "temporary swell"),
        (SWELL, 119.9, 60.1, "overvoltage"),
        (SWELL, 120.0, 60.1, None),
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
        (0.5 / 60, "instantaneous dip (sag)"),
        (0.500, "instantaneous dip (sag)"),
        (0.501, "momentary dip (sag)"),
    ],
)
def test_cycles_are_shorter_at_60_hz(duration_s: float, label: str | None) -> None:
    assert ieee_1159_category(DIP, 70, duration_s, 60) == label


def test_thirty_cycles_counted_in_samples_are_thirty() -> None:
    assert ieee_1159_category(DIP, 70, sum([0.01] * 60), 50) == "instantaneous dip (sag)"


@pytest.mark.parametrize(
    ("value_pct", "depth"),
    [
        (89.9, "10-15"),
        (85.0, "10-15"),
        (84.9, "15-30"),
        (70.0, "15-30"),
        (69.9, "30-60"),
        (40.0, "30-60"),
        (39.9, "60-90"),
        (10.0, "60-90"),
        (9.9, "90-99"),
        (1.0, "90-99"),
    ],
)
def test_depths_of_the_unipede_grid(value_pct: float, depth: str) -> None:
    assert disdip_cell(DIP, value_pct, 0.1) == f"depth {depth} % for 10-100 ms"


@pytest.mark.parametrize(
    ("duration_s", "time"),
    [
        (0.00995, "10-100 ms"),  # half a cycle of 50.25 Hz
        (0.010, "10-100 ms"),
        (0.100, "10-100 ms"),
        (0.101, "100-500 ms"),
        (0.500, "100-500 ms"),
        (0.501, "0.5-1 s"),
        (1.0, "0.5-1 s"),
        (1.01, "1-3 s"),
        (3.0, "1-3 s"),
        (3.01, "3-20 s"),
        (20.0, "3-20 s"),
        (20.1, "20-60 s"),
        (60.0, "20-60 s"),
    ],
)
def test_durations_of_the_unipede_grid(duration_s: float, time: str) -> None:
    assert disdip_cell(INTERRUPTION, 2, duration_s) == f"depth 90-99 % for {time}"


@pytest.mark.parametrize(
    ("kind", "value_pct", "duration_s"),
    [
        (DIP, 90.0, 1),
        (DIP, 50, 0.0083),  # half a cycle at 60 Hz
        (DIP, 50, 60.1),
        (DIP, 50, None),  # still open
        (INTERRUPTION, 0.9, 1),
        (SWELL, 120, 1),
        (Kind.FLICKER, 1, 1),
    ],
)
def test_outside_the_unipede_grid(kind: Kind, value_pct: float, duration_s: float | None) -> None:
    assert disdip_cell(kind, value_pct, duration_s) is None


@pytest.mark.parametrize("frequency_hz", [50, 60])
@pytest.mark.parametrize("duration_s", [0.02, 0.55, 2.0, 30.0, 90.0, None])
@pytest.mark.parametrize(
    ("kind", "value_pct"), [(DIP, 55), (SWELL, 115), (INTERRUPTION, 3), (Kind.DISTORTION, 8)]
)
def test_an_event_has_the_labels_that_the_profiles_give(
    kind: Kind, value_pct: float, duration_s: float | None, frequency_hz: float
) -> None:
    facts = EventFacts(kind, value_pct, duration_s)
    profiles = [find_profile(name, None) for name in ("ieee-1159", "unipede")]
    expected = [judge(facts, profile, 230, frequency_hz).label for profile in profiles]
    assert labels_of(facts, frequency_hz) == tuple(expected)


def test_both_labels_of_one_dip() -> None:
    facts = EventFacts(DIP, 55, 2.0)
    assert labels_of(facts, 50) == ("momentary dip (sag)", "depth 30-60 % for 1-3 s")
