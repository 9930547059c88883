"""The MCP3x0x driver on chip models, even samples from uneven ones, and what the jitter forbids."""

import itertools
import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.interpolate import KroghInterpolator

from drivers.clock import ManualClock
from drivers.errors import OptionError, SourceFailed, SourceUnavailable
from drivers.mcp320x import CHIPS, Mcp320xOptions, Mcp320xSource, selection_of
from drivers.resample import FLAT_SHARE, GridResampler, interpolate
from drivers.source import Block
from tests.chips.bench import Bench, Line, jittery, steady
from tests.chips.mcp import McpChip

Floats = NDArray[np.float64]
VREF_V = 3.3
AMPLITUDE_V = 1.2
LSB_V = VREF_V / 4096


class LateClock(ManualClock):
    """Wakes up late, as an operating system does."""

    def __init__(self, late_s: float) -> None:
        super().__init__()
        self._late_s = late_s
        self._random = np.random.default_rng(3)

    def sleep_s(self, duration_s: float) -> None:
        if duration_s > 0:
            self.advance_s(duration_s + abs(float(self._random.normal(0.0, self._late_s))))


def mains(pin: int, t_s: float) -> float:
    """50 Hz around the middle; each pin a third of a turn after the one before."""
    return VREF_V / 2 + AMPLITUDE_V * math.sin(2 * math.pi * (50 * t_s - pin / 3))


def options(**changes: object) -> Mcp320xOptions:
    table = {"name": "mcp320x", "chip": "mcp3208", "vref_v": VREF_V, **changes}
    return Mcp320xOptions.model_validate(table)


def bench_for(
    chosen: Mcp320xOptions,
    clock: ManualClock | None = None,
    volts: Callable[[int, float], float] = mains,
) -> tuple[Mcp320xSource, Bench]:
    bench = Bench(McpChip(chosen.chip, volts, chosen.vref_v), clock or ManualClock())
    return Mcp320xSource(chosen, bench.clock, bench.open), bench


def play(source: Mcp320xSource, n_blocks: int) -> list[Block]:
    blocks: list[Block] = []
    while len(blocks) < n_blocks:
        block = source.read(0.1)
        assert block is not None
        blocks.append(block)
    return blocks


def joined(blocks: list[Block]) -> Floats:
    return np.concatenate([block.volts for block in blocks]).astype(float)


def sine_fit(values: Floats, rate_hz: float) -> tuple[float, float, float]:
    """Amplitude, phase in turns and rms residual of 50 Hz by least squares, with a constant."""
    turns = 2 * np.pi * 50 * np.arange(len(values)) / rate_hz
    base = np.stack([np.cos(turns), np.sin(turns), np.ones(len(values))], axis=1)
    fitted, *_ = np.linalg.lstsq(base, values, rcond=None)
    residual = float(np.sqrt(np.mean((base @ fitted - values) ** 2)))
    phase = math.atan2(fitted[0], fitted[1]) / (2 * math.pi)
    return float(np.hypot(fitted[0], fitted[1])), phase, residual


class TestFrames:
    @pytest.mark.parametrize(
        ("chip", "name", "frame"),
        [  # gpiozero 2.0.1 spi_devices.py gives the same bytes for its MCP classes
            ("mcp3008", "ch5", "01d000"),
            ("mcp3208", "ch5", "074000"),
            ("mcp3304", "ch5", "0e8000"),
            ("mcp3304", "ch0-ch1", "080000"),
            ("mcp3208", "ch3-ch2", "04c000"),
        ],
    )
    def test_requests(self, chip: str, name: str, frame: str) -> None:
        assert CHIPS[chip].request(selection_of(name)).hex() == frame

    def test_hold_clocks(self) -> None:
        """Counted in the data sheets' figures from select low: 13, 11 and 10."""
        found = [CHIPS[name].hold_clock for name in ("mcp3008", "mcp3208", "mcp3304")]
        assert found == [13, 11, 10]

    @pytest.mark.parametrize("name", ["ch8", "5", "ch0-ch2", "ch1-ch2", "ch0-", "CH0", ""])
    def test_other_names_are_refused(self, name: str) -> None:
        with pytest.raises(ValueError, match="ch0 to ch7"):
            options(inputs=[name])


