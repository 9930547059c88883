"""Writes COMTRADE records: IEEE C37.111-1999, and C37.111-2013 which is IEC 60255-24:2013.

Pure: arrays in, bytes out. Integers are `value = a * x`, with x up to ±32767, so that the rounding
costs at most half of a. Gaps are never written: what was lost in between makes two records.
"""

import unicodedata
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

LARGEST_COUNT = 32767
LONGEST_NAME = 64
CLOCK_QUALITY = {"synchronised": "9", "corrected": "A"}
"""tmq_code of 2013: within 100 ms, within 1 s. A clock nobody set counts as failed, "F"."""
NO_LEAP_SECONDS = "3"  # leapsec: this recorder does not know of them


class DataType(StrEnum):
    """How samples are stored."""

    ASCII = "ASCII"
    BINARY = "BINARY"
    FLOAT32 = "FLOAT32"


class Revision(StrEnum):
    """Of the standard."""

    OLD = "1999"
    NEW = "2013"


@dataclass(frozen=True, slots=True)
class Flavour:
    """Which of the forms of a record. FLOAT32 came with 2013.

    :raises ValueError: the two do not go together.
    """

    revision: Revision
    data_type: DataType

    def __post_init__(self) -> None:
        if self.revision is Revision.OLD and self.data_type is DataType.FLOAT32:
            raise ValueError("COMTRADE 1999 has no FLOAT32; choose 2013, ASCII or BINARY")


@dataclass(frozen=True, slots=True, eq=False)
class Channel:
    """One voltage."""

    name: str
    circuit: str
    volts: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """What one record holds: channels of one length, sampled together.

    `is_event` says for each sample whether the event lasted; it becomes the status channel.
    """

    station: str
    device: str
    channels: tuple[Channel, ...]
    is_event: NDArray[np.bool_]
    sample_rate_hz: float
    frequency_hz: float
    trigger_utc_s: float
    trigger_after_s: float  # from the first sample to the trigger
    local_offset_s: float  # of the site, from UTC
    clock: str  # as in the table `event`
    remark: str  # free text for people


@dataclass(frozen=True, slots=True)
class Files:
    """The contents of the files of one record, without their common name."""

    cfg: bytes
    dat: bytes
    hdr: bytes


def comtrade_files(record: Record, flavour: Flavour) -> Files:
    """A record as .cfg, .dat and .hdr. Times are UTC."""
    scales_v = [_scale_v(channel.volts, flavour) for channel in record.channels]
    encoding = "ascii" if flavour.revision is Revision.OLD else "utf-8"
    return Files(
        cfg=_lines(_configuration(record, flavour, scales_v)).encode(encoding),
        dat=_data(record, flavour, scales_v),
        hdr=_lines(_plain(record.remark, flavour).split("\n")).encode(encoding),
    )


def comtrade_single_file(record: Record, data_type: DataType) -> bytes:
    """A record as one .cff file, which came with 2013."""
    files = comtrade_files(record, Flavour(Revision.NEW, data_type))
    kind = "ASCII" if data_type is DataType.ASCII else f"BINARY: {len(files.dat)}"
    parts = (
        b"--- file type: CFG ---\r\n" + files.cfg,
        b"--- file type: INF ---\r\n",
        b"--- file type: HDR ---\r\n" + files.hdr,
        f"--- file type: DAT {kind} ---\r\n".encode() + files.dat,
    )
    return b"".join(parts)


def _lines(lines: list[str]) -> str:
    return "".join(f"{line}\r\n" for line in lines)


def _configuration(record: Record, flavour: Flavour, scales_v: list[float]) -> list[str]:
    n_samples, n_channels = len(record.is_event), len(record.channels)
    trigger = _rounded(record.trigger_utc_s)
    first = trigger - timedelta(microseconds=round(record.trigger_after_s * 1e6))
    names = [_word(text, flavour) for text in (record.station, record.device)]
    return [
        f"{names[0]},{names[1]},{flavour.revision.value}",
        f"{n_channels + 1},{n_channels}A,1D",
        *(
            _analogue(number, channel, scale_v, flavour)
            for number, (channel, scale_v) in enumerate(
                zip(record.channels, scales_v, strict=True), start=1
            )
        ),
        "1,event lasts,,,0",
        f"{record.frequency_hz:g}",
        "1",
        f"{record.sample_rate_hz!r},{n_samples}",
        _stamp(first),
        _stamp(trigger),
        flavour.data_type.value,
        "1.0",
        *(_time_quality(record) if flavour.revision is Revision.NEW else []),
    ]


