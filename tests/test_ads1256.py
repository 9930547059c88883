"""The ADS1256 driver on its chip model."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from drivers.ads1256 import Ads1256Options, Ads1256Source, filter_response
from drivers.clock import ManualClock
from drivers.equaliser import REACH
from drivers.errors import OptionError, SourceFailed, SourceUnavailable
from drivers.source import Block
from drivers.spi import Part, SpiSettings
from tests.chips.ads1256 import Ads1256Chip
from tests.chips.bench import Bench, Line, TimingError, steady
from tests.chips.conversions import ReadyLine

Floats = NDArray[np.float64]
RATE_HZ = 2000.0
CODE_V = 5.0 / (2**23 - 1)


def ramp(pin: int, t_s: float) -> float:
    """Tells which conversion a sample is from: 100 codes a conversion."""
    return 0.0 if pin == 8 else 0.5 + (t_s - 1000.0) * RATE_HZ * 100 * CODE_V


class Rig:
    """A driver, its chip, bus and line."""

    def __init__(self, volts: Callable[[int, float], float] = ramp, **changes: object) -> None:
        table = {"name": "ads1256", "drdy_gpio": 17, **changes}
        self.options = Ads1256Options.model_validate(table)
        self.clock = ManualClock()
        self.chip = Ads1256Chip(volts, self.clock.monotonic_ns())
        self.bench = Bench(self.chip, self.clock, steady(10e-6), steady(10e-6))
        self.line = ReadyLine(self.chip, self.clock)
        self.chip.catch_up = self.line.catch_up
        self.source = Ads1256Source(self.options, self.clock, self.bench.open, self.line.open)

    def play(self, n_blocks: int) -> list[Block]:
        blocks: list[Block] = []
        for _ in range(20 * n_blocks):
            block = self.source.read(0.1)
            if block is not None:
                blocks.append(block)
            if len(blocks) == n_blocks:
                return blocks
        raise AssertionError("no samples come")


def joined(blocks: list[Block]) -> Floats:
    return np.concatenate([block.volts[:, 0] for block in blocks]).astype(float)


def assert_whole(blocks: list[Block]) -> None:
    """Numbers and losses add up, and the ramp's conversions are where the numbers say."""
    end = 0
    for block in blocks:
        assert block.first_index == end + block.n_lost
        end = block.first_index + len(block.volts)
    numbers = (joined(blocks) + 2.5 - 0.5) / CODE_V / 100
    indices = np.concatenate([b.first_index + np.arange(len(b.volts)) for b in blocks])
    difference = numbers - indices
    assert np.mean(np.abs(difference - np.median(difference)) < 0.2) > 0.8  # not at ends of runs


class TestChip:
    """The model against the data sheet's own rules."""

    def test_an_answer_must_be_waited_for(self) -> None:
        rig = Rig()
        spi = rig.bench.open(SpiSettings(0, 0, 1, 1_900_000))
        with pytest.raises(TimingError, match="t6"):
            spi.exchange((0x01, 0, 0, 0))  # what one transfer alone does
        rig = Rig()
        spi = rig.bench.open(SpiSettings(0, 0, 1, 1_900_000))
        parts = (Part(b"\x10\x03", delay_us=7, is_last=False), Part(bytes(4)))
        # After reset: identity 3, MUX 01h, ADCON 20h, DRATE F0h (SBAS288K, register map)
        assert spi.exchange_parts(parts)[2:].hex() == "300120f0"

    def test_the_serial_clock_has_a_limit(self) -> None:
        spi = Rig().bench.open(SpiSettings(0, 0, 1, 2_000_000))  # a quarter of 7.68 MHz is 1.92
        with pytest.raises(TimingError):
            spi.exchange((0x0F,))


class TestReadings:
    @pytest.mark.parametrize(("gain", "volts"), [(1, 2.4), (1, -2.4), (2, -1.2), (64, 0.03)])
    def test_a_pair_has_both_signs(self, gain: int, volts: float) -> None:
        rig = Rig(
            lambda pin, _: {2: 2.5 + volts / 2, 5: 2.5 - volts / 2}.get(pin, 0.0),
            input="ain2-ain5", gain=gain,
        )  # fmt: skip
        info = rig.source.open()
        assert (info.inputs, info.full_scale_v) == (("ain2-ain5",), 5.0 / gain)
        # A code, and float32's 24 bits
        assert joined(rig.play(2)) == pytest.approx(volts, abs=2 * CODE_V / gain)
        rig.source.close()

    def test_an_input_against_ground_rests_in_the_middle(self) -> None:
        rig = Rig(lambda pin, _: 3.5 if pin == 0 else 0.0)
        info = rig.source.open()
        assert (info.full_scale_v, info.bandwidth_hz) == (2.5, 700.0)
        assert joined(rig.play(2)) == pytest.approx(1.0, abs=2 * CODE_V)
        rig.source.close()

    def test_every_conversion_comes_once_and_in_order(self) -> None:
        rig = Rig()
        rig.source.open()
        blocks = rig.play(20)
        assert sum(block.n_lost for block in blocks) == 0
        assert np.diff(joined(blocks)[2 * REACH :]) / CODE_V == pytest.approx(100.0, abs=3)
        rig.source.close()

    @pytest.mark.parametrize(
        ("rate_hz", "frequency_hz", "loss_db"),
        [(15000, 2500, 0.80), (7500, 2500, 2.05), (3750, 1000, 1.10)],
    )
    def test_the_filters_droop(self, rate_hz: float, frequency_hz: float, loss_db: float) -> None:
        """From the sums themselves: five moving sums of 64 at 1.92 MHz, then n at 30 kHz."""
        step = np.exp(-2j * math.pi * frequency_hz / 1.92e6)
        first = abs(np.mean(step ** np.arange(64))) ** 5
        later = np.exp(-2j * math.pi * frequency_hz / 30e3)
        average = abs(np.mean(later ** np.arange(round(30e3 / rate_hz))))
        gain = float(filter_response(rate_hz, np.array([frequency_hz / rate_hz]))[0])
        assert gain == pytest.approx(first * average, rel=1e-3)  # 64 instead of endlessly many
        assert -20 * math.log10(gain) == pytest.approx(loss_db, abs=0.01)

    def test_the_droop_is_undone(self) -> None:
        droop = float(filter_response(RATE_HZ, np.array([0.3]))[0])
        rig = Rig(
            lambda pin, t_s: 2.5 + droop * math.sin(2 * math.pi * 600 * t_s) if pin == 0 else 0.0
        )
        rig.source.open()
        got = joined(rig.play(12))[2 * REACH :][:400]  # whole turns
        assert np.sqrt(np.mean(got**2)) == pytest.approx(math.sqrt(0.5), rel=2e-4)
        rig.source.close()


