"""WAV reading, checked against files written by scipy.io.wavfile and by hand with struct."""

import struct
from pathlib import Path

import numpy as np
import pytest
import scipy.io.wavfile
import soundfile
from numpy.typing import NDArray

from drivers.errors import OptionError, SourceFailed
from drivers.wav import WavReader

RATE_HZ = 8000
FULL_SCALE_V = 800.0


def sine(n_samples: int = 4000, n_channels: int = 2) -> NDArray[np.float64]:
    """Two cycles a 400 samples of amplitude 0.4 x channel number."""
    angle = 2 * np.pi * 50 / RATE_HZ * np.arange(n_samples)
    return np.column_stack([0.4 * (k + 1) * np.sin(angle + k) for k in range(n_channels)])


def read_all(path: Path, full_scale_v: float = FULL_SCALE_V) -> NDArray[np.float32]:
    reader = WavReader(path, full_scale_v)
    pieces = [np.empty((0, len(reader.contents.columns)), np.float32)]
    while len(piece := reader.read_v(333)):
        pieces.append(piece)
    reader.close()
    return np.concatenate(pieces)


def riff(data: bytes, bits: int, n_channels: int = 1, declared: int | None = None) -> bytes:
    """A WAV file by hand (RIFF/WAVE: Microsoft and IBM, 1991): 16-byte fmt chunk, then data."""
    align = n_channels * bits // 8
    fmt = struct.pack("<HHIIHH", 1, n_channels, RATE_HZ, RATE_HZ * align, align, bits)
    size = len(data) if declared is None else declared
    body = b"WAVEfmt " + struct.pack("<I", 16) + fmt + b"data" + struct.pack("<I", size) + data
    return b"RIFF" + struct.pack("<I", len(body)) + body


@pytest.mark.parametrize(
    ("subtype", "step"),
    [
        ("PCM_16", 2.0**-15),
        ("PCM_24", 2.0**-23),
        ("PCM_32", 2.0**-31),
        ("FLOAT", 2.0**-24),
        ("DOUBLE", 2.0**-53),
    ],
)
def test_every_sample_format_comes_back_within_its_step(
    tmp_path: Path, subtype: str, step: float
) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, sine(), RATE_HZ, subtype=subtype)
    # one step of the format, and float32 rounding of at most 640 V (half of 2**-14 V)
    tolerance_v = FULL_SCALE_V * step + 2.0**-15
    np.testing.assert_allclose(read_all(path), FULL_SCALE_V * sine(), rtol=0, atol=tolerance_v)


@pytest.mark.parametrize(
    ("dtype", "unit"), [("<i2", 2**15), ("<i4", 2**31), ("<f4", 1), ("<f8", 1)]
)
def test_agrees_with_scipy_writer(tmp_path: Path, dtype: str, unit: int) -> None:
    path = tmp_path / "a.wav"
    stored = (sine() * unit).astype(dtype)
    scipy.io.wavfile.write(path, RATE_HZ, stored)
    expected_v = stored.astype(np.float64) / unit * FULL_SCALE_V
    np.testing.assert_array_equal(read_all(path), expected_v.astype(np.float32))


def test_24_bit_by_hand(tmp_path: Path) -> None:
    counts = [0, 1, -1, 2**22, -(2**23), 2**23 - 1]
    data = b"".join(count.to_bytes(3, "little", signed=True) for count in counts)
    (tmp_path / "a.wav").write_bytes(riff(data, 24))
    # +-1 count is 800 V / 2**23; half scale 400 V; exact in float32 but for the last (float32 step)
    expected_v = [0, 800 / 2**23, -800 / 2**23, 400, -800, 800 - 800 / 2**23]
    np.testing.assert_allclose(read_all(tmp_path / "a.wav")[:, 0], expected_v, rtol=2.0**-24)


def test_contents(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, sine(n_channels=2), 12345, subtype="PCM_24")
    reader = WavReader(path, 650.0)
    contents = reader.contents
    reader.close()
    assert contents.sample_rate_hz == 12345.0
    assert contents.n_samples == 4000
    assert contents.bits == 24
    assert contents.columns == ("ch1", "ch2")
    assert contents.full_scale_v == (650.0, 650.0)
    assert contents.start_utc_s is None


def test_rf64_with_64_bit_length(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", sine(), RATE_HZ, subtype="PCM_16", format="RF64")
    assert len(read_all(tmp_path / "a.wav")) == 4000
    whole = (tmp_path / "a.wav").read_bytes()
    (tmp_path / "b.wav").write_bytes(whole[:-10])
    with pytest.raises(OptionError, match=r"declares 16000 bytes of samples but holds 15990"):
        WavReader(tmp_path / "b.wav", 1.0)


def test_chunks_before_the_data_are_stepped_over(tmp_path: Path) -> None:
    plain = riff(struct.pack("<3h", 100, 200, 300), 16)
    note = b"LIST" + struct.pack("<I", 5) + b"abcde\0"  # an odd length is padded to an even one
    body = plain[8:36] + note + plain[36:]
    (tmp_path / "a.wav").write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    np.testing.assert_array_equal(read_all(tmp_path / "a.wav", 32768.0)[:, 0], [100, 200, 300])


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "is empty"),
        (b"RIFF\x04\0\0\0WAVE", "is cut short: it ends before its samples"),
        (b"no sound at all " * 20, "is not a WAV file"),
        (riff(b"\1\0" * 50, 16, declared=200), "declares 200 bytes of samples but holds 100"),
        (riff(b"", 16), "holds no samples"),
        (riff(b"\x80" * 100, 8), "holds WAV PCM_U8; WAV with 16, 24, 32-bit"),
    ],
)
def test_unusable_files_are_refused_in_one_sentence(
    tmp_path: Path, content: bytes, reason: str
) -> None:
    path = tmp_path / "bad.wav"
    path.write_bytes(content)
    with pytest.raises(OptionError) as caught:
        WavReader(path, 1.0)
    message = str(caught.value)
    assert message.startswith(f"driver.path: {path} ")
    assert reason in message
    assert "\n" not in message


def test_missing_file_and_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(OptionError, match=r"none.wav cannot be read: No such file"):
        WavReader(tmp_path / "none.wav", 1.0)
    (tmp_path / "folder.wav").mkdir()
    with pytest.raises(OptionError, match=r"folder.wav cannot be read: Is a directory"):
        WavReader(tmp_path / "folder.wav", 1.0)


def test_flac_named_wav_is_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", sine(), RATE_HZ, format="FLAC", subtype="PCM_16")
    with pytest.raises(OptionError, match="is not a WAV file"):
        WavReader(tmp_path / "a.wav", 1.0)


def test_rate_limit_is_named(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "slow.wav", sine(), 1999, subtype="PCM_16")
    with pytest.raises(OptionError, match=r"has 1999 samples/s; at least 2000 are needed"):
        WavReader(tmp_path / "slow.wav", 1.0)
    soundfile.write(tmp_path / "just.wav", sine(), 2000, subtype="PCM_16")
    assert len(read_all(tmp_path / "just.wav")) == 4000


def test_file_that_shrinks_while_read_fails(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, sine(100_000), RATE_HZ, subtype="PCM_16")
    reader = WavReader(path, 1.0)
    reader.read_v(100)
    with path.open("r+b") as file:
        file.truncate(1000)
    with pytest.raises(SourceFailed, match="became shorter"):
        reader.read_v(90_000)
    reader.close()
