"""The ADS8688 driver on its chip model."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from drivers.ads8688 import Ads8688Options, Ads8688Source
from drivers.clock import ManualClock
from drivers.errors import OptionError, SourceFailed, SourceUnavailable
from drivers.source import Block
from tests.chips.ads8688 import Ads8688Chip
from tests.chips.bench import Bench, Line

Floats = NDArray[np.float64]


class Rig:
    """A driver, its chip and bus."""

    def __init__(self, volts: Callable[[int, float], float], **changes: object) -> None:
        self.options = Ads8688Options.model_validate({"name": "ads8688", **changes})
        self.chip = Ads8688Chip(int(self.options.chip[-1]), volts)
        self.bench = Bench(self.chip, ManualClock())
        self.source = Ads8688Source(self.options, self.bench.clock, self.bench.open)

    def play(self, n_blocks: int) -> list[Block]:
        blocks: list[Block] = []
        for _ in range(5 * n_blocks):
            block = self.source.read(0.1)
            if block is not None:
                blocks.append(block)
            if len(blocks) == n_blocks:
                return blocks
        raise AssertionError("no samples come")


def joined(blocks: list[Block]) -> Floats:
    return np.concatenate([block.volts for block in blocks]).astype(float)


@pytest.mark.parametrize("range_v", [10.24, 5.12, 2.56])
@pytest.mark.parametrize("share", [-0.99, -0.001, 0.4, 0.999])
def test_a_steady_voltage_comes_back_within_a_code(range_v: float, share: float) -> None:
    """312.5 uV a code at +-10.24 V: 20.48 V over 65536 (SBAS582)."""
    rig = Rig(lambda channel, _: share * range_v if channel == 3 else 0.0, range_v=range_v,
              inputs=["ch3"])  # fmt: skip
    info = rig.source.open()
    lsb_v = range_v / 32768
    assert info.full_scale_v == range_v
    got = joined(rig.play(1))
    assert np.all(got <= share * range_v + 1e-6)
    assert np.all(got > share * range_v - lsb_v - 1e-6)
    rig.source.close()


def test_inputs_keep_their_places_and_share_their_instants() -> None:
    """An answer belongs to the frame before. 18 us between two inputs would be 0.32 degrees."""
    rig = Rig(
        lambda channel, t_s: (channel + 1) * math.sin(2 * math.pi * 50 * t_s),
        inputs=["ch6", "ch0", "ch2"],
    )
    info = rig.source.open()
    assert (info.inputs, info.is_simultaneous, info.bits) == (("ch6", "ch0", "ch2"), False, 16)
    volts = joined(rig.play(10))[:720]  # nine whole cycles
    # One code of 0.3 mV each way, of amplitudes 7, 1 and 3
    assert volts[:, 0] / 7 == pytest.approx(volts[:, 1], abs=7e-4)
    assert volts[:, 2] / 3 == pytest.approx(volts[:, 1], abs=7e-4)
    assert np.sqrt(np.mean(volts[:, 0] ** 2)) == pytest.approx(7 / math.sqrt(2), rel=3e-4)
    rig.source.close()


def test_a_reset_by_itself_is_noticed() -> None:
    """It would double the readings at +-5.12 V: a false swell."""
    rig = Rig(lambda channel, _: 1.0, range_v=5.12)
    rig.source.open()
    rig.play(2)
    rig.chip.reset()
    with pytest.raises(SourceFailed, match="what was set"):
        rig.play(30)  # 0.6 s
    rig.source.close()
    rig.source.open()
    assert joined(rig.play(1)) == pytest.approx(1.0, abs=2e-4)
    rig.source.close()


@pytest.mark.parametrize("line", [Line.LOW, Line.HIGH, Line.FLOATING])
def test_a_stuck_line_is_noticed_when_opening_and_later(line: Line) -> None:
    rig = Rig(lambda channel, _: 1.0)
    rig.bench.line = line
    with pytest.raises(SourceUnavailable):
        rig.source.open()
    assert rig.bench.n_open == 0
    rig.bench.line = Line.GOOD
    rig.source.open()
    rig.bench.line = line
    with pytest.raises(SourceFailed):
        rig.play(30)
    rig.bench.line = Line.GOOD
    rig.source.close()
    rig.source.open()
    assert rig.play(1)[0].first_index == 0
    rig.source.close()


def test_a_brown_out_and_a_failing_bus_are_failures() -> None:
    rig = Rig(lambda channel, _: 1.0, range_v=5.12)
    rig.source.open()
    rig.chip.is_dead = True
    with pytest.raises(SourceFailed):
        rig.play(30)
    rig.source.close()
    rig.chip.is_dead = False
    rig.source.open()
    rig.bench.error = "Input/output error"
    with pytest.raises(SourceFailed, match="Input/output"):
        rig.source.read(0.1)
    rig.source.close()


def test_every_unfit_option_is_told_at_once() -> None:
    rig = Rig(
        lambda channel, _: 0.0, chip="ads8684", inputs=["ch1", "ch4"], speed_hz=500_000,
        sample_rate_hz=10_000,
    )  # fmt: skip
    with pytest.raises(OptionError) as caught:
        rig.source.open()
    # 2 frames of 32 bits at 0.5 MHz and 10 us between them
    for words in ("ads8684 has no ch4", "takes 138 microseconds"):
        assert words in str(caught.value)
    with pytest.raises(ValueError, match=r"one of 10\.24, 5\.12, 2\.56"):
        Rig(lambda channel, _: 0.0, range_v=3.0)
