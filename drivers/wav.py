"""WAV files as recordings: streamed through libsndfile, scaled from digital full scale to volts."""

import struct
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from drivers.errors import OptionError, SourceFailed
from drivers.reader import Contents

MIN_SAMPLE_RATE_HZ = 2000  # 33 samples a cycle at 60 Hz
BITS = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 24, "DOUBLE": 53}
_CONTAINERS = ("WAV", "WAVEX", "RF64")
_SIZE_IN_DS64 = 0xFFFFFFFF  # RF64 keeps the length of its data in another chunk


class WavReader:
    """A WAV file: 16, 24 or 32-bit integers, 32 or 64-bit floats, any number of channels.

    Volts = value x `full_scale_v`, where value is 1.0 at digital full scale (an integer of n bits
    is divided by 2**(n-1)). Columns are called ch1, ch2 ... Only the block asked for is held.

    :raises OptionError: the file is missing, not such a WAV file, cut short, empty or too slow.
    """

    def __init__(self, path: Path, full_scale_v: float) -> None:
        self._path = path
        self._full_scale_v = full_scale_v
        _check_length(path)
        self._file = _open(path)
        try:
            self._contents = self._describe()
        except OptionError:
            self._file.close()
            raise

    @property
    def contents(self) -> Contents:
        return self._contents

    def read_v(self, n_samples: int) -> NDArray[np.float32]:
        n_due = min(n_samples, self._contents.n_samples - self._file.tell())
        try:
            values = self._file.read(n_due, dtype="float64", always_2d=True)
        except soundfile.SoundFileError as error:
            raise SourceFailed(f"{self._path} cannot be read: {error}") from error
        if len(values) < n_due:
            raise SourceFailed(f"{self._path} became shorter while it was read")
        with np.errstate(over="ignore", invalid="ignore"):  # beyond float32 is not finite: lost
            return np.asarray(values * self._full_scale_v, dtype=np.float32)

    def close(self) -> None:
        self._file.close()

    def _describe(self) -> Contents:
        file = self._file
        if file.format not in _CONTAINERS or file.subtype not in BITS:
            known = "16, 24, 32-bit integers and 32, 64-bit floats"
            raise OptionError(
                f"driver.path: {self._path} holds {file.format} {file.subtype}; WAV with {known}"
                " can be used"
            )
        if file.samplerate < MIN_SAMPLE_RATE_HZ:
            raise OptionError(
                f"driver.path: {self._path} has {file.samplerate} samples/s; at least"
                f" {MIN_SAMPLE_RATE_HZ} are needed"
            )
        if file.frames == 0:
            raise OptionError(f"driver.path: {self._path} holds no samples")
        return Contents(
            sample_rate_hz=float(file.samplerate),
            n_samples=int(file.frames),
            bits=BITS[file.subtype],
            columns=tuple(f"ch{number}" for number in range(1, file.channels + 1)),
            full_scale_v=(self._full_scale_v,) * file.channels,
            skew_us=(0.0,) * file.channels,
        )


def _open(path: Path) -> soundfile.SoundFile:
    try:
        return soundfile.SoundFile(str(path))
    except soundfile.SoundFileError as error:
        raise OptionError(f"driver.path: {path} is not a usable WAV file: {error}") from error


def _check_length(path: Path) -> None:
    """Refuse a file cut short; libsndfile would end early without a word.

    The layout of chunks is that of the RIFF/WAVE specification, the 64-bit one EBU Tech 3306.
    """
    try:
        declared, held = _data_bytes(path)
    except OSError as error:
        raise OptionError(f"driver.path: {path} cannot be read: {error.strerror}") from error
    if declared > held:
        raise OptionError(
            f"driver.path: {path} is cut short: it declares {declared} bytes of samples"
            f" but holds {held}"
        )


def _data_bytes(path: Path) -> tuple[int, int]:
    """Bytes of samples that the header declares, and bytes from there to the end of the file."""
    size_64 = 0
    end = path.stat().st_size
    if end == 0:
        raise OptionError(f"driver.path: {path} is empty")
    with path.open("rb") as file:
        head = file.read(12)
        if head[:4] not in (b"RIFF", b"RF64") or head[8:] != b"WAVE":
            raise OptionError(f"driver.path: {path} is not a WAV file")
        while len(chunk := file.read(8)) == 8:
            name, size = struct.unpack("<4sI", chunk)
            start = file.tell()
            if name == b"data":
                return (size_64 if size == _SIZE_IN_DS64 and size_64 else size), end - start
            if name == b"ds64":
                size_64 = int.from_bytes(file.read(16)[8:], "little")
            file.seek(start + size + size % 2)
    raise OptionError(f"driver.path: {path} is cut short: it ends before its samples")