def _analogue(number: int, channel: Channel, scale_v: float, flavour: Flavour) -> str:
    largest = f"{LARGEST_COUNT}"
    if flavour.data_type is DataType.FLOAT32:
        largest = f"{float(np.max(np.abs(channel.volts), initial=1.0)):.7g}"
    name, circuit = _word(channel.name, flavour), _word(channel.circuit, flavour)
    return f"{number},{name},,{circuit},V,{scale_v!r},0.0,0.0,-{largest},{largest},1.0,1.0,P"


def _time_quality(record: Record) -> list[str]:
    sign = "-" if record.local_offset_s < 0 else "+"
    hours, minutes = divmod(round(abs(record.local_offset_s) / 60), 60)
    local = f"{sign}{hours}h{minutes:02d}" if minutes else f"{sign}{hours}"
    quality = CLOCK_QUALITY.get(record.clock, "F")
    return [f"0,{local if hours or minutes else '0'}", f"{quality},{NO_LEAP_SECONDS}"]


def _scale_v(volts: NDArray[np.float32], flavour: Flavour) -> float:
    peak_v = float(np.max(np.abs(volts), initial=0.0))
    is_exact = flavour.data_type is DataType.FLOAT32 or peak_v == 0.0
    return 1.0 if is_exact else peak_v / LARGEST_COUNT


def _data(record: Record, flavour: Flavour, scales_v: list[float]) -> bytes:
    n_samples = len(record.is_event)
    numbers = np.arange(1, n_samples + 1, dtype=np.int64)
    stamps_us = np.rint((numbers - 1) * (1e6 / record.sample_rate_hz)).astype(np.int64)
    word = "<f4" if flavour.data_type is DataType.FLOAT32 else "<i2"
    values = np.empty((n_samples, len(record.channels)), dtype=word)
    for column, (channel, scale_v) in enumerate(zip(record.channels, scales_v, strict=True)):
        scaled = channel.volts.astype(np.float64) / scale_v
        values[:, column] = scaled if word == "<f4" else np.rint(scaled)
    if flavour.data_type is DataType.ASCII:
        table = np.column_stack([numbers, stamps_us, values.astype(np.int64), record.is_event])
        return _lines([",".join(map(str, row)) for row in table.tolist()]).encode()
    rows = np.empty(
        n_samples,
        dtype=[
            ("number", "<u4"),
            ("stamp", "<u4"),
            ("values", word, (len(record.channels),)),
            ("status", "<u2"),
        ],
    )
    rows["number"], rows["stamp"] = numbers, stamps_us
    rows["values"], rows["status"] = values, record.is_event
    return rows.tobytes()


def _rounded(utc_s: float) -> datetime:
    """Whole microseconds: 1999 has six decimals, and more would be taken for nanoseconds."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=round(utc_s * 1e6))


def _stamp(when: datetime) -> str:
    return f"{when:%d/%m/%Y,%H:%M:%S.%f}"


def _word(text: str, flavour: Flavour) -> str:
    """A field: no commas, no line ends, not too long."""
    even = " ".join(_plain(text, flavour).replace(",", ";").split())
    return "".join(letter for letter in even if letter.isprintable())[:LONGEST_NAME]


def _plain(text: str, flavour: Flavour) -> str:
    """Text as the revision allows it: 1999 knows ASCII only."""
    if flavour.revision is Revision.NEW:
        return text
    parts = unicodedata.normalize("NFKD", text)
    bare = "".join(letter for letter in parts if not unicodedata.combining(letter))
    return bare.encode("ascii", "replace").decode("ascii")
