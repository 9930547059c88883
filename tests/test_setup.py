"""What an input cannot show is not watched for."""

from dataclasses import replace

import numpy as np
import pytest

from daemon.setup import pipeline_setup
from drivers.source import SourceInfo
from tests.signals import instants, make_setup, run, supply_wave
from tests.whole_material import CHECKOUT, settings_in

SETTINGS = settings_in(CHECKOUT, {"name": "simulated", "scenario": "config/scenarios/demo.yaml"})
GOOD = SourceInfo(16000.0, ("L1",), 16, 800.0, 7000.0, True, is_live=True)


def test_a_good_input_is_watched_for_everything() -> None:
    setup = pipeline_setup(SETTINGS, GOOD)
    assert (setup.transient_pct, setup.slow_limits.distortion_pct, setup.lamp_v) == (20, 5, 230)
    assert (setup.frame_s, setup.bandwidth_hz) == (1.0, 7000.0)


def test_an_input_at_the_programs_pace_claims_no_transients() -> None:
    setup = pipeline_setup(SETTINGS, replace(GOOD, jitter_s=2e-6))
    assert (setup.transient_pct, setup.slow_limits.distortion_pct) == (None, 5)


@pytest.mark.parametrize("info", [replace(GOOD, bandwidth_hz=500), replace(GOOD, jitter_s=5e-4)])
def test_an_input_too_narrow_or_too_unsteady_has_no_distortion_limit(info: SourceInfo) -> None:
    assert pipeline_setup(SETTINGS, info).slow_limits.distortion_pct is None


def test_a_slow_input_measures_no_flicker() -> None:
    assert pipeline_setup(SETTINGS, replace(GOOD, sample_rate_hz=800.0)).lamp_v is None


@pytest.mark.parametrize(
    ("rate_hz", "frame_s"), [(2000, 40), (4000, 40), (16000, 10), (32000, 5), (192000, 1)]
)
def test_recordings_are_measured_in_longer_frames(rate_hz: float, frame_s: float) -> None:
    info = replace(GOOD, sample_rate_hz=float(rate_hz), is_live=False)
    assert pipeline_setup(SETTINGS, info).frame_s == frame_s


def test_harmonics_beyond_the_bandwidth_are_not_stated() -> None:
    time_s = instants(16000, 3)
    volts = supply_wave(50 * time_s, 230, {5: (4.0, 0.0), 19: (4.0, 0.0)})
    ran = run(volts, replace(make_setup(16000), bandwidth_hz=800.0))
    percent = ran.intervals[3].harmonics_pct
    assert percent[4] == pytest.approx(4.0, abs=0.01)
    # 800 Hz over 50 Hz, with 2 % to spare for a faster supply: the 15th is the last.
    assert np.isnan(percent[15:]).all()
    assert np.isfinite(percent[:15]).all()
    assert ran.intervals[3].thd_pct == pytest.approx(4.0, abs=0.01)
