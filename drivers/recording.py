"""Replay of a recording: a WAV file or a COMTRADE record, at full speed or in real time."""

from collections import deque
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Annotated, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, ValidationInfo, field_validator

from drivers.clock import Clock
from drivers.comtrade_file import ComtradeReader
from drivers.errors import OptionError, SourceEnded, SourceFailed
from drivers.reader import Contents, Reader
from drivers.source import Block, RelativePath, Source, SourceInfo, SourceOptions
from drivers.wav import WavReader

WAV_SUFFIXES = (".wav",)
COMTRADE_SUFFIXES = (".cfg", ".cff", ".dat")
_FAST_BLOCK_S = 0.5
_PACED_BLOCK_S = 0.02
_MAX_BLOCK = 65536  # samples, so that a megahertz recording stays small in memory


class RecordingOptions(SourceOptions):
    """The `driver:` table for a recording."""

    path: RelativePath
    full_scale_v: Annotated[
        float | None, Field(gt=0, allow_inf_nan=False, validate_default=True)
    ] = None
    """WAV only, and needed there: mains volts at digital full scale (1.0)."""
    inputs: Annotated[list[str], Field(min_length=1)] | None = None
    """Columns to use: COMTRADE channel ids, WAV ch1, ch2 ...; all voltages when not given."""
    pace: Literal["as_fast_as_possible", "realtime"] = "as_fast_as_possible"
    start_utc: datetime | None = None
    """Time of the first sample, with its zone. Goes before the one a COMTRADE record brings."""

    @field_validator("start_utc")
    @classmethod
    def _has_zone(cls, value: datetime | None) -> datetime | None:
        if value is not None and value.utcoffset() is None:
            raise ValueError("has no time zone: add one, as in 2026-03-01T12:00:00Z")
        return value

    @field_validator("full_scale_v")
    @classmethod
    def _belongs_to_format(cls, value: float | None, info: ValidationInfo) -> float | None:
        path: Path | None = info.data.get("path")
        suffix = "" if path is None else path.suffix.lower()
        if suffix in WAV_SUFFIXES and value is None:
            raise ValueError("is needed for a WAV file: mains volts at digital full scale")
        if suffix in COMTRADE_SUFFIXES and value is not None:
            raise ValueError("is for WAV files only: a COMTRADE record brings its own scale")
        return value


class RecordingSource(Source):
    """A recorded circuit. Values that the recording marks as missing on any used column are lost
    samples on all of them.

    At the pace `realtime` blocks of 20 ms come when their last sample is due; a late reader catches
    up and loses nothing. When the recording ends with missing values, the last block is empty and
    only counts them.
    """

    Options: ClassVar[type[SourceOptions]] = RecordingOptions
    is_hardware: ClassVar[bool] = False

    def __init__(self, options: SourceOptions, clock: Clock) -> None:
        if not isinstance(options, RecordingOptions):
            raise OptionError(f"driver.name is {options.name!r}: these are not recording options")
        self._options = options
        self._clock = clock
        self._is_paced = options.pace == "realtime"
        self._reader: Reader | None = None

    def open(self) -> SourceInfo:
        self.close()
        reader = _open_reader(self._options)
        try:
            self._used = _used_columns(reader.contents.columns, self._options.inputs)
        except OptionError:
            reader.close()
            raise
        self._reader = reader
        self._rate_hz = reader.contents.sample_rate_hz
        block_s = _PACED_BLOCK_S if self._is_paced else _FAST_BLOCK_S
        self._block_size = min(max(round(self._rate_hz * block_s), 1), _MAX_BLOCK)
        self._pending: deque[Block] = deque()
        self._n_read = 0  # samples taken from the file so far
        self._n_lost = 0  # missing ones among them not yet reported
        self._start_ns = self._clock.monotonic_ns()
        return self._info(reader.contents)

    def read(self, timeout_s: float) -> Block | None:
        if self._reader is None:
            raise SourceFailed(f"{self._options.path} is not open")
        while not self._pending:
            self._fetch(self._reader)
        if self._is_paced and not self._is_due(self._pending[0], timeout_s):
            return None
        return self._pending.popleft()

    def close(self) -> None:
        if self._reader is not None:
            self._reader.close()
            self._reader = None

    def _info(self, contents: Contents) -> SourceInfo:
        start = self._options.start_utc
        return SourceInfo(
            sample_rate_hz=contents.sample_rate_hz,
            inputs=tuple(contents.columns[column] for column in self._used),
            bits=contents.bits,
            full_scale_v=max(contents.full_scale_v[column] for column in self._used),
            bandwidth_hz=contents.sample_rate_hz / 2,
            is_simultaneous=len({contents.skew_us[column] for column in self._used}) == 1,
            is_live=self._is_paced,
            start_utc_s=contents.start_utc_s if start is None else start.timestamp(),
            n_samples=contents.n_samples,
        )

    def _fetch(self, reader: Reader) -> None:
        volts = reader.read_v(self._block_size)
        if len(volts) > 0:
            self._pending.extend(self._blocks(volts[:, self._used]))
        elif self._n_lost > 0:
            self._pending.append(self._block(volts[:, self._used], self._n_read))
        else:
            raise SourceEnded(f"{self._options.path} is over")

    def _blocks(self, volts: NDArray[np.float32]) -> Iterator[Block]:
        """The unbroken runs of good samples, each as a block."""
        is_good = np.isfinite(volts).all(axis=1)
        first_index = self._n_read
        self._n_read += len(volts)
        edges = np.flatnonzero(np.diff(is_good, prepend=False, append=False)).tolist()
        end = 0
        for start, stop in zip(edges[::2], edges[1::2], strict=True):
            self._n_lost += start - end
            yield self._block(volts[start:stop], first_index + start)
            end = stop
        self._n_lost += len(volts) - end

    def _block(self, volts: NDArray[np.float32], first_index: int) -> Block:
        volts = np.ascontiguousarray(volts)
        volts.flags.writeable = False
        block = Block(first_index, volts, self._n_lost)
        self._n_lost = 0
        return block

    def _is_due(self, block: Block, timeout_s: float) -> bool:
        """Wait for the block's last sample, at most `timeout_s`; whether it has come."""
        end_index = block.first_index + len(block.volts)
        due_ns = self._start_ns + round(end_index / self._rate_hz * 1e9)
        wait_s = (due_ns - self._clock.monotonic_ns()) * 1e-9
        self._clock.sleep_s(min(wait_s, timeout_s))
        return wait_s <= timeout_s


def _open_reader(options: RecordingOptions) -> Reader:
    suffix = options.path.suffix.lower()
    if suffix in COMTRADE_SUFFIXES:
        return ComtradeReader(options.path)
    if suffix in WAV_SUFFIXES and options.full_scale_v is not None:
        return WavReader(options.path, options.full_scale_v)
    known = ", ".join(WAV_SUFFIXES + COMTRADE_SUFFIXES)
    raise OptionError(f"driver.path: {options.path} is no known kind of recording ({known})")


def _used_columns(columns: tuple[str, ...], wanted: list[str] | None) -> list[int]:
    if wanted is None:
        return list(range(len(columns)))
    unknown = [name for name in wanted if name not in columns]
    if unknown:
        raise OptionError(
            f"driver.inputs: {', '.join(unknown)} is not in the recording; its voltages are"
            f" {', '.join(columns)}"
        )
    if len(set(wanted)) < len(wanted):
        raise OptionError(f"driver.inputs: {', '.join(wanted)} names a column twice")
    return [columns.index(name) for name in wanted]
