"""Start, end, extreme and interrupted time of disturbances, from sequences of rms values."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.thresholds import Disturbance, ThresholdDetector, VoltageLimits

LIMITS = VoltageLimits.from_percent(100, 90, 110, 5, 2)


def detect(values: list[float], limits: VoltageLimits = LIMITS) -> list[Disturbance]:
    """Values one sample apart, all at once; the one left open comes last."""
    detector = ThresholdDetector(limits)
    ended = detector.feed(np.arange(len(values), dtype=np.float64), np.array(values, np.float64))
    left = detector.abandon()
    return ended if left is None else [*ended, left]


def spans(values: list[float]) -> list[tuple[bool, float, float | None]]:
    return [(one.is_swell, one.start_index, one.end_index) for one in detect(values)]


def test_limits_in_volts() -> None:
    limits = VoltageLimits.from_percent(230, 90, 110, 5, 2)
    assert (limits.dip_v, limits.dip_end_v) == pytest.approx((207.0, 211.6))
    assert (limits.swell_v, limits.swell_end_v) == pytest.approx((253.0, 248.4))
    assert (limits.interruption_v, limits.interruption_end_v) == pytest.approx((11.5, 16.1))


# IEC 61000-4-30, 5.4 (from memory): starts below the threshold, ends at or above threshold plus
# hysteresis; swells start above and end at or below threshold minus hysteresis.
@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ([100, 90, 100], []),  # exactly on the threshold starts nothing
        ([100, 89.999, 100], [(False, 1, 2)]),
        ([100, 89, 91.999, 92, 100], [(False, 1, 3)]),  # exactly on the end ends it
        ([100, 110, 100], []),
        ([100, 110.001, 108.001, 108, 100], [(True, 1, 3)]),
        ([89.9, 90.5, 91.9, 92.1], [(False, 0, 3)]),
        ([100, 80, 120, 100], [(False, 1, 2), (True, 2, 3)]),  # from one straight into the other
        ([100, 80, 100, 80, 100], [(False, 1, 2), (False, 3, 4)]),
        ([100, 80], [(False, 1, None)]),
        ([], []),
    ],
)
def test_where_disturbances_start_and_end(
    values: list[float], expected: list[tuple[bool, float, float | None]]
) -> None:
    assert spans(values) == expected


def test_extreme_and_when() -> None:
    dip, swell = detect([100, 80, 60, 60, 85, 100, 115, 130, 120, 100])
    assert (dip.extreme_v, dip.extreme_index) == (60, 2)  # the first of equals
    assert (swell.extreme_v, swell.extreme_index) == (130, 7)


# Interruption: below 5 % until at or above 7 %; the one event stays a dip that was interrupted.
@pytest.mark.parametrize(
    ("values", "is_interruption", "samples"),
    [
        ([100, 50, 5, 50, 100], False, 0),
        ([100, 50, 4.9, 4, 50, 100], True, 2),
        ([100, 50, 4, 6.9, 7, 50, 100], True, 2),
        ([100, 4, 50, 4, 4, 50, 100], True, 3),  # both stays below count
        ([100, 4, 100], True, 1),
    ],
)
def test_interrupted_time(values: list[float], is_interruption: bool, samples: float) -> None:
    (one,) = detect(values)
    assert one.is_interruption == is_interruption
    assert one.interrupted_samples == samples


def reference(values: list[float]) -> list[tuple[bool, int, int | None]]:
    """The rule once more, in its plainest form."""
    found, state, start = [], 0, 0
    for n, value in enumerate(values):
        if (state < 0 and value >= 92) or (state > 0 and value <= 108):
            found.append((state > 0, start, n))
            state = 0
        if state == 0 and (value < 90 or value > 110):
            state, start = (-1 if value < 90 else 1), n
    return [*found, (state > 0, start, None)] if state else list(found)


VALUES = st.lists(
    st.one_of(st.sampled_from([90.0, 92.0, 108.0, 110.0]), st.floats(0, 200)), max_size=40
)


@given(values=VALUES, cut=st.integers(0, 40))
def test_any_values_in_any_two_pieces(values: list[float], cut: int) -> None:
    assert spans(values) == reference(values)
    detector = ThresholdDetector(LIMITS)
    index, level = np.arange(len(values), dtype=np.float64), np.array(values, np.float64)
    parts = detector.feed(index[:cut], level[:cut]) + detector.feed(index[cut:], level[cut:])
    left = detector.abandon()
    assert parts + ([left] if left else []) == detect(values)


def test_abandoning_forgets() -> None:
    detector = ThresholdDetector(LIMITS)
    detector.feed(np.array([0.0]), np.array([50.0]))
    assert detector.abandon() is not None
    assert detector.abandon() is None
    assert detector.open is None
