"""The ADS131M0x driver on chip models: readings, droop, losses, and every fault."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from drivers.ads131m0x import Ads131m0xOptions, Ads131m0xSource, check_word
from drivers.clock import ManualClock
from drivers.equaliser import FLAT_SHARE, REACH, Equaliser, inverse_taps, sinc
from drivers.errors import OptionError, SourceFailed, SourceUnavailable
from drivers.source import Block
from tests.chips.ads131 import Ads131Chip
from tests.chips.bench import Bench, Line, steady
from tests.chips.conversions import ReadyLine

Floats = NDArray[np.float64]
RATE_HZ = 4000.0


def ramp(channel: int, t_s: float) -> float:
    """Tells which conversion a sample is from: 100 codes a conversion, and 2e6 a channel."""
    return (t_s - 1000.0) * RATE_HZ * 100 * 1.2 / 2**23 - 0.6 + 0.3 * channel


class Rig:
    """A driver, its chip, bus and line."""

    def __init__(
        self, volts: Callable[[int, float], float] = ramp, first_edge: int = 1, **changes: object
    ) -> None:
        table = {"name": "ads131m0x", "chip": "ads131m04", "drdy_gpio": 17, **changes}
        self.options = Ads131m0xOptions.model_validate(table)
        self.clock = ManualClock()
        self.chip = Ads131Chip(4, volts, self.clock.monotonic_ns())
        self.bench = Bench(self.chip, self.clock, steady(5e-6), steady(5e-6))
        self.line = ReadyLine(self.chip, self.clock, first_edge)
        self.chip.catch_up = self.line.catch_up
        self.clock.advance_s(0.01)
        self.source = Ads131m0xSource(self.options, self.clock, self.bench.open, self.line.open)

    def play(self, n_blocks: int) -> list[Block]:
        blocks: list[Block] = []
        for _ in range(50 * n_blocks):
            block = self.source.read(0.1)
            if block is not None:
                blocks.append(block)
            if len(blocks) == n_blocks:
                return blocks
        raise AssertionError("no samples come")


def joined(blocks: list[Block]) -> Floats:
    return np.concatenate([block.volts for block in blocks]).astype(float)


def conversion_numbers(blocks: list[Block]) -> Floats:
    """From the ramp, which passes an equaliser unchanged; away from the ends of runs."""
    return (joined(blocks)[:, 0] + 0.6) * 2**23 / 1.2 / 100


def indices(blocks: list[Block]) -> Floats:
    return np.concatenate([block.first_index + np.arange(len(block.volts)) for block in blocks])


def assert_numbered_as_converted(blocks: list[Block]) -> None:
    """Index and conversion differ by a constant; near the ends of runs the ramp is bent."""
    inner = [block for block in blocks if len(block.volts) > 4 * REACH]
    difference = conversion_numbers(inner) - indices(inner)
    middle = np.median(difference)
    assert np.mean(np.abs(difference - middle) < 0.2) > 0.8
    end = blocks[0].first_index + len(blocks[0].volts)
    for block in blocks[1:]:
        assert block.first_index == end + block.n_lost
        end = block.first_index + len(block.volts)


class TestReadings:
    def test_says_what_it_can_do(self) -> None:
        rig = Rig(inputs=["ch0", "ch2"], gain=2)
        info = rig.source.open()
        assert (info.inputs, info.bits, info.full_scale_v) == (("ch0", "ch2"), 24, 0.6)
        assert info.sample_rate_hz == 4000.0
        assert info.bandwidth_hz == pytest.approx(1400.0)
        assert info.is_simultaneous
        assert rig.bench.settings is not None
        assert (rig.bench.settings.mode, rig.line.gpio) == (1, 17)
        rig.source.close()
        assert rig.bench.n_open == 0

    @pytest.mark.parametrize(("gain", "volts"), [(1, -1.1), (1, 1.1), (4, 0.25), (128, -0.009)])
    def test_a_steady_voltage_comes_back(self, gain: int, volts: float) -> None:
        rig = Rig(lambda channel, _: volts * (channel == 2), gain=gain, inputs=["ch1", "ch2"])
        rig.source.open()
        got = joined(rig.play(2))
        assert np.all(got[:, 0] == 0.0)
        # One code of 24 bits, and float32's own 24 bits
        assert got[:, 1] == pytest.approx(volts, abs=3 * 1.2 / gain / 2**23)
        rig.source.close()

    def test_every_conversion_comes_once_and_in_order(self) -> None:
        rig = Rig()
        rig.source.open()
        blocks = rig.play(10)
        assert blocks[0].first_index == 0
        assert sum(block.n_lost for block in blocks) == 0
        numbers = conversion_numbers(blocks)
        # The ramp is bent within REACH of its start; a code is a hundredth of a conversion.
        assert np.diff(numbers[2 * REACH :]) == pytest.approx(1.0, abs=0.03)
        rig.source.close()

    def test_the_kernels_numbers_may_wrap(self) -> None:
        """32 bits are 12 days at 4 kS/s."""
        rig = Rig(first_edge=2**32 - 200)
        rig.source.open()
        assert sum(block.n_lost for block in rig.play(6)) == 0
        rig.source.close()


class TestDroop:
    @pytest.mark.parametrize("frequency_hz", [50.0, 500.0, 1000.0, 1400.0])
    def test_is_undone_to_a_third_of_the_rate(self, frequency_hz: float) -> None:
        """|sin(pi x) / (pi x)|^3 with x = f / fs: 6.7 % is lost at 500 Hz, 46 % at 1400 Hz."""
        x = math.pi * frequency_hz / RATE_HZ
        droop = (math.sin(x) / x) ** 3
        rig = Rig(lambda _, t_s: droop * math.sin(2 * math.pi * frequency_hz * t_s))
        rig.source.open()
        got = joined(rig.play(11))[:, 0][2 * REACH :][:800]  # whole turns of every frequency
        rms_v = float(np.sqrt(np.mean(got**2)))
        assert rms_v == pytest.approx(math.sqrt(0.5), rel=1e-4)  # the design's residual: 4e-5
        rig.source.close()

    def test_any_split_gives_the_same_and_ends_are_filled(self) -> None:
        taps = inverse_taps(lambda share: sinc(share, 3))
        assert taps.sum() == pytest.approx(1.0, abs=1e-12)
        random = np.random.default_rng(8)
        samples = random.normal(size=(300, 2))
        whole = Equaliser(taps, 2)
        expected = np.concatenate([whole.push(samples), whole.finish()])
        assert len(expected) == 300
        pieces = Equaliser(taps, 2)
        cuts = np.sort(random.integers(0, 300, 40))
        parts = [pieces.push(part) for part in np.split(samples, cuts)]
        assert np.concatenate([*parts, pieces.finish()]) == pytest.approx(expected, abs=1e-12)
        # By definition, with the ends repeated
        padded = np.pad(samples[:, 0], REACH, mode="edge")
        assert expected[:, 0] == pytest.approx(np.convolve(padded, taps, mode="valid"), abs=1e-12)
        assert FLAT_SHARE == 0.35


class TestLosses:
    def test_one_late_read_loses_nothing(self) -> None:
        rig = Rig()
        rig.source.open()
        before = rig.play(2)
        rig.clock.advance_s(1.3 / RATE_HZ)
        blocks = [*before, *rig.play(8)]
        assert sum(block.n_lost for block in blocks) == 0
        numbers = conversion_numbers(blocks)[2 * REACH :]
        assert np.diff(numbers) == pytest.approx(1.0, abs=0.03)
        rig.source.close()

    @pytest.mark.parametrize("pause_periods", [3.1, 3.7, 10.5, 400.0])
    def test_a_longer_pause_is_counted_exactly(self, pause_periods: float) -> None:
        rig = Rig()
        rig.source.open()
        before = rig.play(3)
        rig.clock.advance_s(pause_periods / RATE_HZ)
        blocks = [*before, *rig.play(10)]
        n_lost = sum(block.n_lost for block in blocks)
        # All conversions in the pause, those in the chip's buffer, one while it is emptied
        assert pause_periods - 1 <= n_lost <= pause_periods + 3
        assert_numbered_as_converted(blocks)
        rig.source.close()

    def test_slow_wakes_now_and_then_lose_nothing(self) -> None:
        """A late wake of 1.5 periods every tenth time stays within the chip's two samples."""
        rig = Rig()
        random = np.random.default_rng(9)
        rig.line.wake_s = lambda: 1.5 / RATE_HZ if random.random() < 0.1 else 30e-6
        rig.source.open()
        blocks = rig.play(15)
        assert sum(block.n_lost for block in blocks) == 0
        assert_numbered_as_converted(blocks)
        rig.source.close()


