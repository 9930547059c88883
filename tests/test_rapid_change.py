"""Rapid voltage changes against a plain loop over values, and sequences worked by hand.

IEC 61000-4-30:2015, 5.11: the steady-state rule is as published; inclusive mean, reference and
what is taken off the duration are our reading (graded from memory).
"""

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.rapid_change import RapidChange, RapidChangeDetector, RapidChangeLimits

Floats = NDArray[np.float64]


def limits(threshold: float = 3, declared_v: float = 100) -> RapidChangeLimits:
    return RapidChangeLimits.from_percent(declared_v, threshold, 90, 110)


def found(
    values: Floats, bounds: RapidChangeLimits, hz: int = 50, frame: int = 97
) -> list[RapidChange]:
    """All changes; the index of value n is n."""
    detector = RapidChangeDetector(hz, bounds)
    index = np.arange(len(values), dtype=float)
    cuts = range(frame, len(values), frame)
    pieces = zip(np.split(index, cuts), np.split(values, cuts), strict=True)
    return [change for piece in pieces for change in detector.feed(*piece)]


def steady(level: float, n: int) -> Floats:
    return np.full(n, float(level))


def step() -> Floats:
    return np.concatenate([steady(100, 300), [98], steady(96, 300)])


def drop_and_recovery(bottom: float) -> Floats:
    tail = 100 - 1 - 6 * np.exp(-np.arange(600) / 10)
    return np.concatenate([steady(100, 300), steady(bottom, 40), tail])


@pytest.mark.parametrize(("inside", "between"), [(80, 92), (86, 93.5), (115, 107)])
def test_the_way_back_from_a_long_dip_or_swell_is_none(inside: float, between: float) -> None:
    """A second inside it is steady; the one value half way back lies within both thresholds."""
    values = np.concatenate([steady(100, 300), steady(inside, 300), [between], steady(100, 300)])
    assert found(values, limits(3)) == []


def test_step_of_four_per_cent() -> None:
    (change,) = found(step(), limits(3))
    # The mean before holds the 98 once: 99.98. Then 96 for good.
    assert change.before_v == pytest.approx(99.98)
    assert change.after_v == pytest.approx(96)
    assert change.delta_ss_v == pytest.approx(3.98)
    assert change.delta_max_v == pytest.approx(3.98)
    assert (change.start_index, change.end_index) == (301, 301)


def test_step_below_the_threshold_is_silent() -> None:
    assert found(step(), limits(5)) == []


def test_drop_with_slow_recovery() -> None:
    (change,) = found(drop_and_recovery(93), limits(3))
    assert change.delta_max_v == pytest.approx(7)
    assert change.delta_ss_v == pytest.approx(1.17, abs=0.005)
    assert change.end_index is not None
    assert change.end_index - change.start_index == 52
    assert (change.extreme_v, change.extreme_index) == (93, 300)


@pytest.mark.parametrize("seconds", [4, 1])
def test_ramps_are_silent(seconds: int) -> None:
    # In one second the mean follows: no value is farther than 2 % from it.
    ramp = np.linspace(100, 96, 100 * seconds)
    assert found(np.concatenate([steady(100, 300), ramp, steady(96, 300)]), limits(3)) == []


def test_a_dip_is_no_rapid_change() -> None:
    assert found(drop_and_recovery(88), limits(3)) == []
    swell = np.concatenate([steady(100, 300), steady(112, 40), steady(100, 300)])
    assert found(swell, limits(3)) == []


def test_a_dip_in_the_quiet_second_after_takes_the_change_with_it() -> None:
    values = step()
    values[380] = 89
    assert found(values, limits(3)) == []


def test_exactly_on_a_dip_threshold_is_no_dip() -> None:
    values = np.concatenate([steady(100, 300), steady(90, 300)])
    assert len(found(values, limits(3))) == 1


def test_hysteresis_keeps_a_change_open() -> None:
    """Values swinging by 2 % about their mean are steady for 3 %, but end nothing."""
    swinging = 96 + 2 * np.tile([1.0, -1.0], 200)
    values = np.concatenate([steady(100, 300), swinging, steady(96, 200)])
    (change,) = found(values, limits(3))
    # Steady again with the first whole second without a value at 94: 700 to 799.
    assert change.end_index == 699