class TestFaults:
    @pytest.mark.parametrize("pause_periods", [1.6, 5.3, 200.0])
    def test_a_pause_is_counted(self, pause_periods: float) -> None:
        rig = Rig()
        rig.source.open()
        before = rig.play(3)
        rig.clock.advance_s(pause_periods / RATE_HZ)
        blocks = [*before, *rig.play(8)]
        n_lost = sum(block.n_lost for block in blocks)
        assert pause_periods - 2 <= n_lost <= pause_periods + 2
        assert_whole(blocks)
        rig.source.close()

    def test_a_sample_replaced_while_it_is_read_is_left_out(self) -> None:
        """A wake 10 us before the next edge: the transfer of 30 us runs across it."""
        rig = Rig()
        wakes = iter([*[30e-6] * 60, 1 / RATE_HZ - 15e-6, *[30e-6] * 10_000])
        rig.source.open()
        rig.line.wake_s = lambda: next(wakes)
        blocks = rig.play(8)
        assert sum(block.n_lost for block in blocks) == 1
        assert_whole(blocks)
        rig.source.close()

    def test_a_reset_by_itself_sets_the_chip_up_again(self) -> None:
        """It would read another pin at another gain and rate."""
        rig = Rig(lambda pin, _: 2.0 if pin == 3 else 0.0, input="ain3", gain=2, bias_v=1.25)
        rig.source.open()
        before = rig.play(3)
        rig.chip.reset(rig.clock.monotonic_ns())
        blocks = [*before, *rig.play(10)]
        assert rig.chip.n_resets == 4  # power-up, open, by itself, set up again
        assert joined(blocks) == pytest.approx(0.75, abs=1e-5)
        n_lost = sum(block.n_lost for block in blocks)
        assert n_lost == pytest.approx(0.106 * RATE_HZ, abs=10)  # two waits: 5 and 100 ms
        rig.source.close()

    @pytest.mark.parametrize("line", [Line.LOW, Line.HIGH, Line.FLOATING])
    def test_a_stuck_line_is_noticed_when_opening_and_later(self, line: Line) -> None:
        rig = Rig()
        rig.bench.line = line
        with pytest.raises(SourceUnavailable, match="check wiring"):
            rig.source.open()
        assert rig.bench.n_open == 0
        rig.bench.line = Line.GOOD
        rig.source.open()
        rig.bench.line = line
        with pytest.raises(SourceFailed, match="check wiring"):
            rig.play(100)
        rig.bench.line = Line.GOOD
        rig.source.close()
        rig.source.open()
        assert rig.play(1)[0].first_index == 0
        rig.source.close()

    def test_a_brown_out_a_broken_wire_and_a_failing_bus_are_failures(self) -> None:
        rig = Rig()
        rig.source.open()
        rig.chip.is_dead = True
        with pytest.raises(SourceFailed, match="data-ready"):
            rig.play(20)
        rig.source.close()
        rig.chip.is_dead = False
        rig.chip.reset(rig.clock.monotonic_ns())
        rig.source.open()
        rig.line.is_cut = True
        with pytest.raises(SourceFailed, match="data-ready"):
            rig.play(20)
        rig.line.is_cut = False
        rig.bench.error = "Input/output error"
        with pytest.raises(SourceFailed, match="Input/output"):
            rig.source.read(0.1)
        rig.source.close()

    def test_unfit_options_are_refused(self) -> None:
        with pytest.raises(OptionError, match=r"bias_v: 2\.5 is not within .* ends at 2\.5"):
            Rig(gain=2, bias_v=2.5).source.open()
        for name in ("ain8", "ain1-ain1", "ain0-", "ch0", "ain0-ain1-ain2"):
            with pytest.raises(ValueError, match="must be ain0"):
                Rig(input=name)
