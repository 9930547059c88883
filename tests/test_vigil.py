"""When a monitor may say that it is well."""

import numpy as np

from daemon.acquisition import DeviceFault, Fetched
from daemon.ring import LONGEST_WAIT_S
from daemon.vigil import RETRY_PATIENCE_S, SAMPLES_PATIENCE_S, Vigil
from drivers.source import Block

BLOCK = Fetched(Block(0, np.zeros((1, 1), np.float32)), 0)


def test_samples_make_it_well_and_silence_does_not() -> None:
    vigil = Vigil(100.0)
    vigil.hear(BLOCK, 110.0)
    vigil.hear(None, 110.5)
    assert vigil.is_well(110.0 + SAMPLES_PATIENCE_S)
    assert not vigil.is_well(110.1 + SAMPLES_PATIENCE_S)
    assert vigil.has_samples(112.0)
    assert not vigil.has_samples(114.0)


def test_trying_again_is_well_for_as_long_as_the_longest_pause() -> None:
    vigil = Vigil(100.0)
    vigil.hear(DeviceFault("pulled out"), 110.0)
    assert not vigil.has_samples(110.0)
    assert vigil.is_well(110.0 + LONGEST_WAIT_S)
    assert not vigil.is_well(110.1 + RETRY_PATIENCE_S)
    vigil.hear(BLOCK, 160.0)
    assert vigil.has_samples(160.0)


def test_nothing_ever_heard_is_not_well() -> None:
    vigil = Vigil(100.0)
    vigil.hear(None, 120.0)
    assert not vigil.is_well(120.0)
