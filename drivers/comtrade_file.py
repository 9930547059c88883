"""COMTRADE records as recordings: a pair of .cfg and .dat, or a single .cff, streamed in pieces.

IEEE C37.111-1991, -1999 and -2013 (IEC 60255-24), data ASCII, BINARY, BINARY32 and FLOAT32.
"""

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drivers.comtrade_cfg import check_rate, read_layout
from drivers.comtrade_data import Records, Section, open_data
from drivers.errors import OptionError, SourceFailed
from drivers.reader import Contents

_PIECE = 8192  # records in one step of the check at opening
_MAX_LINE = 65536  # bytes; a section of binary data need not have lines
_SEPARATOR = re.compile(
    rb"--- *file type: *([a-z]+)(?: +([a-z0-9]+)(?: *: *([0-9]+))?)? *---", re.IGNORECASE
)


class ComtradeReader:
    """A COMTRADE record's voltages. `path` is its .cfg, .dat (any letter case) or .cff.

    The whole record is checked once when it is opened, in pieces: complete, numbered without holes,
    at one rate. With a sample rate in the configuration the time stamps are not looked at; without
    one (nrates = 0) they must be evenly spaced, within one count or 5 % of a step, and give it.

    Missing values are not finite: 0x8000 and 0x80000000 in integers, NaN, infinity and the ends of
    the range in FLOAT32, an empty field, 999999 (1991) or 99999 (later) in ASCII. The code 0xFFFF
    that some read into BINARY of 1991 is a good -1 here.

    :raises OptionError: files are missing or cut short, or cannot be replayed.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        try:
            text, section = _find_sections(path)
            self._layout = read_layout(path, text)
            self._data = open_data(section, self._layout)
        except OSError as error:
            raise OptionError(f"driver.path: {path} cannot be read: {error.strerror}") from error
        voltages = self._layout.voltages
        self._gain_v = np.array([channel.gain_v for channel in voltages])
        self._offset_v = np.array([channel.offset_v for channel in voltages])
        self._n_read = 0
        try:
            self._contents = self._check()
        except OptionError:
            self.close()
            raise

    @property
    def contents(self) -> Contents:
        return self._contents

    def read_v(self, n_samples: int) -> NDArray[np.float32]:
        n_due = min(n_samples, self._layout.n_samples - self._n_read)
        try:
            values = self._data.take(n_due).values
        except OSError as error:
            raise SourceFailed(f"{self._path} cannot be read: {error.strerror}") from error
        if len(values) < n_due:
            raise SourceFailed(f"{self._path} became shorter while it was read")
        self._n_read += n_due
        with np.errstate(over="ignore", invalid="ignore"):  # beyond float32 is not finite: lost
            return np.asarray(values * self._gain_v + self._offset_v, dtype=np.float32)

    def close(self) -> None:
        self._data.close()

    def _check(self) -> Contents:
        layout = self._layout
        self._check_numbers()
        sample_rate_hz = layout.sample_rate_hz or self._rate_from_stamps()
        self._data.rewind()
        return Contents(
            sample_rate_hz=sample_rate_hz,
            n_samples=layout.n_samples,
            bits=layout.bits,
            columns=tuple(channel.name for channel in layout.voltages),
            full_scale_v=tuple(channel.full_scale_v for channel in layout.voltages),
            skew_us=tuple(channel.skew_us for channel in layout.voltages),
            start_utc_s=layout.start_utc_s,
        )

    def _check_numbers(self) -> None:
        n_seen, last = 0, 0
        for records in self._pieces():
            numbers = records.numbers
            steps = np.diff(numbers, prepend=last if n_seen else numbers[0] - 1)
            broken = np.flatnonzero((steps - 1) % 2**16)  # some writers count in 16 bits
            if len(broken) > 0:
                at = int(broken[0])
                raise OptionError(
                    f"driver.path: the data of {self._path} are not numbered one by one: record"
                    f" {n_seen + at + 1} has the number {numbers[at]}"
                )
            n_seen, last = n_seen + len(numbers), int(numbers[-1])
        if n_seen < self._layout.n_samples:
            raise OptionError(
                f"driver.path: {self._path} is cut short: {n_seen} records of"
                f" {self._layout.n_samples}"
            )

    def _pieces(self) -> Iterator[Records]:
        self._data.rewind()
        n_left = self._layout.n_samples
        while n_left > 0:
            records = self._data.take(min(_PIECE, n_left))
            if len(records.numbers) == 0:
                return
            n_left -= len(records.numbers)
            yield records

    def _rate_from_stamps(self) -> float:
        end = 0.0
        for elapsed in self._elapsed():
            end = elapsed[-1].item()
        if end <= 0 or self._layout.stamp_s <= 0:
            raise OptionError(f"driver.path: {self._path} gives neither a sample rate nor times")
        step = end / (self._layout.n_samples - 1)  # end > 0 takes two samples
        tolerance = max(1.0, 0.05 * step) + 1e-6 * step  # rounded stamps are off by up to one
        index = 0
        for elapsed in self._elapsed():
            expected = step * np.arange(index, index + len(elapsed))
            if np.abs(elapsed - expected).max() > tolerance:
                raise OptionError(
                    f"driver.path: the time stamps of {self._path} are not evenly spaced; one"
                    " fixed sample rate is needed"
                )
            index += len(elapsed)
        sample_rate_hz = 1 / (step * self._layout.stamp_s)
        check_rate(self._path, sample_rate_hz)
        return sample_rate_hz

    def _elapsed(self) -> Iterator[NDArray[np.float64]]:
        """Counts since the first stamp, by pieces. 32-bit stamps in microseconds wrap in 72 min."""
        last, total = float("nan"), 0.0
        for records in self._pieces():
            stamps = records.stamps
            if not np.isfinite(stamps).all():
                raise OptionError(
                    f"driver.path: {self._path} gives no sample rate, and time stamps are missing"
                )
            steps = np.diff(stamps, prepend=stamps[0] if np.isnan(last) else last) % 2**32
            elapsed = total + np.cumsum(steps)
            last, total = stamps[-1].item(), elapsed[-1].item()
            yield elapsed


def _find_sections(path: Path) -> tuple[str, Section]:
    """The text of the configuration, and where the data are."""
    if path.suffix.lower() == ".cff":
        return _split_cff(path)
    cfg_path, dat_path = _partner(path, ".cfg"), _partner(path, ".dat")
    return _decoded(cfg_path.read_bytes()), Section(dat_path)


def _partner(path: Path, suffix: str) -> Path:
    """The file of the same name with this suffix, in any letter case."""
    if path.suffix.lower() == suffix:
        return path
    near = [entry for entry in path.parent.iterdir() if entry.suffix.lower() == suffix]
    near = [entry for entry in near if entry.stem.lower() == path.stem.lower()]
    if not near:
        raise OptionError(f"driver.path: {path} has no {suffix} file of the same name beside it")
    return min(near, key=lambda entry: (entry.stem != path.stem, entry.name))


def _split_cff(path: Path) -> tuple[str, Section]:
    kind = b""
    lines: list[bytes] = []
    with path.open("rb") as file:
        while line := file.readline(_MAX_LINE):
            if found := _SEPARATOR.match(line.strip()):
                kind = found[1].upper()
                if kind == b"DAT":
                    n_bytes = int(found[3]) if found[3] else None
                    form = (found[2] or b"").decode("ascii").upper()
                    return _decoded(b"".join(lines)), Section(path, file.tell(), n_bytes, form)
            elif kind == b"CFG":
                lines.append(line)
            elif kind == b"" and line.strip():
                break
    raise OptionError(f"driver.path: {path} is not a COMTRADE .cff file: it has no data section")


def _decoded(text: bytes) -> str:
    """UTF-8 as in 2013; older writers used whatever code page they had, and only in names."""
    try:
        decoded = text.decode("utf-8-sig")
    except UnicodeDecodeError:
        decoded = text.decode("latin-1")
    return decoded.replace("\r\n", "\n")
