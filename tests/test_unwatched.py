"""What was asked for and cannot be watched is said, with its reason."""

from dataclasses import replace
from typing import Any

import pytest

from daemon.setup import pipeline_setup
from daemon.unwatched import started_words, unwatched
from drivers.source import SourceInfo
from tests.whole_material import CHECKOUT, settings_in

DRIVER = {"name": "simulated", "scenario": "config/scenarios/demo.yaml"}
GOOD = SourceInfo(16000.0, ("L1",), 16, 800.0, 7000.0, True, is_live=True)


def found(info: SourceInfo, **changes: Any) -> list[str]:
    settings = settings_in(CHECKOUT, DRIVER, **changes)
    return unwatched(settings, info, pipeline_setup(settings, info))


def test_nothing_is_said_of_what_was_not_asked_for() -> None:
    assert found(GOOD) == []
    slow = replace(GOOD, sample_rate_hz=800.0, bandwidth_hz=300.0, jitter_s=1e-5)
    nothing = {"distortion_pct": None, "transient_pct": None, "flicker_pst": None}
    assert found(slow, capture=nothing) == []


@pytest.mark.parametrize(
    ("info", "capture", "words"),
    [
        (replace(GOOD, bandwidth_hz=500.0), {}, "distortion (the input passes up to 500 Hz only)"),
        (replace(GOOD, jitter_s=5e-4), {"transient_pct": None}, "distortion (taken at the program"),
        (replace(GOOD, jitter_s=2e-6), {}, "transients (taken at the program"),
        (replace(GOOD, sample_rate_hz=800.0), {}, "flicker (800 samples a second are too few)"),
        (GOOD, {"unbalance_pct": 2}, "unbalance (that needs supply.wiring three_phase"),
        (GOOD, {"neutral_earth_v": 5}, "neutral to earth (no channel is of kind"),
    ],
)
def test_what_is_missing_has_its_reason(
    info: SourceInfo, capture: dict[str, Any], words: str
) -> None:
    (text,) = found(info, capture=capture)
    assert text.startswith(words)


def test_the_log_says_it_when_a_run_begins() -> None:
    settings = settings_in(CHECKOUT, DRIVER, capture={"unbalance_pct": 2})
    assert started_words(settings, GOOD).startswith(
        "watching through driver simulated; not watched for: unbalance ("
    )
    assert started_words(settings_in(CHECKOUT, DRIVER), GOOD) == "watching through driver simulated"
