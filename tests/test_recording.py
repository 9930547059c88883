"""The recording driver: options, blocks, lost samples, pace, and memory."""

import tracemalloc
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from pydantic import ValidationError

from drivers.clock import ManualClock
from drivers.errors import OptionError, SourceEnded, SourceFailed
from drivers.recording import RecordingOptions, RecordingSource
from drivers.registry import find_driver
from drivers.source import Block

RATE_HZ = 8000


def write_wav(path: Path, values: NDArray[np.float64], rate_hz: int = RATE_HZ) -> Path:
    soundfile.write(path, values, rate_hz, subtype="DOUBLE")
    return path


def options_for(path: Path, **given: object) -> RecordingOptions:
    if path.suffix.lower() == ".wav":
        given = {"full_scale_v": 1.0, **given}
    return RecordingOptions.model_validate({"name": "recording", "path": path, **given})


def play(source: RecordingSource) -> list[Block]:
    """Every block to the end, checking that the numbering has no holes but the counted ones."""
    blocks: list[Block] = []
    expected = 0
    while True:
        try:
            block = source.read(1.0)
        except SourceEnded:
            return blocks
        assert block is not None
        assert block.first_index == expected + block.n_lost
        assert block.volts.dtype == np.float32
        assert not block.volts.flags.writeable
        expected = block.first_index + len(block.volts)
        blocks.append(block)


def test_is_found_by_name_and_is_no_hardware() -> None:
    assert find_driver("recording") is RecordingSource
    assert not RecordingSource.is_hardware
    assert RecordingSource.Options is RecordingOptions


def test_wav_plays_to_its_end(tmp_path: Path) -> None:
    values = np.random.default_rng(1).uniform(-1, 1, (10_001, 2))
    path = write_wav(tmp_path / "a.wav", values)
    source = RecordingSource(options_for(path, full_scale_v=800), ManualClock())
    info = source.open()
    assert info.sample_rate_hz == RATE_HZ
    assert info.inputs == ("ch1", "ch2")
    assert info.full_scale_v == 800.0
    assert info.bandwidth_hz == 4000.0
    assert info.n_samples == 10_001
    assert info.is_simultaneous
    assert not info.is_live
    assert info.start_utc_s is None
    blocks = play(source)
    expected_v = (values * 800).astype(np.float32)
    np.testing.assert_array_equal(np.concatenate([b.volts for b in blocks]), expected_v)
    with pytest.raises(SourceEnded):
        source.read(1.0)
    source.close()


@pytest.mark.parametrize("suffix", [".WAV", ".Wav"])
def test_suffix_in_any_case(tmp_path: Path, suffix: str) -> None:
    path = write_wav(tmp_path / "a.wav", np.zeros((100, 1))).rename(tmp_path / f"b{suffix}")
    source = RecordingSource(options_for(path), ManualClock())
    assert source.open().n_samples == 100
    source.close()


def test_inputs_choose_and_order_columns(tmp_path: Path) -> None:
    values = np.tile([0.1, 0.2, 0.3], (100, 1))
    path = write_wav(tmp_path / "a.wav", values)
    source = RecordingSource(options_for(path, inputs=["ch3", "ch1"]), ManualClock())
    assert source.open().inputs == ("ch3", "ch1")
    np.testing.assert_array_equal(play(source)[0].volts[0], np.array([0.3, 0.1], np.float32))
    source.close()


@pytest.mark.parametrize(
    ("inputs", "reason"),
    [
        (["ch4", "ch1", "L1"], r"ch4, L1 is not in the recording; its voltages are ch1, ch2$"),
        (["ch1", "ch1"], "names a column twice"),
    ],
)
def test_wrong_inputs_are_refused(tmp_path: Path, inputs: list[str], reason: str) -> None:
    path = write_wav(tmp_path / "a.wav", np.zeros((100, 2)))
    source = RecordingSource(options_for(path, inputs=inputs), ManualClock())
    with pytest.raises(OptionError, match=reason):
        source.open()
    with pytest.raises(SourceFailed):
        source.read(0.0)


def test_values_not_finite_are_lost_samples(tmp_path: Path) -> None:
    values = np.arange(9000.0)[:, None] * [1e-4, 1e-5]
    for row, column, bad in [(0, 0, np.nan), (1, 1, np.inf), (700, 1, -np.inf), (8999, 0, np.nan)]:
        values[row, column] = bad
    values[3990:4010] = np.nan  # over the border between two blocks of half a second
    path = write_wav(tmp_path / "a.wav", values)
    source = RecordingSource(options_for(path), ManualClock())
    source.open()
    blocks = play(source)
    source.close()
    is_good = np.isfinite(values).all(axis=1)
    index = np.concatenate([b.first_index + np.arange(len(b.volts)) for b in blocks])
    np.testing.assert_array_equal(index, np.flatnonzero(is_good))
    np.testing.assert_array_equal(
        np.concatenate([b.volts for b in blocks]), values[is_good].astype(np.float32)
    )
    assert [(b.first_index, b.n_lost) for b in blocks if b.n_lost] == [
        (2, 2),
        (701, 1),
        (4010, 20),
        (9000, 1),
    ]
    assert blocks[-1].volts.shape == (0, 2)


def test_value_beyond_float32_is_lost(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "a.wav", np.array([[0.5], [1e300], [0.25]]))
    source = RecordingSource(options_for(path, full_scale_v=10), ManualClock())
    source.open()
    assert [(b.first_index, b.n_lost) for b in play(source)] == [(0, 0), (2, 1)]
    source.close()