class TestReadings:
    @pytest.mark.parametrize("chip", CHIPS)
    def test_a_steady_voltage_comes_back_within_a_code(self, chip: str) -> None:
        chosen = options(chip=chip, vref_v=5.0)
        source, _ = bench_for(chosen, volts=lambda pin, _: 3.7)
        info = source.open()
        volts = joined(play(source, 1))
        lsb_v = 5.0 / (1024 if info.bits == 10 else 4096)
        assert np.all(volts <= 3.7 - 2.5 + 1e-6)  # a code stands for what is at or above it
        assert np.all(volts > 3.7 - 2.5 - lsb_v - 1e-6)
        assert info.full_scale_v == 2.5  # from the middle to either end
        source.close()

    @pytest.mark.parametrize("volts", [-4.2, 4.2])
    def test_a_differential_pair_has_both_signs(self, volts: float) -> None:
        chosen = options(chip="mcp3304", vref_v=5.0, inputs=["ch0-ch1"])
        source, _ = bench_for(chosen, volts=lambda pin, _: volts if pin == 0 else 0.0)
        assert source.open().full_scale_v == 5.0
        assert joined(play(source, 1)) == pytest.approx(volts, abs=5 / 4096)
        source.close()

    def test_late_wakes_do_not_show(self) -> None:
        """50 us rms on the instants would leave 36 dB, 0.013 V here; what is left is the rounding
        of the converter, LSB / sqrt(12) = 0.23 mV, and as much again for its interpolation."""
        source, _ = bench_for(options(), LateClock(50e-6))
        info = source.open()
        amplitude_v, _, residual_v = sine_fit(joined(play(source, 25))[:, 0], info.sample_rate_hz)
        assert amplitude_v == pytest.approx(AMPLITUDE_V, rel=2e-4)  # five deviations of the fit
        assert residual_v < 2 * LSB_V / math.sqrt(12)
        assert info.jitter_s < 0.1e-6
        assert info.bandwidth_hz == 500.0  # an eighth of 4 kS/s
        source.close()

    def test_inputs_in_turn_come_out_at_common_instants(self) -> None:
        """36 us between the inputs would show as 0.65 degrees."""
        chosen = options(inputs=["ch0", "ch1", "ch3"])
        source, _ = bench_for(chosen)
        info = source.open()
        assert (info.inputs, info.is_simultaneous) == (("ch0", "ch1", "ch3"), False)
        volts = joined(play(source, 25))
        phases = [sine_fit(volts[:, column], 4000.0)[1] for column in range(3)]
        assert (phases[0] - phases[1]) % 1 == pytest.approx(1 / 3, abs=1e-4)  # 0.04 degrees
        assert (phases[0] - phases[2] + 0.5) % 1 == pytest.approx(0.5, abs=1e-4)
        source.close()

    def test_a_stall_loses_what_it_covers_and_no_more(self) -> None:
        source, bench = bench_for(options())
        source.open()
        before = play(source, 5)
        bench.clock.advance_s(0.05)
        after = play(source, 5)
        blocks = [*before, *after]
        lost = [block.n_lost for block in blocks if block.n_lost]
        assert len(lost) == 1
        assert lost[0] == pytest.approx(0.05 * 4000, abs=4)  # part of a period on either side
        for earlier, later in itertools.pairwise(blocks):
            expected = earlier.first_index + len(earlier.volts) + later.n_lost
            assert later.first_index == expected
        # The numbering goes on where the time does: the phase is that of one unbroken sine.
        phases = []
        for part in (before, after):
            turns = 50 * part[0].first_index / 4000
            phases.append(sine_fit(joined(part)[:, 0], 4000.0)[1] - turns)
        assert (phases[0] - phases[1] + 0.5) % 1 == pytest.approx(0.5, abs=2e-4)
        source.close()

    def test_one_late_scan_is_bridged(self) -> None:
        source, bench = bench_for(options())
        source.open()
        play(source, 2)
        bench.clock.advance_s(0.0006)  # two periods of 250 us missed
        assert all(block.n_lost == 0 for block in play(source, 3))
        source.close()

    def test_an_interrupted_scan_is_left_out(self) -> None:
        """Where the 300 us went, before or after the hold instant, nobody can know."""
        delays = iter([*[10e-6] * 460, 300e-6, *[10e-6] * 10_000])
        chosen = options()
        bench = Bench(McpChip("mcp3208", mains, VREF_V), ManualClock(), delays, steady(10e-6))
        source = Mcp320xSource(chosen, bench.clock, bench.open)
        source.open()
        blocks = play(source, 10)
        _, _, residual_v = sine_fit(joined(blocks)[:, 0], 4000.0)
        assert residual_v < 2 * LSB_V / math.sqrt(12)
        assert sum(block.n_lost for block in blocks) == 0
        source.close()


class TestJitter:
    def test_measured_jitter_narrows_the_bandwidth(self) -> None:
        """Half of 12 us counts: 0.05 / 6 us = 8 kHz is still above an eighth of the rate."""
        bench = Bench(
            McpChip("mcp3208", mains, VREF_V), ManualClock(), jittery(4, 60e-6, 12e-6), steady(0.0)
        )
        source = Mcp320xSource(options(), bench.clock, bench.open)
        info = source.open()
        # A normal distribution cut 40 us above its middle, 3.3 deviations: nothing changes.
        assert info.jitter_s == pytest.approx(6e-6, rel=0.15)  # 400 scans: 3.5 % rms
        assert info.bandwidth_hz == 500.0
        source.close()

    def test_large_jitter_is_told(self) -> None:
        bench = Bench(
            McpChip("mcp3208", mains, VREF_V),
            ManualClock(),
            jittery(5, 1.5e-3, 0.8e-3),
            steady(0.0),
        )
        source = Mcp320xSource(options(), bench.clock, bench.open)
        info = source.open()
        assert info.bandwidth_hz == pytest.approx(0.05 / info.jitter_s)
        assert info.bandwidth_hz < 500.0
        source.close()

    def test_an_eighth_of_the_rate_is_flat_within_one_per_cent(self) -> None:
        """Worst half-way: (9 cos(pi f/fs) - cos(3 pi f/fs)) / 8 from the Lagrange weights."""
        x = math.pi * FLAT_SHARE
        assert (9 * math.cos(x) - math.cos(3 * x)) / 8 == pytest.approx(0.9915, abs=1e-4)


