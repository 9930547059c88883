"""The chip models against frames and numbers published for the chips."""

import binascii

import numpy as np
import pytest

from drivers.clock import ManualClock
from drivers.errors import SourceFailed
from drivers.spi import Part, SpiSettings
from tests.chips.ads131 import Ads131Chip
from tests.chips.bench import Bench, BenchSpi, Chip, Line, TimingError, steady
from tests.chips.mcp import McpChip


def bus(chip: Chip, speed_hz: int, mode: int, pause_s: float = 1e-6) -> tuple[BenchSpi, Bench]:
    bench = Bench(chip, ManualClock(), steady(0.0), steady(pause_s))
    return bench.open(SpiSettings(0, 0, mode, speed_hz)), bench


def mcp(name: str, code: int) -> McpChip:
    """A chip whose input 5, and the difference of input 0 to 1, is in the middle of a code."""
    span = 1024 if name == "mcp3008" else 4096
    return McpChip(name, lambda pin, _: (code + 0.5) / span if pin in (0, 5) else 0.0, 1.0)


class TestMcp:
    @pytest.mark.parametrize(
        ("name", "sent", "mask", "code"),
        [  # frames and masks: gpiozero 2.0.1 spi_devices.py; DS21697F for the last two
            ("mcp3008", (0x01, 0xD0, 0x00), 0x7FF, 0x2A5),
            ("mcp3208", (0x07, 0x40, 0x00), 0x1FFF, 0xA5C),
            ("mcp3304", (0x0E, 0x80, 0x00), 0x3FFF, 0xA5C),
            ("mcp3304", (0x08, 0x00, 0x00), 0x3FFF, 0xA5C),
            ("mcp3304", (0x08, 0x80, 0x00), 0x3FFF, 0x2000 - 0xA5D),  # channel 1 against 0
        ],
    )
    @pytest.mark.parametrize("mode", [0, 3])
    def test_known_frames_give_the_code_behind_a_null_bit(
        self, name: str, sent: tuple[int, ...], mask: int, code: int, mode: int
    ) -> None:
        volts_code = 0xA5C if code > 0x1000 else code
        spi, _ = bus(mcp(name, volts_code), 1_000_000, mode)
        answers = [int.from_bytes(spi.exchange(sent), "big") for _ in range(200)]
        assert {answer & mask for answer in answers} == {code}
        # What is not driven is not reliable: the bits before the null bit differ from call to call
        assert len({answer >> mask.bit_length() for answer in answers}) > 4

    def test_the_answer_goes_on_lowest_bit_first_and_ends_in_zeros(self) -> None:
        """DS21295D figure 5-2: B9 ... B0, then B1 ... B9, then zeros."""
        spi, _ = bus(mcp("mcp3008", 0b1100000110), 1_000_000, 0)
        answer = int.from_bytes(spi.exchange((0x01, 0xD0, 0, 0, 0)), "big")
        assert answer & ((1 << 27) - 1) == 0b0_1100000110_110000011 << 7

    def test_leading_zeros_only_delay(self) -> None:
        spi, _ = bus(mcp("mcp3208", 1234), 1_000_000, 0)
        answer = int.from_bytes(spi.exchange((0x00, 0x07, 0x40, 0x00)), "big")
        assert answer & 0x1FFF == 1234

    def test_a_wrong_mode_reads_one_bit_late(self) -> None:
        spi, _ = bus(mcp("mcp3208", 0xFFF), 1_000_000, 1)
        assert int.from_bytes(spi.exchange((0x07, 0x40, 0x00)), "big") & 0xFFF == 0x7FF

    def test_a_clock_too_fast_or_too_slow_is_an_error(self) -> None:
        for speed_hz in (2_100_000, 9_000):  # 12 bits at 9 kHz: 1.3 ms, beyond 1.2 ms
            spi, _ = bus(mcp("mcp3208", 0), speed_hz, 0)
            with pytest.raises(TimingError):
                spi.exchange((0x07, 0x40, 0x00))

    def test_select_must_be_high_for_a_while(self) -> None:
        spi, _ = bus(mcp("mcp3208", 0), 1_000_000, 0, pause_s=0.0)
        spi.exchange((0, 0))
        with pytest.raises(TimingError, match="chip select high"):
            spi.exchange((0, 0))  # no time at all passes between the two calls here
        frame = Part(bytes((0x07, 0x40, 0x00)))
        spi, _ = bus(mcp("mcp3208", 0), 1_000_000, 0, pause_s=0.0)
        assert len(spi.exchange_parts((frame, frame))) == 6  # the kernel's 10 us

    def test_the_input_is_held_between_its_two_clocks(self) -> None:
        """DS21298: acquired until the falling edge of the fifth clock after the start bit."""
        chip = mcp("mcp3208", 0)
        spi, bench = bus(chip, 1_000_000, 0)
        begin_s = bench.clock.monotonic_ns() / 1e9
        spi.exchange((0x07, 0x40, 0x00))
        assert chip.held_s[0] - begin_s == pytest.approx(11e-6, abs=2e-9)  # clock 11 of the frame


def words(data: str) -> tuple[int, ...]:
    """Frame from hexadecimal, filled up with zeros to the 18 bytes of an ADS131M04."""
    return tuple(bytes.fromhex(data).ljust(18, b"\0"))


