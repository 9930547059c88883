"""A supply that fell silent, told from an input that did. Closed forms; kinds of failure of a
sensor's output as tests of instruments know them (common practice, no source)."""

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.doubt import AT_LIMIT, CONSTANT, NO_NOISE, FrontEnd, doubts
from daemon.records import Waveform

RATE_HZ, CYCLE = 8000, 160
FIRST = 5000  # index of the waveform's first sample
SPAN = (FIRST + 800.0, FIRST + 2400.0)  # 0.2 s of event within 0.4 s of waveform
HARDWARE, IDEAL = FrontEnd(500.0, is_converter=True), FrontEnd(500.0)
Floats = NDArray[np.float64]


def mains() -> Floats:
    return 325.27 * np.sin(2 * np.pi * 50 * np.arange(3200) / RATE_HZ)


def event(inside: Floats | float) -> list[Waveform]:
    """Mains, something else for ten cycles, mains again."""
    volts = mains()
    volts[800:2400] = inside
    return [Waveform(FIRST, RATE_HZ, volts.astype(np.float32))]


def noise(rms_v: float) -> Floats:
    return np.random.default_rng(1).normal(0.0, rms_v, 1600)


def told(inside: Floats | float, front_end: FrontEnd = HARDWARE) -> tuple[str, ...]:
    return doubts(event(inside), SPAN, 230.0, CYCLE, front_end)


@pytest.mark.parametrize(
    ("inside", "reason"),
    [
        (500.0, AT_LIMIT),
        (-500.0, AT_LIMIT),
        (499.9 + noise(0.05), AT_LIMIT),  # an open input at its rail, with noise
        (120.0, CONSTANT),  # the last code, held
        (-40.0 + noise(0.5), CONSTANT),  # the bias is gone
        (0.0, NO_NOISE),
        (7.0, NO_NOISE),  # 3 % of 230 V: an offset that a good sensor may have
    ],
)
def test_what_no_mains_gives_is_doubtful(inside: Floats | float, reason: str) -> None:
    assert told(inside) == (reason,)


@pytest.mark.parametrize(
    "inside",
    [
        noise(0.002),  # a 24-bit converter: 5 microvolts of 1.2 V, here 2 mV of 500 V
        noise(0.5),
        0.4 * mains()[800:2400],
        2.0 * np.sin(2 * np.pi * 50 * np.arange(1600) / RATE_HZ),  # picked up from other wires
        np.clip(3 * mains()[800:2400], -500, 500),  # a swell beyond the range: clipped, not silent
        100 * np.exp(-np.arange(1600) / 150),  # a transformer's own answer to the cut, gone at once
    ],
)
def test_what_mains_may_give_is_not(inside: Floats) -> None:
    assert told(inside) == ()


def test_a_simulation_or_recording_may_be_silent_without_noise() -> None:
    assert told(0.0, IDEAL) == ()
    assert told(120.0, IDEAL) == (CONSTANT,)


def test_less_than_a_cycle_proves_nothing() -> None:
    inside = mains()[800:2400]
    inside[: CYCLE - 1] = 0.0
    assert told(inside) == ()
    assert doubts(event(0.0), (SPAN[0], SPAN[0] + CYCLE - 1), 230.0, CYCLE, HARDWARE) == ()


def test_only_the_event_itself_is_looked_at() -> None:
    waveforms = event(noise(1.0))
    quiet = waveforms[0].volts.copy()
    quiet[:600] = 0.0
    piece = Waveform(FIRST, RATE_HZ, quiet)
    assert doubts([piece], SPAN, 230.0, CYCLE, HARDWARE) == ()


def test_either_end_of_a_long_event_can_tell() -> None:
    good = event(noise(1.0))[0]
    stuck = Waveform(FIRST + 9000, RATE_HZ, np.full(1600, 500.0, dtype=np.float32))
    span = (SPAN[0], FIRST + 10_000.0)
    assert doubts([good, stuck], span, 230.0, CYCLE, HARDWARE) == (AT_LIMIT,)
    assert doubts([], span, 230.0, CYCLE, HARDWARE) == ()