def test_realtime_keeps_the_pace_of_the_clock(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "a.wav", np.zeros((RATE_HZ, 1)))
    clock = ManualClock()
    source = RecordingSource(options_for(path, pace="realtime"), clock)
    assert source.open().is_live
    start_ns = clock.monotonic_ns()
    for number in range(1, 51):
        block = source.read(1.0)
        assert block is not None
        assert len(block.volts) == 160  # 20 ms
        # 20 ms a block, to the nanosecond that the manual clock rounds to
        assert clock.monotonic_ns() - start_ns == pytest.approx(number * 20e6, abs=100)
    with pytest.raises(SourceEnded):
        source.read(1.0)
    source.close()


def test_realtime_read_honours_its_timeout(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "a.wav", np.zeros((RATE_HZ, 1)))
    clock = ManualClock()
    source = RecordingSource(options_for(path, pace="realtime"), clock)
    source.open()
    start_ns = clock.monotonic_ns()
    assert source.read(0.0) is None
    assert clock.monotonic_ns() == start_ns
    assert source.read(0.015) is None
    assert clock.monotonic_ns() - start_ns == 15_000_000
    block = source.read(0.015)
    assert block is not None
    assert block.first_index == 0
    assert clock.monotonic_ns() - start_ns == 20_000_000
    source.close()


def test_late_realtime_reader_catches_up(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "a.wav", np.zeros((RATE_HZ, 1)))
    clock = ManualClock()
    source = RecordingSource(options_for(path, pace="realtime"), clock)
    source.open()
    clock.advance_s(10.0)
    late_ns = clock.monotonic_ns()
    assert sum(len(block.volts) for block in play(source)) == RATE_HZ
    assert clock.monotonic_ns() == late_ns
    source.close()


def test_close_twice_use_after_close_and_open_again(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "a.wav", np.zeros((100, 1)))
    source = RecordingSource(options_for(path), ManualClock())
    with pytest.raises(SourceFailed, match="not open"):
        source.read(0.0)
    source.open()
    play(source)
    source.close()
    source.close()
    with pytest.raises(SourceFailed, match="not open"):
        source.read(0.0)
    source.open()
    assert play(source)[0].first_index == 0
    source.close()


def test_unknown_suffix_is_refused(tmp_path: Path) -> None:
    source = RecordingSource(options_for(tmp_path / "a.mp3"), ManualClock())
    with pytest.raises(OptionError, match=r"a\.mp3 is no known kind of recording \(\.wav, \.cfg"):
        source.open()


@pytest.mark.parametrize(
    ("given", "key", "reason"),
    [
        ({"path": "a.wav"}, "full_scale_v", "is needed for a WAV file"),
        ({"path": "a.wav", "full_scale_v": 0}, "full_scale_v", "greater than 0"),
        ({"path": "a.wav", "full_scale_v": float("inf")}, "full_scale_v", "finite"),
        ({"path": "a.CFG", "full_scale_v": 800}, "full_scale_v", "WAV files only"),
        ({"path": "a.cfg", "inputs": []}, "inputs", "at least 1"),
        ({"path": "a.cfg", "pace": "slow"}, "pace", "realtime"),
        ({"path": "a.cfg", "start_utc": "2026-03-01T12:00:00"}, "start_utc", "no time zone"),
        ({"path": "a.cfg", "start_utc": datetime(2026, 3, 1)}, "start_utc", "no time zone"),  # noqa: DTZ001
        ({"path": "a.cfg", "speed": 2}, "speed", "not permitted"),
    ],
)
def test_wrong_options_name_their_key(given: dict[str, object], key: str, reason: str) -> None:
    with pytest.raises(ValidationError) as caught:
        RecordingOptions.model_validate({"name": "recording", **given})
    assert [(fault["loc"], reason in fault["msg"]) for fault in caught.value.errors()] == [
        ((key,), True)
    ]


def test_relative_path_starts_at_the_folder_of_the_configuration() -> None:
    options = RecordingOptions.model_validate(
        {"name": "recording", "path": "data/a.cfg"}, context={"base_dir": Path("/etc/site")}
    )
    assert options.path == Path("/etc/site/data/a.cfg")


def test_start_of_a_wav_is_the_one_given(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "a.wav", np.zeros((100, 1)))
    at_noon = datetime(2026, 3, 1, 12, tzinfo=timezone(timedelta(hours=1)))
    source = RecordingSource(options_for(path, start_utc=at_noon), ManualClock())
    # 11:00 UTC; 20 513 days from 1970-01-01 to 2026-03-01 (Gregorian calendar)
    assert source.open().start_utc_s == 20_513 * 86_400 + 11 * 3600
    assert at_noon.astimezone(UTC).hour == 11
    source.close()


def test_ten_minutes_are_streamed_in_little_memory(tmp_path: Path) -> None:
    path = tmp_path / "long.wav"
    n_samples = 600 * RATE_HZ
    with soundfile.SoundFile(path, "w", RATE_HZ, 1, subtype="PCM_16") as file:
        for _ in range(600):
            file.write(np.zeros(RATE_HZ))
    source = RecordingSource(options_for(path), ManualClock())
    tracemalloc.start()
    source.open()
    n_read, longest = 0, 0
    while n_read < n_samples:
        block = source.read(1.0)
        assert block is not None
        n_read += len(block.volts)
        longest = max(longest, len(block.volts))
    peak_bytes = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    source.close()
    assert longest <= RATE_HZ  # a second at most
    # whole: 4.8 million samples of 8 bytes, 38 MB; half a second in float64 twice: 64 kB
    assert peak_bytes < 1_000_000