class TestFaults:
    def test_a_damaged_frame_is_left_out_and_counted(self) -> None:
        rig = Rig()
        rig.source.open()
        before = rig.play(2)
        count = iter(range(1000))
        rig.bench.damage = lambda data: bytes([data[0] ^ 1, *data[1:]]) if next(count) < 1 else data
        blocks = [*before, *rig.play(6)]
        assert sum(block.n_lost for block in blocks) == 1
        assert rig.chip.n_resets == 2  # power-up and open
        assert_numbered_as_converted(blocks)
        rig.source.close()

    def test_a_single_wrong_bit_never_passes(self) -> None:
        """A CRC of 16 bits finds every burst of up to 16 bits."""
        frame = bytes(range(15))
        for bit in range(120):
            wrong = bytearray(frame)
            wrong[bit // 8] ^= 0x80 >> bit % 8
            assert check_word(bytes(wrong)) != check_word(frame)

    def test_a_burst_of_damage_sets_the_chip_up_again(self) -> None:
        rig = Rig()
        rig.source.open()
        before = rig.play(2)
        count = iter(range(1000))
        rig.bench.damage = lambda data: bytes([data[0] ^ 1, *data[1:]]) if next(count) < 3 else data
        blocks = [*before, *rig.play(8)]
        assert rig.chip.n_resets == 3
        assert_numbered_as_converted(blocks)
        rig.source.close()

    def test_an_unexpected_reset_sets_the_chip_up_again(self) -> None:
        """A reset takes the gain away: 8 times too small readings would pass for a dip."""
        rig = Rig(lambda channel, _: 0.1, gain=8)
        rig.source.open()
        before = rig.play(2)
        rig.chip.reset(rig.clock.monotonic_ns())
        blocks = [*before, *rig.play(8)]
        assert joined(blocks) == pytest.approx(0.1, abs=1e-6)
        n_lost = sum(block.n_lost for block in blocks)
        assert n_lost == pytest.approx(0.0145 * RATE_HZ, abs=8)  # two waits of 6 ms, and settling
        rig.source.close()

    def test_a_reset_to_another_rate_keeps_the_time(self) -> None:
        """From 8 kS/s to the 4 kS/s after a reset."""
        rig = Rig(lambda channel, t_s: 0.1 + (t_s - 1000.0), sample_rate_hz=8000)
        rig.source.open()
        before = rig.play(2)
        rig.chip.reset(rig.clock.monotonic_ns())
        blocks = [*before, *rig.play(10)]
        volts, index = joined(blocks)[:, 0], indices(blocks)
        # One straight line through all of them: nothing but the numbering could bend it
        assert volts[-100] - volts[100] == pytest.approx(
            (index[-100] - index[100]) / 8000, abs=2 / 8000
        )
        rig.source.close()

    @pytest.mark.parametrize("line", [Line.LOW, Line.HIGH, Line.FLOATING])
    def test_a_stuck_line_is_noticed_when_opening_and_later(self, line: Line) -> None:
        rig = Rig()
        rig.bench.line = line
        with pytest.raises(SourceUnavailable, match="check w"):
            rig.source.open()
        assert rig.bench.n_open == 0
        rig.bench.line = Line.GOOD
        rig.source.open()
        rig.play(2)
        rig.bench.line = line
        with pytest.raises(SourceFailed, match="check w"):
            rig.play(3)
        rig.bench.line = Line.GOOD
        rig.source.close()
        rig.source.open()
        assert rig.play(1)[0].first_index == 0
        rig.source.close()

    def test_a_brown_out_is_noticed(self) -> None:
        rig = Rig()
        rig.source.open()
        rig.play(1)
        rig.chip.is_dead = True
        with pytest.raises(SourceFailed):
            rig.play(20)
        rig.chip.is_dead = False
        rig.chip.reset(rig.clock.monotonic_ns())
        rig.source.close()
        rig.source.open()
        rig.play(1)
        rig.source.close()

    def test_a_broken_ready_wire_is_noticed(self) -> None:
        rig = Rig()
        rig.source.open()
        rig.play(1)
        rig.line.is_cut = True
        with pytest.raises(SourceFailed, match=r"data-ready line was still for 0\.5 s"):
            rig.play(20)
        rig.source.close()
        with pytest.raises(SourceUnavailable, match="data-ready line"):
            rig.source.open()
        assert rig.bench.n_open == 0

    def test_errors_of_bus_and_line_are_failures(self) -> None:
        rig = Rig()
        rig.source.open()
        rig.bench.error = "Connection timed out"
        with pytest.raises(SourceFailed, match="timed out"):
            rig.source.read(0.1)
        rig.bench.error, rig.line.error = None, "Input/output error"
        with pytest.raises(SourceFailed, match="Input/output"):
            rig.source.read(0.1)
        rig.source.close()
        rig.line.error, rig.line.is_taken = None, True
        with pytest.raises(SourceUnavailable, match="in use"):
            rig.source.open()
        assert rig.bench.n_open == 0

    def test_another_chip_is_refused(self) -> None:
        rig = Rig(chip="ads131m03")  # an M04 is on the bus: its frames are longer
        with pytest.raises(SourceUnavailable):
            rig.source.open()

    def test_every_unfit_option_is_told_at_once(self) -> None:
        rig = Rig(chip="ads131m02", inputs=["ch0", "ch3"], sample_rate_hz=5000)
        with pytest.raises(OptionError) as caught:
            rig.source.open()
        for words in ("ads131m02 has no ch3", "one of 4000, 8000, 16000, 32000"):
            assert words in str(caught.value)
