"""Zero crossings and frequency: against the known phase, and scipy's filters as an oracle."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from daemon.measure.fundamental import Crossings, FundamentalTracker, join_crossings
from tests.signals import (
    MANY_CROSSINGS,
    STATE_2,
    STATE_3,
    Harmonics,
    instants,
    make_setup,
    run,
    supply_wave,
)

Floats = NDArray[np.float64]

RATES_HZ = [8000, 11025, 16000, 32000]
CLASS_A_HZ = 0.010  # IEC 61000-4-30 class A, power frequency (from memory)
IDEAL_HZ = 0.001  # our own aim on samples without noise
RANGE_HZ = [(50, 42.5), (50, 50.05), (50, 57.5), (60, 51.0), (60, 59.95), (60, 69.0)]
WAVES: dict[str, Harmonics] = {
    "sine": {},
    "state 2": STATE_2,
    "state 3": STATE_3,
    "seven crossings a cycle": MANY_CROSSINGS,
}


def frequencies(
    cycles: Floats,
    rate_hz: float = 16000,
    nominal_hz: int = 50,
    rms_v: float = 230,
    harmonics: Harmonics | None = None,
    dc_v: float = 0,
) -> list[float]:
    volts = supply_wave(cycles, rms_v, harmonics) + dc_v
    ran = run(volts, make_setup(rate_hz, frequency_hz=nominal_hz))
    return [value.frequency_hz for value in ran.frequencies]


def track(volts: Floats, rate_hz: float = 16000, nominal_hz: float = 50) -> Crossings:
    """All crossings of a stretch of samples."""
    tracker = FundamentalTracker(rate_hz, nominal_hz, 6.5)
    length = len(volts) // tracker.sum_length * tracker.sum_length
    parts = [tracker.feed(volts[:length]), tracker.finish()]
    return join_crossings(*parts)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize(("nominal_hz", "hz"), RANGE_HZ)
@pytest.mark.parametrize("wave", WAVES)
def test_ten_second_frequency_over_the_whole_range(
    rate_hz: float, nominal_hz: int, hz: float, wave: str
) -> None:
    cycles = hz * instants(rate_hz, 10.5) + 0.13
    (value,) = frequencies(cycles, rate_hz, nominal_hz, harmonics=WAVES[wave])
    # Measured: at worst 0.02 mHz, at 57.5 Hz with state 2.
    assert value == pytest.approx(hz, abs=IDEAL_HZ / 10)


@pytest.mark.parametrize("share", [0.1, 0.45, 0.8, 1.15, 1.5])
@pytest.mark.parametrize("dc_share", [0, 0.05])
def test_frequency_at_any_magnitude_and_with_dc(share: float, dc_share: float) -> None:
    cycles = 50 * instants(16000, 10.5) + 0.13
    (value,) = frequencies(cycles, rms_v=230 * share, dc_v=230 * dc_share)
    assert value == pytest.approx(50, abs=IDEAL_HZ)


@pytest.mark.parametrize(
    ("from_hz", "to_hz", "lead", "expected_hz"),
    [
        (49.9, 50.1, 0.1, 50.00016),  # 499 whole cycles, computed from the phase
        (50.0, 51.0, 0.0, 50.50080),  # 504 whole cycles
    ],
)
def test_a_ramp_counts_whole_cycles(
    from_hz: float, to_hz: float, lead: float, expected_hz: float
) -> None:
    time_s = instants(16000, 21)
    ramp = np.clip(time_s, 0, 10)
    cycles = from_hz * ramp + (to_hz - from_hz) * ramp**2 / 20 + to_hz * (time_s - ramp) + lead
    first = frequencies(cycles)[0]
    # 0.5 mHz: the ramp's own bend moves the window's centre of gravity by next to nothing, and the
    # index 0 is the instant half a sample after time 0, worth 0.3 microseconds in 10 s.
    assert first == pytest.approx(expected_hz, abs=0.0005)


@pytest.mark.parametrize("order", [1.5, 0.5])
def test_interharmonics_beside_the_fundamental(order: float) -> None:
    cycles = 50 * instants(16000, 20.5)
    values = frequencies(cycles, harmonics={order: (1, 40)})
    # 75 and 25 Hz, 1 %: they move single crossings; over ten seconds 2 mHz is our aim.
    assert values == pytest.approx([50, 50], abs=2 * IDEAL_HZ)


def test_a_step_at_the_edge_of_a_slot_stays_in_its_slot() -> None:
    time_s = instants(16000, 21)
    cycles = np.where(time_s < 10, 50 * time_s, 500 + 50.5 * (time_s - 10))
    first, second = frequencies(cycles)
    # The window of four cycles sees both sides of the step: its crossings move by some tens of
    # microseconds, 10 in 10 s being 0.05 mHz.
    assert first == pytest.approx(50.0, abs=IDEAL_HZ)
    assert second == pytest.approx(50.5, abs=IDEAL_HZ)


@settings(max_examples=20, deadline=None, derandomize=True)
@given(
    hz=st.floats(42.5, 57.5), lead=st.floats(0, 1), rate_hz=st.sampled_from([8000, 11025, 16000])
)
def test_every_crossing_of_a_sine(hz: float, lead: float, rate_hz: float) -> None:
    found = track(supply_wave(hz * instants(rate_hz, 1.5) + lead, 230), rate_hz)
    phase = hz * (found.index + 0.5) / rate_hz + lead  # in cycles
    halves = np.round(2 * phase)
    # A hundredth of a cycle: 2 degrees is the bound that lets the one-cycle window read a sine
    # exactly anyway; only the first and the last stretch, run on, come near it.
    assert phase == pytest.approx(halves / 2, abs=0.01)
    assert np.diff(halves) == pytest.approx(np.ones(len(halves) - 1))
    assert list(found.is_upward) == [half % 2 == 0 for half in halves]
    assert found.period == pytest.approx(np.full(len(phase), rate_hz / hz), abs=0.01 * rate_hz / hz)


@pytest.mark.parametrize("harmonics", [STATE_2, MANY_CROSSINGS], ids=["state 2", "many crossings"])
def test_scipy_band_pass_finds_the_same_crossings(harmonics: Harmonics) -> None:
    hz, rate_hz = 49.83, 16000
    volts = supply_wave(hz * instants(rate_hz, 4), 230, harmonics)
    taps = signal.firwin(6401, [35, 65], pass_zero=False, fs=rate_hz)  # linear phase
    clean = signal.fftconvolve(volts, taps, mode="same")
    before = np.flatnonzero(np.diff(np.signbit(clean)))
    theirs = before + clean[before] / (clean[before] - clean[before + 1])
    theirs = theirs[(theirs > 1.5 * rate_hz) & (theirs < 2.5 * rate_hz)]
    ours = track(volts, rate_hz).index
    nearest = np.array([ours[np.argmin(np.abs(ours - index))] for index in theirs])
    assert len(theirs) == 99 or len(theirs) == 100
    # Straight lines between their samples are off by up to 0.003; a tenth is 6 microseconds, three
    # hundredths of a per cent of a cycle.
    assert nearest - theirs == pytest.approx(np.zeros(len(theirs)), abs=0.1)


@pytest.mark.parametrize("n_samples", [0, 1, 9, 10, 160, 319, 640, 1280, 5000])
def test_short_stretches_run_on_at_nominal_frequency(n_samples: int) -> None:
    found = track(np.zeros(n_samples))
    assert np.isfinite(found.index).all()
    # Nothing to lock to: a half cycle of 160 samples from the first one on.
    assert found.index == pytest.approx(160.0 * np.arange(len(found.index)), abs=1e-6)
    assert len(found.index) >= n_samples // 160


@pytest.mark.parametrize("level", [0.0, 100.0])
def test_no_voltage_and_direct_voltage_keep_nominal_spacing(level: float) -> None:
    found = track(np.full(16000, level))
    assert np.diff(found.index) == pytest.approx(np.full(len(found.index) - 1, 160.0), abs=1e-6)
    assert found.period == pytest.approx(np.full(len(found.index), 320.0), abs=1e-6)


def test_noise_on_the_crossings() -> None:
    # White noise of 1 % under a Hann window (1.5 lines wide) of 1280 samples turns the phase by
    # 2.3/325 x sqrt(2 x 1.5/1280) = 0.34 mrad rms, 0.017 samples; 0.2 is more than ten times that.
    random = np.random.default_rng(5)
    time_s = instants(16000, 4)
    volts = supply_wave(50 * time_s, 230) + random.normal(0, 2.3, len(time_s))
    index = track(volts).index
    index = index[(index > 8000) & (index < 56000)]
    assert index == pytest.approx(np.round((index + 0.5) / 160) * 160 - 0.5, abs=0.2)


def test_pieces_of_any_whole_number_of_sums_give_the_same() -> None:
    time_s = instants(16000, 3)
    volts = supply_wave(50.3 * time_s, 230, STATE_2)
    volts[20000:24000] *= 0.3
    tracker = FundamentalTracker(16000, 50, 6.5)
    edges = [0, 10, 320, 330, 5000, 20000, 20010, 30000, 48000]
    parts = [tracker.feed(volts[a:b]) for a, b in pairwise(edges)] + [tracker.finish()]
    whole = track(volts)
    # Only the run back to the first sample may differ, by the slope known at the time: a
    # thousandth of a sample is 60 ns.
    pieces = np.concatenate([part.index for part in parts])
    assert pieces == pytest.approx(whole.index, abs=1e-3)