class TestResampling:
    def test_interpolation_is_that_of_scipy(self) -> None:
        """Through four points there is one cubic; scipy builds it by divided differences."""
        random = np.random.default_rng(6)
        t_s = np.cumsum(random.uniform(0.5, 1.5, 40))
        values = random.normal(size=40)
        wanted_s = np.linspace(t_s[0], t_s[-1], 500)[1:-1]
        ours = interpolate(t_s, values, wanted_s)
        for one, got in zip(wanted_s, ours, strict=True):
            start = min(max(int(np.searchsorted(t_s, one)) - 2, 0), 36)
            cubic = KroghInterpolator(t_s[start : start + 4], values[start : start + 4])
            assert got == pytest.approx(float(cubic(one)), abs=1e-9)

    @pytest.mark.parametrize("seed", range(5))
    def test_any_split_gives_the_same_samples(self, seed: int) -> None:
        random = np.random.default_rng(seed)
        t_s = np.cumsum(random.uniform(0.8e-3, 1.2e-3, 500))
        t_s[200:] += 0.02
        scans_s = np.stack([t_s, t_s + 0.2e-3], axis=1)
        values = random.normal(size=(500, 2))
        whole = GridResampler(1000.0, 2, 3e-3).push(scans_s, values)
        pieces: list[Block] = []
        resampler = GridResampler(1000.0, 2, 3e-3)
        cuts = np.sort(random.integers(0, 500, 60))
        for part_s, part in zip(np.split(scans_s, cuts), np.split(values, cuts), strict=True):
            pieces += resampler.push(part_s, part)
        assert np.array_equal(joined(whole), joined(pieces))
        n_lost = sum(block.n_lost for block in pieces)
        assert n_lost == sum(block.n_lost for block in whole)
        assert n_lost == pytest.approx(21, abs=1)  # 20 ms, a period, and part of another

    def test_too_few_samples_between_two_stalls_are_lost_with_them(self) -> None:
        t_s = np.concatenate([np.arange(10), [20, 21], np.arange(40, 50)])[:, np.newaxis] * 1e-3
        blocks = GridResampler(1000.0, 1, 3e-3).push(t_s, np.ones_like(t_s))
        assert [(block.first_index, block.n_lost) for block in blocks] == [(0, 0), (40, 30)]


class TestFaults:
    @pytest.mark.parametrize("line", [Line.LOW, Line.HIGH, Line.FLOATING])
    def test_a_silent_chip_is_noticed_when_opening_and_later(self, line: Line) -> None:
        source, bench = bench_for(options())
        bench.line = line
        with pytest.raises(SourceUnavailable, match="does not answer"):
            source.open()
        assert bench.n_open == 0
        bench.line = Line.GOOD
        source.open()
        play(source, 2)
        bench.line = line
        with pytest.raises(SourceFailed, match="does not answer"):
            play(source, 3)
        bench.line = Line.GOOD
        source.close()
        source.open()
        assert play(source, 1)[0].first_index == 0
        source.close()

    def test_a_failing_bus_is_a_failed_source(self) -> None:
        source, bench = bench_for(options())
        source.open()
        bench.error = "Input/output error"
        with pytest.raises(SourceFailed, match="Input/output"):
            source.read(0.1)
        source.close()
        assert bench.n_open == 0

    def test_every_unfit_option_is_told_at_once(self) -> None:
        chosen = options(
            chip="mcp3204", inputs=["ch0", "ch5"], speed_hz=3_000_000, bias_v=4.0,
            sample_rate_hz=10_000,
        )  # fmt: skip
        source, bench = bench_for(chosen)
        with pytest.raises(OptionError) as caught:
            source.open()
        for words in ("mcp3204 has no ch5", "at most 2000000", "below vref_v"):
            assert words in str(caught.value)
        assert bench.n_open == 0

    def test_more_scans_than_the_wire_can_carry_are_refused(self) -> None:
        names = [f"ch{n}" for n in range(8)]
        source, _ = bench_for(options(inputs=names, sample_rate_hz=4000))
        # 8 frames of 24 bits at 1.2 MHz and 7 pauses of 10 us: 230 us of 250 us
        with pytest.raises(OptionError, match="takes 230 microseconds on the wire"):
            source.open()
