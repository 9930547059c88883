"""When a converter is asked whether it is still set up: before anything wrong is handed on."""

import numpy as np
import pytest
from numpy.typing import NDArray

from drivers.errors import SourceFailed
from drivers.plausible import Plausible
from drivers.source import Block
from tests.chips.bench import Line
from tests.chips.rigs import CASES, PEAK_V, Rig, dipping

RATE_HZ, BLOCK = 4000, 80
START_UP = 8  # samples at the start of a run, where the equaliser has none before them
Floats = NDArray[np.float64]


def sine(n: int, peak_v: float = 1.0) -> Floats:
    t_s = (n * BLOCK + np.arange(BLOCK)) / RATE_HZ
    return peak_v * np.sin(2 * np.pi * 50 * t_s)[:, np.newaxis]


def odd(*blocks: Floats) -> list[bool]:
    plausible = Plausible(2.0)
    return [plausible.is_odd(block) for block in blocks]


def test_mains_is_not_odd_once_it_is_known() -> None:
    assert odd(*[sine(n, 1.0 + 0.02 * n) for n in range(6)]) == [True, *[False] * 5]


@pytest.mark.parametrize(
    "block",
    [
        np.full((BLOCK, 1), 0.3),
        sine(1, 0.25),  # a range four times as wide
        sine(1, 2.0),
        np.random.default_rng(1).uniform(-2, 2, (BLOCK, 1)),  # a floating line
        np.concatenate([sine(1)[:40], np.full((40, 1), -2.0)]),  # sticks half-way
    ],
)
def test_what_mains_hardly_gives_is_odd(block: Floats) -> None:
    assert odd(sine(0), block) == [True, True]
    both = np.concatenate([sine(1), block], axis=1)  # on one input of two
    assert odd(np.concatenate([sine(0), sine(0)], axis=1), both) == [True, True]


def reset(rig: Rig) -> None:
    rig.chip.reset()


def stick(rig: Rig) -> None:
    assert rig.bench is not None
    rig.bench.line = Line.HIGH


def float_free(rig: Rig) -> None:
    assert rig.bench is not None
    rig.bench.line = Line.FLOATING


def take(rig: Rig, blocks: list[Block]) -> None:
    """Add blocks to those there are, until the source fails."""
    for _ in range(200):
        block = rig.source.read(0.1)
        if block is not None:
            blocks.append(block)


@pytest.mark.parametrize(
    ("name", "fault"),
    [("ads8688", reset), ("ads8688", stick), ("ads1256", stick), ("ads1256", float_free)],
)
def test_no_sample_of_a_failed_chip_is_handed_on(name: str, fault: object) -> None:
    """Up to the failure every reading is the sine that was put in, within 0.2 % of its peak."""
    case = next(case for case in CASES if case.name == name)
    rig = case.rig(dipping(at_s=1e9))
    rig.source.open()
    blocks = [block for _ in range(6) if (block := rig.source.read(0.1)) is not None]
    assert callable(fault)
    fault(rig)
    with pytest.raises(SourceFailed, match="does not answer"):
        take(rig, blocks)
    volts = np.concatenate([block.volts[:, 0] for block in blocks]).astype(float)
    volts = volts[START_UP:]
    turns = 2 * np.pi * 50 * np.arange(len(volts)) / case.rate_hz
    sines = np.stack([np.sin(turns), np.cos(turns)], axis=1)
    (a, b), *_ = np.linalg.lstsq(sines, volts, rcond=None)
    assert np.hypot(a, b) == pytest.approx(PEAK_V, rel=0.002)
    assert np.abs(volts - sines @ [a, b]).max() < 0.002 * PEAK_V
