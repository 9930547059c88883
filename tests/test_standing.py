"""An input that stands still at the rms value of a sound supply. Closed forms; that a sensor or a
converter may hold its last value is common practice, no source."""

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.measure.channel import Supply
from daemon.records import Finding
from daemon.standing import StandingInput

RATE_HZ = 8000
SUPPLY = Supply(230.0, 50)


def mains(seconds: float, volts: float = 230.0) -> NDArray[np.float64]:
    phase = 2 * np.pi * 50 * np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wave: NDArray[np.float64] = np.sqrt(2) * volts * np.sin(phase + 0.3)
    return wave


def told(volts: NDArray[np.float64], frame_s: float = 1.0) -> list[Finding]:
    watcher = StandingInput("L1", RATE_HZ, SUPPLY, 207.0)
    found: list[Finding] = []
    size = round(frame_s * RATE_HZ)
    for first in range(0, len(volts), size):
        found += watcher.feed(first, volts[first : first + size])
    return [*found, *watcher.finish(len(volts))]


@pytest.mark.parametrize("level_v", [230.0, -230.0, 210.0, 400.0])
def test_a_held_value_is_told_at_its_start_and_its_end(level_v: float) -> None:
    noise_v = np.random.default_rng(1).normal(0, 0.3, 3 * RATE_HZ)
    begun, over = told(np.concatenate([mains(2), level_v + noise_v, mains(2)]))
    # Looked at every 0.2 s, so start and length are known to that.
    assert begun.start_s == pytest.approx(2.0, abs=0.2)
    assert begun.duration_s is None
    assert begun.text == (
        f"L1: the input stands still at {level_v:.0f} V: it is the sensor or the converter, "
        "and the supply is not seen meanwhile"
    )
    assert over.start_s == begun.start_s
    assert over.duration_s == pytest.approx(3.0, abs=0.2)
    assert "stood still for 3.0 s" in over.text


def test_the_end_of_the_segment_ends_it() -> None:
    begun, over = told(np.concatenate([mains(1), np.full(RATE_HZ, 230.0)]))
    assert begun.start_s + (over.duration_s or 0) == pytest.approx(2.0)


@pytest.mark.parametrize(
    "volts",
    [
        mains(5),
        mains(5, 150.0),
        np.zeros(5 * RATE_HZ),  # an interruption
        np.full(5 * RATE_HZ, 100.0),  # reads as a dip, whose event is doubtful
        np.sign(mains(5)) * 230,  # a square wave from a battery back-up
        np.sign(mains(5)) * np.where(np.abs(mains(5)) > 100, 230, 0),  # one with steps
    ],
    ids=["mains", "dip", "interruption", "constant below the limit", "square", "stepped"],
)
def test_nothing_else_stands_still(volts: NDArray[np.float64]) -> None:
    assert told(volts) == []