class TestAds131:
    """Commands and replies: SBAS889A table 8-11; the frames are worked from it."""

    def m04(self, volts: float = 0.0) -> tuple[BenchSpi, Bench, Ads131Chip]:
        chip = Ads131Chip(4, lambda channel, _: volts * (channel + 1), on_ns=1e12)
        spi, bench = bus(chip, 8_000_000, 1)
        bench.clock.advance_s(1e-3)
        return spi, bench, chip

    def test_the_check_word_of_a_real_frame(self) -> None:
        """A frame of a real ADS131M04 shown in Texas Instruments' forum: register 02h's reply."""
        assert binascii.crc_hqx(bytes.fromhex("810000" + "000000" * 4), 0xFFFF) == 0xB42D
        assert binascii.crc_hqx(b"123456789", 0xFFFF) == 0x29B1  # the CRC's own check value

    def test_the_first_frame_tells_the_reset_and_the_second_the_status(self) -> None:
        spi, _, _ = self.m04()
        assert spi.exchange(words("")).hex()[:6] == "ff2400"
        # Status 0500h and zeros: check word 7B8Dh, by an implementation of the CRC of another hand
        assert spi.exchange(words("")).hex() == "050000" + "000000" * 4 + "7b8d00"

    def test_registers_answer_one_frame_later(self) -> None:
        spi, _, _ = self.m04()
        spi.exchange(words("6180000f0a00"))  # CLOCK: all on, OSR 512, high resolution
        assert spi.exchange(words("a18000")).hex()[:6] == "418000"
        assert spi.exchange(words("a00100")).hex()[:6] == "0f0a00"
        reply = spi.exchange(words(""))  # two registers at once: no samples in that frame
        assert reply.hex()[:18] == "e00100" + "240000" + "050000"

    @pytest.mark.parametrize(("code", "rate_hz"), [(0, 32e3), (1, 16e3), (2, 8e3), (3, 4e3)])
    def test_rates_follow_from_the_clock(self, code: int, rate_hz: float) -> None:
        spi, _, chip = self.m04()
        spi.exchange(words(f"61800003{code << 2 | 2:02x}00"))
        first_ns = chip.next_ready_ns()
        assert first_ns is not None
        chip.convert()
        second_ns = chip.next_ready_ns()
        assert second_ns is not None
        assert second_ns - first_ns == pytest.approx(1e9 / rate_hz)

    def test_two_samples_are_kept_and_the_flags_say_so(self) -> None:
        spi, _, chip = self.m04(volts=0.15)  # an eighth of 1.2 V: code 100000h
        spi.exchange(words(""))
        for _ in range(3):
            chip.convert()
        replies = [spi.exchange(words("")).hex()[:12] for _ in range(3)]
        assert replies == ["050f00" + "100000"] * 2 + ["050000" + "100000"]

    def test_a_short_frame_does_not_reset_and_a_locked_chip_obeys_nothing(self) -> None:
        spi, bench, chip = self.m04()
        spi.exchange((0x00, 0x11, 0x00))
        assert chip.n_resets == 1
        spi.exchange(words("055500"))
        spi.exchange(words("001100"))
        assert chip.n_resets == 1
        spi.exchange(words("065500"))
        spi.exchange(words("001100"))
        assert chip.n_resets == 2
        with pytest.raises(AssertionError, match="5 us after a reset"):
            spi.exchange(words(""))
        bench.clock.advance_s(5e-6)
        assert spi.exchange(words("")).hex()[:6] == "ff2400"

    def test_a_clock_beyond_25_mhz_is_an_error(self) -> None:
        spi, bench = bus(Ads131Chip(2, lambda channel, _: 0.0, on_ns=1e12), 26_000_000, 1)
        bench.clock.advance_s(1e-3)
        with pytest.raises(TimingError):
            spi.exchange((0,) * 12)


class TestBench:
    @pytest.mark.parametrize(("line", "byte"), [(Line.LOW, 0), (Line.HIGH, 255)])
    def test_a_stuck_line_reads_the_same_whatever_the_chip_says(
        self, line: Line, byte: int
    ) -> None:
        spi, bench = bus(mcp("mcp3208", 1234), 1_000_000, 0)
        bench.line = line
        assert spi.exchange((0x07, 0x40, 0x00)) == bytes([byte] * 3)

    def test_a_floating_line_reads_anything(self) -> None:
        spi, bench = bus(mcp("mcp3208", 1234), 1_000_000, 0)
        bench.line = Line.FLOATING
        bits = np.unpackbits(np.frombuffer(spi.exchange((0,) * 100), dtype=np.uint8))
        assert 300 < bits.sum() < 500  # 800 fair bits: 400 +- 14, five deviations are 71

    def test_a_failing_bus_fails_until_it_is_mended(self) -> None:
        spi, bench = bus(mcp("mcp3208", 1234), 1_000_000, 0)
        bench.error = "Input/output error"
        with pytest.raises(SourceFailed, match="Input/output"):
            spi.exchange((0,))
        bench.error = None
        assert len(spi.exchange((0,))) == 1

    def test_time_passes_as_the_bits_and_the_system_take_it(self) -> None:
        bench = Bench(mcp("mcp3208", 0), ManualClock(), steady(10e-6), steady(20e-6))
        spi = bench.open(SpiSettings(0, 0, 0, 1_000_000))
        begin_ns = bench.clock.monotonic_ns()
        spi.exchange_parts((Part(b"\0\0\0"), Part(b"\0\0\0", delay_us=5)))
        # 10 + 24 + 10 (select high) + 24 + 5 + 20 microseconds
        assert bench.clock.monotonic_ns() - begin_ns == pytest.approx(93_000, abs=2)