def test_sixty_hertz_waits_for_120_values() -> None:
    values = np.concatenate([steady(100, 300), steady(94, 60), steady(99, 300)])
    (change,) = found(values, limits(3), hz=60)
    assert change.end_index is not None
    assert change.end_index - change.start_index == 60 - 1
    assert found(values[:479], limits(3), hz=60) == []  # 119 values of 99 in there


def test_nothing_before_the_first_steady_second() -> None:
    values = np.concatenate([steady(100, 30), steady(94, 300), steady(99, 300)])
    (change,) = found(values, limits(3))
    assert change.start_index == 330


def test_the_segment_may_end_first() -> None:
    detector = RapidChangeDetector(50, limits(3))
    values = step()[:350]
    assert detector.feed(np.arange(350.0), values) == []
    left = detector.abandon()
    assert left is not None
    assert (left.start_index, left.end_index, left.after_v, left.delta_ss_v) == (
        301,
        None,
        None,
        None,
    )
    assert left.delta_max_v == pytest.approx(3.98)
    assert detector.abandon() is None
    # A new segment starts afresh: the old level is no reference for it.
    assert detector.feed(np.arange(300.0), steady(90, 300)) == []


def test_an_open_dip_is_not_told_at_the_end() -> None:
    detector = RapidChangeDetector(50, limits(3))
    detector.feed(np.arange(310.0), drop_and_recovery(88)[:310])
    assert detector.abandon() is None


def test_thresholds_from_per_cent() -> None:
    bounds = limits(3, 230)
    assert bounds.threshold_v == pytest.approx(6.9)
    assert bounds.hysteresis_v == pytest.approx(3.45)
    assert (bounds.dip_v, bounds.swell_v) == pytest.approx((207, 253))


def plain_loop(x: Floats, threshold: float, hysteresis: float, n: int) -> list[tuple[float, ...]]:
    """The rule, value by value: (start, half cycles, largest change, steady change)."""
    is_steady, limit = True, threshold
    out: list[tuple[float, ...]] = []
    start, reference = 0, 0.0
    for i in range(n, len(x)):
        window = x[i - n + 1 : i + 1]
        mean = window.mean()
        quiet = bool((np.abs(window - mean) <= limit).all())
        if is_steady and not quiet:
            is_steady, start, limit = False, i, threshold - hysteresis
            reference = x[i - n : i].mean()
        elif not is_steady and quiet:
            is_steady, limit = True, threshold
            whole = np.append(x[start : i + 1], reference)  # a dip that had become steady is one
            if whole.min() >= 90 and whole.max() <= 110:
                largest = float(np.abs(whole - reference).max())
                out.append((start, max(0, i - start - n), largest, abs(float(mean - reference))))
    return out


@pytest.mark.parametrize("seed", range(8))
def test_random_levels_agree_with_a_plain_loop(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n_levels = 40
    levels = rng.uniform(91 if seed % 2 else 86, 105, n_levels)
    values = np.concatenate([steady(100, 250), np.repeat(levels, rng.integers(1, 400, n_levels))])
    values[250:] += rng.normal(0, 0.3, len(values) - 250)
    changes = found(values, limits(3), frame=int(rng.integers(1, 300)))
    expected = plain_loop(values, 3, 1.5, 100)
    assert len(changes) >= 5
    assert len(changes) == len(expected)
    for change, (start, halves, largest, between) in zip(changes, expected, strict=True):
        assert change.start_index == start
        assert change.end_index == start + halves
        assert change.delta_max_v == pytest.approx(largest, abs=1e-9)
        assert change.delta_ss_v == pytest.approx(between, abs=1e-9)


@pytest.mark.parametrize("frame", [1, 7, 100, 101, 350, 5000])
def test_any_split_gives_exactly_the_same(frame: int) -> None:
    rng = np.random.default_rng(11)
    values = np.concatenate([steady(100, 200), np.repeat(rng.uniform(91, 105, 20), 130)])
    values += rng.normal(0, 0.2, len(values))
    assert found(values, limits(3), frame=frame) == found(values, limits(3), frame=len(values))
