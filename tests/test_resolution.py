"""What a sampling rate can show, against sampled closed forms and published figures."""

import numpy as np
import pytest

from daemon.resolution import (
    impulse_loss_share,
    resolution,
    sine_loss_share,
    sudden_loss_share,
)

# Computed from 1 - cos(pi f / fs); % of the peak, two digits.
WORST_SINE_LOSS_PCT = [
    (300.0, 8_000.0, 0.7),
    (600.0, 8_000.0, 2.8),
    (900.0, 8_000.0, 6.2),
    (2_000.0, 8_000.0, 29.0),
    (2_000.0, 16_000.0, 7.6),
    (5_000.0, 32_000.0, 11.8),
    (10_000.0, 96_000.0, 5.3),
]


@pytest.mark.parametrize(("frequency_hz", "rate_hz", "loss_pct"), WORST_SINE_LOSS_PCT)
def test_sine_loss_table(frequency_hz: float, rate_hz: float, loss_pct: float) -> None:
    # The table is rounded to one digit behind the point, or to whole per cent.
    assert 100 * sine_loss_share(frequency_hz, rate_hz) == pytest.approx(loss_pct, abs=0.3)


@pytest.mark.parametrize("frequency_hz", [313.0, 797.0, 1_301.0, 2_111.0])
def test_no_phase_loses_more_of_a_sine(frequency_hz: float) -> None:
    rate_hz = 16_000.0
    index = np.arange(64)
    # Sampled at every phase: one peak in the middle of 64 samples, seen with its neighbours.
    phases = np.linspace(-0.5, 0.5, 2001)[:, None] * frequency_hz / rate_hz * 2 * np.pi
    wave = np.cos(2 * np.pi * frequency_hz / rate_hz * (index - 32) + phases)
    worst = 1 - wave[:, 31:34].max(axis=1).min()
    # 2001 phases place the worst one within 1/4000 of a sample.
    assert sine_loss_share(frequency_hz, rate_hz) == pytest.approx(worst, abs=1e-4)


def test_above_half_the_rate_nothing_is_left() -> None:
    assert sine_loss_share(8_000.0, 16_000.0) == 1.0
    assert sine_loss_share(9_000.0, 16_000.0) == 1.0


@pytest.mark.parametrize("n_samples", [0.7, 1.0, 2.5, 8.0])
def test_no_phase_loses_more_of_a_triangle(n_samples: float) -> None:
    # A triangle of width w at half height is 2 w wide at its foot.
    offset = np.linspace(-0.5, 0.5, 2001)[:, None]
    heights = np.maximum(1 - np.abs(np.arange(-3, 4) + offset) / n_samples, 0).max(axis=1)
    expected = impulse_loss_share(n_samples / 16_000.0, 16_000.0)
    assert expected == pytest.approx(1 - heights.min(), abs=1e-3)


@pytest.mark.parametrize("frequency_hz", [300.0, 900.0, 2_000.0, 3_000.0])
@pytest.mark.parametrize("decay_s", [0.0003, 0.001, 0.02])
def test_a_ring_that_begins_at_its_peak_loses_no_more_than_is_said(
    frequency_hz: float, decay_s: float
) -> None:
    """Sampled at every delay after its start; nothing was there before it."""
    rate_hz = 16_000.0
    late = np.linspace(1e-4, 1, 2000)[:, None]
    at_s = (late + np.arange(200)) / rate_hz
    wave = np.abs(np.cos(2 * np.pi * frequency_hz * at_s) * np.exp(-at_s / decay_s))
    worst = 1 - wave.max(axis=1).min()
    stated = sudden_loss_share(frequency_hz, decay_s, rate_hz)
    # An upper bound: both samples are seldom at their worst at once.
    assert worst <= stated + 1e-9
    assert stated <= worst + 0.15
    if decay_s * frequency_hz < 0.7:  # before the next lobe there is little left
        assert worst == pytest.approx(stated, abs=1e-3)
        assert worst > sine_loss_share(frequency_hz, rate_hz)


def test_impulse_narrower_than_half_a_sample_may_vanish() -> None:
    assert impulse_loss_share(20e-6, 16_000.0) == 1.0


def test_limits_of_16_kilosamples() -> None:
    limits = resolution(16_000.0)
    # arccos(0.95) / pi = 0.10108 and arccos(0.90) / pi = 0.14357 of the rate.
    assert limits.full_to_hz == pytest.approx(1617.3, abs=0.1)
    assert limits.usable_to_hz == pytest.approx(2297.1, abs=0.1)
    assert limits.narrowest_s == pytest.approx(156.25e-6)
    assert limits.full_from_s == pytest.approx(625e-6)


def test_text_says_the_numbers_rounded_to_the_safe_side() -> None:
    text = resolution(16_000.0).text
    assert "16 kS/s" in text
    assert "up to 1.6 kHz are read within 5 %" in text
    assert "2.2 kHz within 10 %" in text
    # arccos(0.95) / pi x 2000 = 202 Hz, arccos(0.9) / pi x 2000 = 287 Hz
    assert "up to 200 Hz are read within 5 %, up to 280 Hz within 10 %" in resolution(2000.0).text
    assert "narrower than 157 µs may be missed" in text
    assert "at once, as where a capacitor is switched, may be read lower than that" in text
    assert "Nothing is claimed about impulses of a microsecond" in text


def test_a_microsecond_impulse_is_never_resolved() -> None:
    for rate_hz in (8_000.0, 16_000.0, 32_000.0, 96_000.0, 192_000.0, 1_000_000.0):
        limits = resolution(rate_hz)
        assert not limits.is_resolved(1e-6, None)
        assert limits.peak_loss_pct(1e-6, None) >= 50.0


def test_an_oscillation_is_resolved_by_its_frequency() -> None:
    limits = resolution(8_000.0)
    assert limits.is_resolved(50e-6, 900.0)
    assert not limits.is_resolved(500e-6, 1_200.0)
    assert limits.peak_loss_pct(50e-6, 900.0) == pytest.approx(6.2, abs=0.05)
