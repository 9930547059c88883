"""Longest time beyond each level: against a count by hand, and dropouts through the pipeline."""

from dataclasses import replace
from itertools import groupby

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.levels import LevelTimer
from tests.signals import envelope, instants, make_setup, run, supply_wave

RATE_HZ = 16000


def longest_run(percent: list[float], level: float, is_swell: bool) -> int:
    beyond = [value > level if is_swell else value < level for value in percent]
    return max((len(list(run)) for is_in, run in groupby(beyond) if is_in), default=0)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    percent=st.lists(st.one_of(st.integers(0, 205).map(float), st.floats(0, 205)), max_size=60),
    cuts=st.lists(st.integers(0, 60), max_size=4),
    is_swell=st.booleans(),
)
def test_every_level_by_hand(percent: list[float], cuts: list[int], is_swell: bool) -> None:
    timer = LevelTimer(is_swell)
    for part in np.split(np.array(percent, np.float64), sorted(min(c, len(percent)) for c in cuts)):
        timer.feed(part)
    got = {time.level_pct: time.longest_s for time in timer.times(1.0)}
    levels = range(101, 201) if is_swell else range(1, 100)
    expected = {float(x): longest_run(percent, x, is_swell) for x in levels}
    assert got == {level: n for level, n in expected.items() if n}


def times_of(duration_s: float, phase: float, hz: float, level: float = 0.0) -> dict[float, float]:
    """Longest times of one dropout at a phase given in cycles."""
    time_s = instants(RATE_HZ, 2)
    start_s = 1 + (phase - 0.15) / hz
    volts = supply_wave(hz * time_s + 0.15, 230)
    volts *= envelope(time_s, [(start_s, start_s + duration_s, level)])
    (event,) = run(volts, make_setup(RATE_HZ, frequency_hz=round(hz))).events
    return {time.level_pct: time.longest_s for time in event.level_times}


def slid(duration_s: float, phase: float, hz: float, below: float, level: float = 0.0) -> float:
    """The same from the definition: one-cycle rms at every sample, by plain sums."""
    n = round(RATE_HZ / hz)
    time_s = instants(RATE_HZ, 0.6)
    start_s = 0.2 + phase / hz
    volts = np.sin(2 * np.pi * hz * (time_s - 0.2))
    volts *= envelope(time_s, [(start_s, start_s + duration_s, level)])
    sums = np.convolve(volts**2, np.ones(n), "valid") / n * 2
    return longest_run((100 * np.sqrt(sums)).tolist(), below, False) / RATE_HZ


PHASES = [0, 0.1, 0.25, 0.4, 0.6]


@pytest.mark.parametrize("phase", PHASES)
@pytest.mark.parametrize("duration_s", [0.02, 0.04, 0.1])
@pytest.mark.parametrize("below", [10, 70, 80, 90])
@pytest.mark.parametrize("level", [0.0, 0.6])
def test_dropouts_at_50_hz(phase: float, duration_s: float, below: float, level: float) -> None:
    expected = slid(duration_s, phase, 50, below, level)
    got = times_of(duration_s, phase, 50, level).get(float(below), 0)
    # The windows' edges lie up to a sample apart at either end, where the rms moves slowest.
    assert got == pytest.approx(expected, abs=0.0003)


@pytest.mark.parametrize("phase", PHASES)
def test_twenty_milliseconds_are_twenty_at_the_seventy_per_cent_level(phase: float) -> None:
    # A 20 ms dropout is within a limit of 20 ms below 70 % (ITI curve): just over half of a cycle's
    # energy has to be missing from a window. Energy comes fastest at the crest, so 17 ms where the
    # window's half lies at a crossing, 19.75 ms at a crest (counted in the same way by plain sums).
    times = times_of(0.02, phase, 50)
    assert 0.0168 <= times[70.0] <= 0.0198
    # Half-cycle values say 30 or 40 ms below 90 %; slid, no more than its two flanks need.
    assert 0.028 < times[90.0] < 0.036


@pytest.mark.parametrize("phase", PHASES)
def test_ten_milliseconds_never_pass_seventy_per_cent(phase: float) -> None:
    # Half a cycle is left in every window: sqrt(1/2) = 70.7 % at least.
    times = times_of(0.01, phase, 50)
    assert 70.0 not in times
    assert 0.005 < times[90.0] < 0.03


@pytest.mark.parametrize("phase", PHASES)
def test_twenty_milliseconds_at_60_hz(phase: float) -> None:
    # 1.2 cycles: one-cycle rms of 16.7 ms.
    assert times_of(0.02, phase, 60)[70.0] <= 0.0201


def test_no_sample_of_a_long_frame_is_left_out() -> None:
    """Against plain sums: a minute in one frame is slid in pieces, and each border that lost or
    repeated a sample would show. One sample for each end of the dip."""
    rate_hz, n = 2000, 40
    time_s = instants(rate_hz, 75)
    volts = supply_wave(50 * time_s + 0.15, 230) * envelope(time_s, [(5, 65, 0.5)])
    (event,) = run(volts, replace(make_setup(rate_hz), frame_s=80.0)).events
    sums = np.convolve((volts / 230) ** 2, np.ones(n), "valid") / n
    below = longest_run((100 * np.sqrt(sums)).tolist(), 70, False)
    found = {time.level_pct: time.longest_s for time in event.level_times}
    assert found[70] * rate_hz == pytest.approx(below, abs=2)


def test_swells_count_upwards() -> None:
    time_s = instants(RATE_HZ, 2)
    volts = supply_wave(50 * time_s + 0.15, 230) * envelope(time_s, [(1, 1.2, 1.4)])
    (event,) = run(volts, make_setup(RATE_HZ)).events
    times = {time.level_pct: time.longest_s for time in event.level_times}
    # 10 cycles at 140 %: windows of one cycle reach it for 0.18 s and begin to pass 101 % at once.
    assert times[139.0] == pytest.approx(0.18, abs=0.004)
    assert times[110.0] == pytest.approx(0.2, abs=0.02)
    assert 141.0 not in times
    assert min(times) == 101.0


def test_nothing_passed_nothing_told() -> None:
    assert LevelTimer(is_swell=False).times(1.0) == ()
