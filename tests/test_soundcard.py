"""The soundcard driver on a device made of numbers, and the high-pass undone against scipy's."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from drivers.clock import ManualClock
from drivers.errors import OptionError, SourceFailed, SourceUnavailable
from drivers.soundcard import HighPassInverse, SoundcardOptions, SoundcardSource
from drivers.source import Block
from tests.chips.soundcard import FakeAudio

Floats = NDArray[np.float64]


def tone(channel: int, t_s: Floats) -> Floats:
    return np.asarray((channel + 1) * np.sin(2 * np.pi * 50 * t_s))


def rig(**changes: object) -> tuple[SoundcardSource, FakeAudio, ManualClock]:
    table = {"name": "soundcard", "device": "wm8782", "full_scale_v": 3.0, "settle_s": 0.0}
    options = SoundcardOptions.model_validate({**table, **changes})
    clock = ManualClock()
    audio = FakeAudio(clock, tone, options.full_scale_v)
    return SoundcardSource(options, clock, audio), audio, clock


def play(source: SoundcardSource, n_blocks: int) -> list[Block]:
    blocks: list[Block] = []
    for _ in range(100 + 10 * n_blocks):
        block = source.read(0.1)
        if block is not None:
            blocks.append(block)
        if len(blocks) == n_blocks:
            return blocks
    raise AssertionError("no samples come")


def joined(blocks: list[Block]) -> Floats:
    return np.concatenate([block.volts for block in blocks]).astype(float)


def test_channels_come_in_volts_and_in_order() -> None:
    source, audio, _ = rig(inputs=["ch2", "ch1"])
    info = source.open()
    assert (info.sample_rate_hz, info.full_scale_v, info.inputs) == (48000.0, 3.0, ("ch2", "ch1"))
    assert audio.opened == [0]
    blocks = play(source, 10)
    t_s = 1000.0 + np.arange(len(joined(blocks))) / 48000
    # 24 bits of 3 V are 0.36 uV; float32 near 2 V has 0.12 uV
    assert joined(blocks)[:, 0] == pytest.approx(2 * np.sin(2 * np.pi * 50 * t_s), abs=1e-6)
    assert joined(blocks)[:, 1] == pytest.approx(np.sin(2 * np.pi * 50 * t_s), abs=1e-6)
    assert [block.n_lost for block in blocks] == [0] * 10
    source.close()
    source.close()
    assert audio.n_open == 0


def test_what_has_not_settled_is_not_given() -> None:
    source, _, clock = rig(settle_s=2.0)
    source.open()
    begin_ns = clock.monotonic_ns()
    assert play(source, 1)[0].first_index == 0
    assert (clock.monotonic_ns() - begin_ns) / 1e9 == pytest.approx(2.03, abs=0.03)
    source.close()


def test_a_busy_system_loses_nothing_for_half_a_second() -> None:
    source, _, clock = rig()
    source.open()
    before = play(source, 3)
    clock.advance_s(0.45)
    blocks = [*before, *play(source, 3)]
    assert sum(block.n_lost for block in blocks) == 0
    source.close()


def test_an_overflow_is_counted_by_the_time() -> None:
    source, _, clock = rig()
    source.open()
    before = play(source, 3)
    clock.advance_s(1.5)
    blocks = [*before, *play(source, 3)]
    # 1.5 s and the 20 ms being filled, of which the buffer kept 0.5 s
    assert sum(block.n_lost for block in blocks) == pytest.approx(1.0 * 48000, abs=48 * 25)
    end = 0
    for block in blocks:
        assert block.first_index == end + block.n_lost
        end = block.first_index + len(block.volts)
    assert end / 48000 == pytest.approx((clock.monotonic_ns() / 1e9) - 1000.0, abs=0.03)
    source.close()


@pytest.mark.parametrize(
    ("corner_hz", "gain_loss_pct", "lead_deg"), [(0.91, 0.017, 1.04), (3.7, 0.27, 4.23)]
)
def test_the_high_pass_is_undone(corner_hz: float, gain_loss_pct: float, lead_deg: float) -> None:
    """scipy filters as the input would; what comes back is the signal before it.

    A first order at 50 Hz: gain 1 / sqrt(1 + (fc/f)^2), lead atan(fc/f).
    """
    assert 100 * (1 - 1 / math.hypot(1, corner_hz / 50)) == pytest.approx(gain_loss_pct, rel=0.05)
    assert math.degrees(math.atan(corner_hz / 50)) == pytest.approx(lead_deg, abs=0.01)
    rate_hz = 16000.0
    t_s = np.arange(int(4 * rate_hz)) / rate_hz
    before = np.sin(2 * np.pi * 50 * t_s) * np.where((t_s > 2) & (t_s < 2.513), 0.4, 1.0)
    b, a = signal.bilinear([1.0, 0.0], [1.0, 2 * math.pi * corner_hz], fs=rate_hz)
    seen = signal.lfilter(b, a, before)
    inverse = HighPassInverse(corner_hz, rate_hz, 1)
    cuts = [100, 101, 9000, 30000]
    parts = [inverse.push(part[:, np.newaxis]) for part in np.split(seen, cuts)]
    back = np.concatenate(parts)[:, 0]
    # What remains is a high-pass of a twentieth: scipy's with that corner is the reference
    b, a = signal.bilinear([1.0, 0.0], [1.0, 2 * math.pi * corner_hz / 20], fs=rate_hz)
    assert back == pytest.approx(signal.lfilter(b, a, before), abs=1e-9)
    wrong = np.abs(seen - before)[len(t_s) // 2 :].max()
    assert np.abs(back - before)[len(t_s) // 2 :].max() < wrong / 10


class TestDevices:
    @pytest.mark.parametrize(
        ("device", "error", "says"),
        [
            ("default", OptionError, "fits sysdefault; default"),
            ("sysdefault", OptionError, "may resample"),
            ("hw:", OptionError, "fits Codec"),
            ("none such", SourceUnavailable, "there is Codec: wm8782"),
        ],
    )
    def test_only_one_straight_to_the_hardware_will_do(
        self, device: str, error: type[Exception], says: str
    ) -> None:
        source, audio, _ = rig(device=device)
        with pytest.raises(error, match=says):
            source.open()
        assert audio.n_open == 0

    def test_another_rate_is_refused(self) -> None:
        source, audio, _ = rig()
        audio.real_rate_hz = 44100.0
        with pytest.raises(OptionError, match="runs at 44100"):
            source.open()
        assert audio.n_open == 0

    def test_the_package_is_asked_for_only_when_opened(self) -> None:
        options = SoundcardOptions.model_validate(
            {"name": "soundcard", "device": "no such device anywhere", "full_scale_v": 3.0}
        )
        with pytest.raises(SourceUnavailable):
            SoundcardSource(options, ManualClock()).open()


class TestFaults:
    def test_a_device_that_goes_away_is_a_failure_and_can_come_back(self) -> None:
        source, audio, _ = rig()
        source.open()
        play(source, 1)
        audio.error = "Unanticipated host error"
        with pytest.raises(SourceFailed, match="host error"):
            source.read(0.1)
        source.close()
        with pytest.raises(SourceUnavailable, match="host error"):
            source.open()
        audio.error = None
        source.open()
        assert play(source, 1)[0].first_index == 0
        source.close()

    def test_a_device_in_use_is_let_go(self) -> None:
        source, audio, _ = rig()
        audio.is_busy = True
        with pytest.raises(SourceUnavailable, match="wm8782: Device unavailable"):
            source.open()
        assert audio.n_open == 0

    def test_a_device_that_stalls_is_a_failure(self) -> None:
        source, audio, _ = rig()
        source.open()
        play(source, 1)
        audio.is_stalled = True
        with pytest.raises(SourceFailed, match="nothing for 2 s"):
            play(source, 1)
        source.close()
