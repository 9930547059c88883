"""Monotonic time and the true rate from the arrival of blocks, against clocks made by hand."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from daemon.timebase import BUCKET_S, RECENT_BUCKETS, TimeBase

Floats = NDArray[np.float64]

RATE_HZ = 8000.0
BLOCK_S = 1.0
HOUR_S = 3600
WEEK_S = 7 * 86400


def true_time_s(index: float, ppm: float) -> float:
    """A converter that runs fast by `ppm` takes its samples in less time."""
    return 1000.0 + index / RATE_HZ / (1 + ppm * 1e-6)


def play(base: TimeBase, n_blocks: int, ppm: float, late_s: Floats, first: int = 0) -> None:
    """Blocks that arrive late; one that is held up holds up those behind it."""
    before_s = 0.0
    for number in range(first, first + n_blocks):
        index = (number + 1) * BLOCK_S * RATE_HZ
        before_s = max(before_s, true_time_s(index, ppm) + float(late_s[number - first]))
        base.note_arrival(index, before_s)


@pytest.mark.parametrize("ppm", [-50.0, 0.0, 50.0])
def test_the_true_rate_is_found_behind_late_arrivals(ppm: float) -> None:
    late_s = np.random.default_rng(1).exponential(0.001, HOUR_S)
    base = TimeBase(RATE_HZ)
    play(base, HOUR_S, ppm, late_s)
    rate = base.rate
    assert rate is not None
    # Ten arrivals a point: the least of ten exponential delays of 1 ms scatters by 0.1 ms. Closed
    # form for a least-squares slope: sigma sqrt(12) / (T sqrt(N)) = 0.005 ppm over an hour.
    assert rate.ppm == pytest.approx(ppm, abs=0.03)
    assert rate.sample_rate_hz == pytest.approx(RATE_HZ * (1 + ppm / 1e6), abs=RATE_HZ * 0.03e-6)
    assert 0.002 < rate.uncertainty_ppm < 0.03
    assert rate.span_s == pytest.approx(HOUR_S, abs=3 * BUCKET_S)


def test_the_stated_uncertainty_covers_the_error() -> None:
    """Twice a standard error holds about 95 of 100 times (normal distribution); 85 is asked."""
    rng = np.random.default_rng(2)
    n_covered = 0
    for _ in range(40):
        base = TimeBase(RATE_HZ)
        play(base, 600, 20.0, rng.exponential(0.002, 600))
        assert base.rate is not None
        n_covered += abs(base.rate.ppm - 20.0) <= base.rate.uncertainty_ppm
    assert n_covered >= 34


def test_the_line_is_that_of_scipy_when_nothing_is_late() -> None:
    """Against scipy's least squares through the same points: one arrival a bucket."""
    noise_s = np.random.default_rng(3).normal(0.0, 1e-5, 60)
    index = (np.arange(60) + 1) * BUCKET_S * RATE_HZ
    arrival_s = np.array([true_time_s(one, 30.0) for one in index.tolist()]) + noise_s
    base = TimeBase(RATE_HZ)
    for one, when in zip(index.tolist(), arrival_s.tolist(), strict=True):
        base.note_arrival(one, when)
    fit = stats.linregress(index[:-1], arrival_s[:-1])  # the last point's bucket is still open
    assert base.rate is not None
    # points beyond three spreads are left out here and not there: a tenth of the noise's effect
    assert base.rate.ppm == pytest.approx((1 / (fit.slope * RATE_HZ) - 1) * 1e6, abs=0.02)


def test_blocks_late_by_seconds_change_nothing() -> None:
    late_s = np.random.default_rng(4).exponential(0.001, HOUR_S)
    late_s[::13] += 5.0
    late_s[1000:1120] += 3.0  # two minutes during which everything was late
    base = TimeBase(RATE_HZ)
    play(base, HOUR_S, 50.0, late_s)
    index = HOUR_S * RATE_HZ
    # the tie comes from the least late of the last minute: 60 delays of 1 ms
    assert base.monotonic_s(index) == pytest.approx(true_time_s(index, 50.0), abs=0.001)


