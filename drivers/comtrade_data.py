"""The data section of a COMTRADE record: its records, a few at a time."""

from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from drivers.comtrade_cfg import RANGE, Layout
from drivers.errors import OptionError

_WORD = {"BINARY": "<i2", "BINARY32": "<i4", "FLOAT32": "<f4"}
_LIMIT = {"BINARY": 2.0**15, "BINARY32": 2.0**31, "FLOAT32": float(np.float32(RANGE["FLOAT32"]))}
"""A stored value this large, or none at all, says that the sample is missing."""
_NO_STAMP = 0xFFFFFFFF
_NUMBER_LIMIT = 10**10  # ten digits
_MAX_LINE = 65536  # bytes; 999 channels take less


@dataclass(frozen=True, slots=True)
class Section:
    """Where in which file the data are. `n_bytes` None: unto the end."""

    path: Path
    offset: int = 0
    n_bytes: int | None = None
    kind: str = ""  # as a .cff heads it


@dataclass(frozen=True, slots=True, eq=False)
class Records:
    """Consecutive data records; a missing stamp or value is NaN."""

    numbers: NDArray[np.int64]
    stamps: NDArray[np.float64]
    values: NDArray[np.float64]  # shape (records, voltage channels), as stored


class Data(Protocol):
    """The records of one section, in order."""

    def rewind(self) -> None: ...
    def take(self, n_records: int) -> Records: ...
    def close(self) -> None: ...


class _BinaryData:
    """Records of little-endian words: number, stamp, analogue values, status bits."""

    def __init__(self, section: Section, layout: Layout) -> None:
        self._offset = section.offset
        self._positions = [channel.position for channel in layout.voltages]
        self._limit = _LIMIT[layout.data_type]
        word = _WORD[layout.data_type]
        fields = [("number", "<u4"), ("stamp", "<u4"), ("values", word, (layout.n_analogue,))]
        status = [("status", "<u2", (-(-layout.n_status // 16),))] if layout.n_status else []
        self._record = np.dtype([*fields, *status])
        _check_size(section, self._record.itemsize, layout.n_samples)
        self._file = section.path.open("rb")

    def rewind(self) -> None:
        self._file.seek(self._offset)

    def take(self, n_records: int) -> Records:
        size = self._record.itemsize
        data = self._file.read(n_records * size)
        found = np.frombuffer(data, self._record, count=len(data) // size)
        stamps = found["stamp"].astype(np.float64)
        stamps[found["stamp"] == _NO_STAMP] = np.nan
        stored = found["values"][:, self._positions]
        with np.errstate(invalid="ignore"):  # a signalling NaN is a missing value like any other
            values = stored.astype(np.float64)
        is_good = np.abs(values) < self._limit
        values[~is_good] = np.nan
        return Records(found["number"].astype(np.int64), stamps, values)

    def close(self) -> None:
        self._file.close()


def _check_size(section: Section, record_size: int, n_samples: int) -> None:
    held = section.path.stat().st_size - section.offset
    if section.n_bytes is not None and section.n_bytes > held:
        raise OptionError(
            f"driver.path: {section.path} is cut short: it declares {section.n_bytes} bytes of data"
            f" but holds {held}"
        )
    size = held if section.n_bytes is None else section.n_bytes
    if size % record_size:
        raise OptionError(
            f"driver.path: {section.path} has {size} bytes of data, not a whole number of records"
            f" of {record_size} bytes"
        )
    if size // record_size < n_samples:
        raise OptionError(
            f"driver.path: {section.path} is cut short: {size // record_size} records of"
            f" {n_samples}"
        )


class _AsciiData:
    """Lines of text: number, stamp, analogue values, status bits, separated by commas."""

    def __init__(self, section: Section, layout: Layout) -> None:
        self._path = section.path
        self._offset = section.offset
        self._n_fields = 2 + layout.n_analogue + layout.n_status
        self._used = [0, 1, *(2 + channel.position for channel in layout.voltages)]
        self._missing = 999999.0 if layout.revision == "1991" else 99999.0
        self._file = section.path.open("rb")

    def rewind(self) -> None:
        self._file.seek(self._offset)

    def take(self, n_records: int) -> Records:
        table = self._table(self._lines(n_records))
        table[:, 2:][table[:, 2:] == self._missing] = np.nan
        return Records(table[:, 0].astype(np.int64), table[:, 1], table[:, 2:])

    def _table(self, lines: list[bytes]) -> NDArray[np.float64]:
        """Numbers, stamps and stored values, one row a line."""
        if not lines:
            return np.empty((0, len(self._used)))
        try:
            table = np.loadtxt(lines, delimiter=",", comments=None, usecols=self._used, ndmin=2)
            if ((table[:, 0] >= 0) & (table[:, 0] < _NUMBER_LIMIT)).all():
                return table
        except ValueError:
            pass  # empty fields, or a fault that has to be named
        return np.array([self._row(line) for line in lines])

    def _lines(self, n_records: int) -> list[bytes]:
        """The next lines that hold a record; one cut off by the end of the file is left out."""
        lines: list[bytes] = []
        while len(lines) < n_records and (line := self._file.readline(_MAX_LINE)):
            if text := line.strip(b" \t\r\n\x1a"):
                if text.count(b",") + 1 >= self._n_fields:
                    lines.append(text)
                elif line.endswith(b"\n"):
                    raise self._no_record(text)
        return lines

    def _row(self, line: bytes) -> list[float]:
        fields = line.split(b",")
        number = fields[0].strip()
        if not number.isdigit() or len(number) > 10:
            raise self._no_record(line)
        return [self._value(fields[position]) for position in self._used]

    def close(self) -> None:
        self._file.close()

    def _no_record(self, line: bytes) -> OptionError:
        return OptionError(
            f"driver.path: {self._path} has a line that is no record of {self._n_fields} fields:"
            f" {line[:40].decode('ascii', 'replace')!r}"
        )

    def _value(self, field: bytes) -> float:
        try:
            return float(field) if field.strip() else float("nan")
        except ValueError as error:
            shown = field[:40].decode("ascii", "replace")
            raise OptionError(f"driver.path: {self._path} has {shown!r} for a number") from error


def open_data(section: Section, layout: Layout) -> Data:
    """Open the section for its data type.

    :raises OptionError: its size does not fit the layout.
    :raises OSError: the file cannot be opened.
    """
    is_text = layout.data_type == "ASCII"
    if section.kind and is_text != (section.kind == "ASCII"):
        raise OptionError(
            f"driver.path: {section.path} heads its data {section.kind}, but its configuration says"
            f" {layout.data_type}"
        )
    return _AsciiData(section, layout) if is_text else _BinaryData(section, layout)