def test_an_hour_long_drift_of_the_crystal_is_followed() -> None:
    """5 ppm an hour, as a box that warms up by 10 kelvin does (common practice, no source)."""
    base = TimeBase(RATE_HZ)
    late_s = np.random.default_rng(5).exponential(0.0005, 4 * HOUR_S)
    now_s = 0.0
    for second in range(4 * HOUR_S):
        now_s += 1 / (1 + 5e-6 * second / HOUR_S)
        base.note_arrival((second + 1) * RATE_HZ, 1000.0 + now_s + float(late_s[second]))
    # the slope is half an hour old, 2.5 ppm; over a minute and a bucket that is 0.2 ms
    assert base.monotonic_s(4 * HOUR_S * RATE_HZ) == pytest.approx(1000.0 + now_s, abs=0.0005)


def test_a_week_at_50_ppm_keeps_every_index_in_its_place() -> None:
    """Without the true rate the error at the end of the week were 30 s."""
    base = TimeBase(RATE_HZ)
    late_s = np.random.default_rng(6).exponential(0.001, WEEK_S // 20)
    for number in range(WEEK_S // 20):
        index = (number + 1) * 20 * RATE_HZ
        base.note_arrival(index, true_time_s(index, 50.0) + float(late_s[number]))
    asked = np.linspace(0.0, WEEK_S * RATE_HZ, 500).tolist()
    found_s = [base.monotonic_s(index) for index in asked]
    error_s = np.subtract(found_s, [true_time_s(index, 50.0) for index in asked])
    # the least of six delays of 1 ms, at 500 places
    assert np.max(np.abs(error_s)) < 0.003
    assert np.all(np.diff(found_s) > 0)


def test_no_rate_before_a_minute_and_after_a_gap() -> None:
    base = TimeBase(RATE_HZ)
    assert not base.is_tied
    play(base, round(BUCKET_S * (RECENT_BUCKETS - 1)), 50.0, np.zeros(60))
    assert base.rate is None
    play(base, 40, 50.0, np.zeros(40), first=50)
    assert base.rate is not None
    base.note_gap()
    assert base.rate is None
    assert base.is_tied


def test_after_a_gap_new_samples_follow_the_new_arrivals_and_old_ones_stay() -> None:
    base = TimeBase(RATE_HZ)
    play(base, 1200, 50.0, np.zeros(1200))
    old_index = 600 * RATE_HZ
    before_s = base.monotonic_s(old_index)
    base.note_gap()  # the device was reopened; its index is a guess and 0.3 s short
    for second in range(1210, 1300):
        index = (second - 0.3) * RATE_HZ
        base.note_arrival(index, true_time_s(second * RATE_HZ, 50.0))
    assert base.monotonic_s(old_index) == pytest.approx(before_s, abs=1e-4)
    newest = 1298.7 * RATE_HZ
    assert base.monotonic_s(newest) == pytest.approx(true_time_s(1299 * RATE_HZ, 50.0), abs=0.001)


def test_samples_lost_without_a_word_are_noticed_within_two_minutes() -> None:
    base = TimeBase(RATE_HZ)
    play(base, 600, 0.0, np.zeros(600))
    play(base, 120, 0.0, np.full(120, 2.0), first=600)  # from now on two seconds are missing
    index = 720 * RATE_HZ
    assert base.monotonic_s(index) == pytest.approx(true_time_s(index, 0.0) + 2.0, abs=0.001)
    assert base.rate is not None
    assert base.rate.ppm == pytest.approx(0.0, abs=0.1)  # a line across the step: -10 000 ppm


def test_time_before_the_first_bucket_is_over() -> None:
    base = TimeBase(RATE_HZ)
    base.note_arrival(RATE_HZ, 11.0)
    assert base.monotonic_s(0.0) == pytest.approx(10.0, abs=1e-9)
    assert base.monotonic_s(2 * RATE_HZ) == pytest.approx(12.0, abs=1e-9)
