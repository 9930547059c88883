"""COMTRADE reading, checked against the `comtrade` package and the definition value = a x + b.

Files are written here after IEEE C37.111 (layout from memory, checked by loading every one of them
with the `comtrade` package as well).
"""

import struct
import tracemalloc
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import comtrade
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from drivers.clock import ManualClock
from drivers.comtrade_cfg import read_layout
from drivers.comtrade_file import ComtradeReader
from drivers.errors import OptionError, SourceEnded
from drivers.recording import RecordingOptions, RecordingSource
from tests.recordings import open_recordings

REVISIONS = ("1991", "1999", "2013")
DATA_TYPES = ("ASCII", "BINARY", "BINARY32", "FLOAT32")
RATE_HZ = 4000
WORDS = {"BINARY": "<i2", "BINARY32": "<i4", "FLOAT32": "<f4"}
RANGES = {"ASCII": "-99999,99999", "BINARY": "-32767,32767"}

WORKED_CFG = """SITE1,REC1,2013
4,3A,1D
1,U1,A,,V,0.03,0.0,0.0,-32767,32767,1,1,P
2,U2,B,,V,0.03,0.0,0.0,-32767,32767,1,1,P
3,U3,C,,V,0.03,0.0,0.0,-32767,32767,1,1,P
1,TRIG,,,0
50
1
16000,3200
25/11/2026,05:10:00.000000
25/11/2026,05:10:00.050000
BINARY
1.0
0,0
4,0
"""


@dataclass(frozen=True)
class Record:
    """A record of three voltages (kV, V, mV) and a current, with `n_status` status channels."""

    revision: str = "1999"
    data_type: str = "BINARY"
    n_samples: int = 1000
    n_status: int = 17
    rates: str = f"1\n{RATE_HZ},1000"
    start: str = "25/11/2026,05:10:00.250000"
    timemult: str = "1"
    zones: str = "0,0\n4,0\n"
    stamps: NDArray[np.float64] | None = None

    def counts(self) -> NDArray[np.float64]:
        """Stored values: sines of different size and phase, whole numbers except in FLOAT32."""
        angle = 2 * np.pi * 50 / RATE_HZ * np.arange(self.n_samples)[:, None]
        counts = [20_000, 15_000, 9_000, 300] * np.sin(angle + np.array([0, 2, 4, 1])) + [
            7,
            0,
            -50,
            0,
        ]
        return np.asarray(counts if self.data_type == "FLOAT32" else np.round(counts))

    def cfg(self) -> str:
        ends = RANGES.get(self.data_type, "-2147483647,2147483647")
        ratio = "" if self.revision == "1991" else ",100,1,P"
        rows = [
            f"1,UA,A,,kV,0.00002,0.001,0.0,{ends}{ratio}",
            f"2,UB,B,,V,0.025,-1.5,0.0,{ends}{ratio}",
            f"3,UC,C,,mV,40.0,0,0.0,{ends}{ratio}",
            f"4,IA,A,,A,0.01,0,0.0,{ends}{ratio}",
        ]
        blank = "," if self.revision == "1991" else ",,,"
        rows += [f"{k},S{k}{blank}0" for k in range(1, self.n_status + 1)]
        lines = [
            "SITE1,REC1" + ("" if self.revision == "1991" else f",{self.revision}"),
            f"{4 + self.n_status},4A,{self.n_status}D",
            *rows,
            "50",
            *self.rates.split("\n"),
            self.start,
            self.start,
            self.data_type,
        ]
        tail = "" if self.revision == "1991" else f"{self.timemult}\n"
        tail += self.zones if self.revision == "2013" else ""
        return ("\n".join(lines) + "\n" + tail).replace("\n", "\r\n")

    def stamp_counts(self) -> NDArray[np.float64]:
        regular = np.floor(np.arange(self.n_samples) * 1e6 / RATE_HZ)
        return regular if self.stamps is None else self.stamps

    def dat(self, counts: NDArray[np.float64] | None = None) -> bytes:
        values = self.counts() if counts is None else counts
        status = np.arange(self.n_samples) % 2
        if self.data_type == "ASCII":
            return self._text(values, status)
        words = -(-self.n_status // 16)
        layout = np.dtype(f"<u4, <u4, 4{WORDS[self.data_type]}, {words}<u2")
        rows = np.zeros(self.n_samples, layout)
        rows["f0"] = np.arange(1, self.n_samples + 1)
        rows["f1"] = self.stamp_counts()
        rows["f2"] = values
        rows["f3"] = status[:, None]
        return rows.tobytes()

    def _text(self, values: NDArray[np.float64], status: NDArray[np.int_]) -> bytes:
        rows = [
            f"{k + 1},{stamp:.0f},{','.join(f'{value:.0f}' for value in values[k])}"
            + f",{status[k]}" * self.n_status
            for k, stamp in enumerate(self.stamp_counts())
        ]
        return ("\r\n".join(rows) + "\r\n\x1a").encode()

    def cff(self) -> bytes:
        dat = self.dat()
        kind = "ASCII" if self.data_type == "ASCII" else f"BINARY: {len(dat)}"
        sections = f"--- file type: CFG ---\r\n{self.cfg()}--- file type: INF ---\r\n"
        sections += f"\r\n--- file type: HDR ---\r\nfree text\r\n--- file type: DAT {kind} ---\r\n"
        return sections.encode() + dat

    def write(self, folder: Path, stem: str = "rec") -> Path:
        (folder / f"{stem}.dat").write_bytes(self.dat())
        (folder / f"{stem}.cfg").write_text(self.cfg(), newline="")
        return folder / f"{stem}.cfg"


def expected_v(counts: NDArray[np.float64]) -> NDArray[np.float64]:
    """value = a x + b, and the unit to volts, by hand for the three voltages of `Record`."""
    ua = (0.00002 * counts[:, 0] + 0.001) * 1000
    ub = 0.025 * counts[:, 1] - 1.5
    uc = 40.0 * counts[:, 2] / 1000
    return np.column_stack([ua, ub, uc])


def read_all(path: Path, step: int = 333) -> NDArray[np.float32]:
    reader = ComtradeReader(path)
    pieces = [np.empty((0, len(reader.contents.columns)), np.float32)]
    while len(piece := reader.read_v(step)):
        pieces.append(piece)
    reader.close()
    return np.concatenate(pieces)


def refusal(path: Path) -> str:
    with pytest.raises(OptionError) as caught:
        ComtradeReader(path)
    message = str(caught.value)
    assert message.startswith("driver.path: ")
    assert "\n" not in message
    return message


# The stored values are exact but in FLOAT32; volts are rounded to float32 once more: 2**-24 each,
# and FLOAT32 counts of up to 20 000 carry an error of 2**-10 counts before the scale.
def close_v(actual: NDArray[np.float32], expected: NDArray[np.float64]) -> None:
    np.testing.assert_allclose(actual, expected, rtol=2.0**-22, atol=1e-4)


@pytest.mark.parametrize("data_type", DATA_TYPES)
@pytest.mark.parametrize("revision", REVISIONS)
def test_every_type_and_revision(tmp_path: Path, revision: str, data_type: str) -> None:
    start = "11/25/2026,05:10:00.250000" if revision == "1991" else Record().start  # month first
    record = Record(revision, data_type, start=start)
    path = record.write(tmp_path)
    volts = read_all(path)
    close_v(volts, expected_v(record.counts()))
    other = comtrade.load(str(path), ignore_warnings=True)
    by_package = np.array(other.analog[:3]).T * [1000, 1, 0.001]
    close_v(volts, by_package)


@pytest.mark.parametrize("data_type", DATA_TYPES)
def test_single_file(tmp_path: Path, data_type: str) -> None:
    record = Record("2013", data_type)
    path = tmp_path / "rec.CFF"
    path.write_bytes(record.cff())
    volts = read_all(path)
    close_v(volts, expected_v(record.counts()))
    other = comtrade.load(str(path), ignore_warnings=True)
    close_v(volts, np.array(other.analog[:3]).T * [1000, 1, 0.001])


def test_worked_configuration(tmp_path: Path) -> None:
    angle = 2 * np.pi * 50 / 16000 * np.arange(3200)[:, None] - np.array([0, 2, 4]) * np.pi / 3
    volts = 230 * np.sqrt(2) * np.sin(angle)
    rows = np.zeros(3200, "<u4, <u4, 3<i2, <u2")
    rows["f0"] = np.arange(1, 3201)
    rows["f2"] = np.round(volts / 0.03)
    (tmp_path / "a.dat").write_bytes(rows.tobytes())
    (tmp_path / "a.cfg").write_text(WORKED_CFG, newline="\r\n")
    assert np.abs(read_all(tmp_path / "a.cfg") - volts).max() <= 0.015 + 1e-4  # half a count
    reader = ComtradeReader(tmp_path / "a.cfg")
    contents = reader.contents
    reader.close()
    assert contents.sample_rate_hz == 16000.0
    assert contents.n_samples == 3200
    assert contents.columns == ("U1", "U2", "U3")
    assert contents.full_scale_v == pytest.approx((983.01,) * 3)  # 0.03 V x 32767
    assert contents.start_utc_s == datetime(2026, 11, 25, 5, 10, tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("data_type", "bits"), [("ASCII", 18), ("BINARY", 16), ("BINARY32", 32), ("FLOAT32", 24)]
)
def test_contents(tmp_path: Path, data_type: str, bits: int) -> None:
    reader = ComtradeReader(Record("2013", data_type).write(tmp_path))
    contents = reader.contents
    reader.close()
    assert contents.columns == ("UA", "UB", "UC")  # IA is in amperes
    assert contents.bits == bits
    limit = {"ASCII": 99999, "BINARY": 32767}.get(data_type, 2147483647)
    largest_v = (0.02 * limit + 1, 0.025 * limit + 1.5, 0.04 * limit)
    assert contents.full_scale_v == pytest.approx(largest_v)


@pytest.mark.parametrize("step", [1, 7, 1000, 5000])
def test_pieces_of_any_size_give_the_same(tmp_path: Path, step: int) -> None:
    for data_type in ("ASCII", "BINARY"):
        path = Record("1999", data_type).write(tmp_path)
        np.testing.assert_array_equal(read_all(path, step), read_all(path, 250))


@pytest.mark.parametrize(("cfg", "dat"), [("cfg", "dat"), ("CFG", "DAT"), ("Cfg", "DAT")])
def test_either_file_in_any_letter_case(tmp_path: Path, cfg: str, dat: str) -> None:
    record = Record()
    (tmp_path / f"a.{dat}").write_bytes(record.dat())
    (tmp_path / f"a.{cfg}").write_text(record.cfg(), newline="")
    for suffix in (cfg, dat):
        assert len(read_all(tmp_path / f"a.{suffix}")) == 1000


MISSING = [  # IEEE C37.111 from memory; 0x8000 is certain, the others are less so
    ("1991", "ASCII", b"999999"),
    ("1999", "ASCII", b"99999"),
    ("2013", "ASCII", b"99999"),
    ("2013", "ASCII", b""),
    *[(revision, "BINARY", struct.pack("<h", -(2**15))) for revision in REVISIONS],
    ("2013", "BINARY32", struct.pack("<i", -(2**31))),
    ("2013", "FLOAT32", struct.pack("<f", float("nan"))),
    ("2013", "FLOAT32", bytes.fromhex("0000a07f")),  # a signalling NaN
    ("2013", "FLOAT32", struct.pack("<f", float("-inf"))),
    ("2013", "FLOAT32", struct.pack("<f", -3.4028235e38)),
]


@pytest.mark.parametrize(("revision", "data_type", "code"), MISSING)
def test_missing_values_are_lost_samples(
    tmp_path: Path, revision: str, data_type: str, code: bytes
) -> None:
    record = Record(revision, data_type, n_status=0)
    path = record.write(tmp_path)
    dat = record.dat()
    if data_type == "ASCII":
        lines = dat.split(b"\r\n")
        fields = lines[500].split(b",")
        lines[500] = b",".join([*fields[:3], code, *fields[4:]])
        dat = b"\r\n".join(lines)
    else:
        size = 8 + 4 * len(code)
        at = 500 * size + 8 + len(code)  # the second value of the record
        dat = dat[:at] + code + dat[at + len(code) :]
    (tmp_path / "rec.dat").write_bytes(dat)
    source = RecordingSource(options_for(path), ManualClock())
    source.open()
    first, second = source.read(1.0), source.read(1.0)
    source.close()
    assert first is not None
    assert second is not None
    assert (first.first_index, len(first.volts), first.n_lost) == (0, 500, 0)
    assert (second.first_index, len(second.volts), second.n_lost) == (501, 499, 1)
    close_v(second.volts, expected_v(record.counts())[501:])


def test_missing_current_loses_no_voltage(tmp_path: Path) -> None:
    record = Record()
    counts = record.counts()
    counts[500, 3] = -32768
    path = record.write(tmp_path)
    (tmp_path / "rec.dat").write_bytes(record.dat(counts))
    assert np.isfinite(read_all(path)).all()


def test_minus_one_in_binary_of_1991_is_a_good_value(tmp_path: Path) -> None:
    record = Record("1991")
    path = record.write(tmp_path)
    (tmp_path / "rec.dat").write_bytes(record.dat(np.full((1000, 4), -1.0)))
    close_v(read_all(path), expected_v(np.full((1000, 4), -1.0)))


def options_for(path: Path, **given: object) -> RecordingOptions:
    return RecordingOptions.model_validate({"name": "recording", "path": path, **given})


def test_inputs_are_channel_ids(tmp_path: Path) -> None:
    record = Record()
    source = RecordingSource(options_for(record.write(tmp_path), inputs=["UC"]), ManualClock())
    info = source.open()
    assert info.inputs == ("UC",)
    assert info.full_scale_v == pytest.approx(0.04 * 32767)
    block = source.read(1.0)
    source.close()
    assert block is not None
    close_v(block.volts, expected_v(record.counts())[:, 2:])


@pytest.mark.parametrize("wanted", ["UX", "IA", "S1"])
def test_unknown_input_lists_the_voltages(tmp_path: Path, wanted: str) -> None:
    source = RecordingSource(options_for(Record().write(tmp_path), inputs=[wanted]), ManualClock())
    with pytest.raises(OptionError, match=rf"{wanted} is not in the recording.*UA, UB, UC$"):
        source.open()


@pytest.mark.parametrize(
    ("unit", "volts"), [("V", 1.0), ("v", 1.0), ("KV", 1e3), ("kv", 1e3), ("mV", 1e-3)]
)
def test_units_in_any_case(unit: str, volts: float) -> None:
    layout = read_layout(Path("a.cfg"), WORKED_CFG.replace("U1,A,,V,", f"U1,A,,{unit},"))
    assert layout.voltages[0].gain_v == pytest.approx(0.03 * volts)


@pytest.mark.parametrize("unit", ["A", "", "MV", "Hz"])
def test_channels_in_other_units_are_left_out(unit: str) -> None:
    layout = read_layout(Path("a.cfg"), WORKED_CFG.replace("U1,A,,V,", f"U1,A,,{unit},"))
    assert [(c.name, c.position) for c in layout.voltages] == [("U2", 1), ("U3", 2)]


def test_repeated_and_blank_ids_get_their_number() -> None:
    text = WORKED_CFG.replace("2,U2,", "2,U1,").replace("3,U3,", "3,,")
    names = [channel.name for channel in read_layout(Path("a.cfg"), text).voltages]
    assert names == ["U1#1", "U1#2", "#3"]


def test_value_stays_as_stored_when_secondary() -> None:
    text = WORKED_CFG.replace("32767,1,1,P", "32767,20000,100,S")
    assert read_layout(Path("a.cfg"), text).voltages[0].gain_v == 0.03


def test_skew_makes_inputs_not_simultaneous(tmp_path: Path) -> None:
    record = Record()
    path = record.write(tmp_path)
    path.write_text(record.cfg().replace("V,0.025,-1.5,0.0", "V,0.025,-1.5,12.5"), newline="")
    source = RecordingSource(options_for(path), ManualClock())
    assert not source.open().is_simultaneous
    source.close()
    source = RecordingSource(options_for(path, inputs=["UB"]), ManualClock())
    assert source.open().is_simultaneous
    source.close()


NOON_UTC_S = datetime(2026, 3, 4, 12, 0, 0, 250_000, tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("revision", "start", "zone", "expected_utc_s"),
    [
        ("1991", "03/04/2026,12:00:00.250000", "", NOON_UTC_S),  # month first
        ("1991", "03/04/26,12:00:00.250000", "", NOON_UTC_S),
        ("1991", "25/11/1990,12:00:00.0", "", datetime(1990, 11, 25, 12, tzinfo=UTC).timestamp()),
        ("1999", "04/03/2026,12:00:00.250000", "", NOON_UTC_S),  # day first
        ("1999", "04/03/2026,12:00:00", "", NOON_UTC_S - 0.25),  # no fraction
        ("2013", "04/03/2026,12:00:00.250000", "0", NOON_UTC_S),
        ("2013", "04/03/2026,08:00:00.250000", "-4", NOON_UTC_S),
        ("2013", "04/03/2026,17:30:00.250000", "+5h30", NOON_UTC_S),
        ("2013", "04/03/2026,17:30:00.250000123", "5h30", NOON_UTC_S),  # to the microsecond
        ("1999", "", "", None),
    ],
)
def test_start_in_utc(revision: str, start: str, zone: str, expected_utc_s: float | None) -> None:
    record = Record(revision, start=start, zones=f"{zone},{zone}\n4,0\n")
    assert read_layout(Path("a.cfg"), record.cfg()).start_utc_s == expected_utc_s


def test_start_option_goes_before_the_record(tmp_path: Path) -> None:
    path = Record().write(tmp_path)
    start = datetime(2030, 1, 1, tzinfo=UTC)
    source = RecordingSource(options_for(path, start_utc=start), ManualClock())
    assert source.open().start_utc_s == start.timestamp()
    source.close()


REGULAR = np.floor(np.arange(1000) * 250.0)


@pytest.mark.parametrize("data_type", ["ASCII", "BINARY"])
@pytest.mark.parametrize(
    ("stamps", "timemult", "rate_hz"),
    [
        (REGULAR, "1", 4000.0),
        (REGULAR, "2", 2000.0),
        ((REGULAR + 2**32 - 1000) % 2**32, "1", 4000.0),  # 32-bit stamps wrap
        (np.round(np.arange(1000) * 1e6 / 5760), "1", 5760.0),  # rounded to microseconds
    ],
)
def test_rate_from_regular_stamps(
    tmp_path: Path, data_type: str, stamps: NDArray[np.float64], timemult: str, rate_hz: float
) -> None:
    rates = "0\n0,1000"
    record = Record("1999", data_type, rates=rates, stamps=stamps, timemult=timemult)
    reader = ComtradeReader(record.write(tmp_path))
    # rounded stamps leave at most 1 us on 0.17 s: 6e-6
    assert reader.contents.sample_rate_hz == pytest.approx(rate_hz, rel=6e-6)
    reader.close()


def test_nanosecond_stamps(tmp_path: Path) -> None:
    start = "25/11/2026,05:10:00.250000000"
    record = Record("2013", rates="0\n0,1000", start=start, stamps=REGULAR * 1000)
    reader = ComtradeReader(record.write(tmp_path))
    assert reader.contents.sample_rate_hz == pytest.approx(4000.0, rel=1e-12)
    reader.close()


@pytest.mark.parametrize("data_type", ["ASCII", "BINARY"])
@pytest.mark.parametrize(
    ("stamps", "reason"),
    [
        (np.cumsum(np.where(np.arange(1000) < 500, 250.0, 500.0)), "not evenly spaced"),
        (REGULAR + 20 * (np.arange(1000) == 700), "not evenly spaced"),  # 8 % of a step
        (np.zeros(1000), "neither a sample rate nor times"),
        (REGULAR[::-1].copy(), "not evenly spaced|has 0.000"),
        (REGULAR * 10, "has 400 samples/s; at least 600"),
    ],
)
def test_irregular_stamps_are_refused(
    tmp_path: Path, data_type: str, stamps: NDArray[np.float64], reason: str
) -> None:
    record = Record("1999", data_type, rates="0\n0,1000", stamps=stamps)
    with pytest.raises(OptionError, match=reason):
        ComtradeReader(record.write(tmp_path))


def test_missing_stamp_without_rate_is_refused(tmp_path: Path) -> None:
    stamps = REGULAR.copy()
    stamps[400] = 0xFFFFFFFF
    path = Record(rates="0\n0,1000", stamps=stamps).write(tmp_path)
    assert "time stamps are missing" in refusal(path)
    ComtradeReader(Record(stamps=stamps).write(tmp_path)).close()  # with a rate they do not matter


def test_several_rates_are_refused_and_one_rate_said_twice_is_not(tmp_path: Path) -> None:
    path = Record(rates=f"2\n{RATE_HZ},500\n1000,1000").write(tmp_path)
    assert "changes its sample rate (1000, 4000 samples/s); one fixed rate" in refusal(path)
    path = Record(rates=f"2\n{RATE_HZ},500\n{RATE_HZ},1000").write(tmp_path)
    assert len(read_all(path)) == 1000


def test_rate_limit_is_named(tmp_path: Path) -> None:
    path = Record(rates="1\n599,1000").write(tmp_path)
    assert "has 599 samples/s; at least 600 are needed" in refusal(path)
    ComtradeReader(Record(rates="1\n600,1000").write(tmp_path)).close()


@pytest.mark.parametrize("data_type", DATA_TYPES)
def test_truncated_data_are_refused(tmp_path: Path, data_type: str) -> None:
    record = Record("2013", data_type)
    path = record.write(tmp_path)
    dat = record.dat()
    lines = dat.split(b"\r\n")
    whole = b"\r\n".join(lines[:990]) if data_type == "ASCII" else dat[: len(dat) // 100 * 99]
    (tmp_path / "rec.dat").write_bytes(whole)
    assert "is cut short: 990 records of 1000" in refusal(path)
    (tmp_path / "rec.dat").write_bytes(dat[:-9])
    is_text = data_type == "ASCII"
    reason = "is cut short: 999 records" if is_text else "not a whole number of records"
    assert reason in refusal(path)
    (tmp_path / "rec.dat").write_bytes(b"")
    assert "is cut short: 0 records of 1000" in refusal(path)


@pytest.mark.parametrize("data_type", DATA_TYPES)
def test_truncated_single_file_is_refused(tmp_path: Path, data_type: str) -> None:
    path = tmp_path / "a.cff"
    path.write_bytes(Record("2013", data_type).cff()[:-1000])
    assert "is cut short" in refusal(path)
    path.write_bytes(Record("2013", data_type).cff()[:200])
    assert "no data section" in refusal(path)
    path.write_bytes(b"\x00\x01" * 1000)
    assert "is not a COMTRADE .cff file" in refusal(path)


def test_single_file_whose_heading_contradicts_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.cff"
    path.write_bytes(Record("2013").cff().replace(b"DAT BINARY", b"DAT ASCII"))
    assert "heads its data ASCII, but its configuration says BINARY" in refusal(path)


def test_missing_files_are_refused(tmp_path: Path) -> None:
    path = Record().write(tmp_path)
    (tmp_path / "rec.dat").unlink()
    assert "has no .dat file of the same name beside it" in refusal(path)
    assert "none.cfg" in refusal(tmp_path / "none.cfg")
    assert "cannot be read: No such file" in refusal(tmp_path / "none.cff")
    assert "cannot be read: No such file" in refusal(tmp_path / "folder" / "none.dat")


def test_holes_in_the_numbering_are_refused(tmp_path: Path) -> None:
    record = Record()
    path = record.write(tmp_path)
    dat = record.dat()
    size = len(dat) // 1000
    (tmp_path / "rec.dat").write_bytes(dat[: 400 * size] + dat[401 * size :] + dat[-size:])
    assert "not numbered one by one: record 401 has the number 402" in refusal(path)


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ("SITE1,REC1,2013", "SITE1,REC1,2031", "is COMTRADE 2031, not 1991, 1999"),
        ("4,3A,1D", "4,3A", "cannot be read at line"),
        ("4,3A,1D", "4,3A,9999999999D", "channels; at most 999999 are read"),
        ("1,U1,A,,V,0.03", "1,U1,A,,V,much", "cannot be read at line 3"),
        ("1,U1,A,,V,0.03", "1,U1,A,,V,nan", "has no usable scale for 'U1'"),
        ("16000,3200", "16000,0", "holds no samples"),
        ("16000,3200", "nan,3200", "nan samples/s"),
        ("16000,3200", "inf,3200", "inf samples/s"),
        ("1\n16000,3200", "-1", "neither|holds no samples|cannot be read"),
        ("BINARY", "BINARY64", "has data of type 'BINARY64', not ASCII, BINARY"),
        (",V,", ",A,", "has no channel in V, kV or mV"),
        ("0,0\n4,0", "5:30,0\n4,0", "has the time_code '5:30', not one like"),
        ("25/11/2026", "35/11/2026", "cannot be read at line 10"),
    ],
)
def test_malformed_configurations_are_refused(old: str, new: str, reason: str) -> None:
    with pytest.raises(OptionError, match=reason) as caught:
        read_layout(Path("a.cfg"), WORKED_CFG.replace(old, new))
    assert "a.cfg" in str(caught.value)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"6,1250,1,2", "is no record of 6 fields: '6,1250,1,2'"),
        (b"six,1250,1,2,3,4", "is no record of 6 fields"),
        (b"99999999999999999999,1250,1,2,3,4", "is no record of 6 fields"),
        (b"6,1250,1,two,3,4", "has 'two' for a number"),
    ],
)
def test_malformed_lines_are_refused_at_opening(tmp_path: Path, line: bytes, reason: str) -> None:
    record = Record("1999", "ASCII", n_status=0)
    path = record.write(tmp_path)
    lines = record.dat().split(b"\r\n")
    lines[5] = line
    (tmp_path / "rec.dat").write_bytes(b"\r\n".join(lines))
    assert reason in refusal(path)


def test_odd_code_page_in_names_is_no_obstacle(tmp_path: Path) -> None:
    path = Record().write(tmp_path)
    path.write_bytes(path.read_bytes().replace(b"SITE1", b"Stra\xdfe"))
    assert len(read_all(path)) == 1000


@settings(max_examples=150, deadline=None)
@given(
    at=st.integers(0, len(WORKED_CFG) - 1),
    n_removed=st.integers(0, 12),
    inserted=st.text("0123456789,.-+eAD\n/:xn ", max_size=4),
)
def test_damaged_configurations_are_read_or_refused(at: int, n_removed: int, inserted: str) -> None:
    damaged = WORKED_CFG[:at] + inserted + WORKED_CFG[at + n_removed :]
    try:
        layout = read_layout(Path("a.cfg"), damaged)
    except OptionError:
        return
    assert layout.n_samples > 0
    assert layout.voltages


def test_long_record_is_streamed_in_little_memory(tmp_path: Path) -> None:
    n_samples = 600 * 8000
    record = Record(rates=f"1\n8000,{n_samples}", n_status=0)
    path = record.write(tmp_path)
    rows = np.zeros(100_000, "<u4, <u4, 4<i2")
    with (tmp_path / "rec.dat").open("wb") as file:
        for start in range(1, n_samples, len(rows)):
            rows["f0"] = np.arange(start, start + len(rows))
            file.write(rows.tobytes())
    source = RecordingSource(options_for(path), ManualClock())
    tracemalloc.start()
    source.open()
    n_read = 0
    while n_read < n_samples:
        block = source.read(1.0)
        assert block is not None
        n_read += len(block.volts)
    peak_bytes = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    with pytest.raises(SourceEnded):
        source.read(1.0)
    source.close()
    # whole: 77 MB as stored; a piece of 8192 records in float64 several times over: below 2 MB
    assert peak_bytes < 3_000_000


@pytest.fixture(scope="session")
def recordings(pytestconfig: pytest.Config) -> Path:
    return open_recordings(pytestconfig)


@pytest.mark.online
@pytest.mark.parametrize(
    ("name", "n_samples", "voltages", "start"),
    [
        ("test1", 24768, 3, datetime(2007, 6, 25, 19, 13, 57, 789757, tzinfo=UTC)),
        ("test2", 13248, 12, datetime(2007, 1, 1, 12, 22, 50, 407500, tzinfo=UTC)),
    ],
)
def test_real_recordings_match_the_package(
    recordings: Path, name: str, n_samples: int, voltages: int, start: datetime
) -> None:
    path = recordings / f"{name}.cfg"
    source = RecordingSource(options_for(path), ManualClock())
    info = source.open()
    assert (info.sample_rate_hz, info.n_samples) == (5760.0, n_samples)
    assert len(info.inputs) == voltages
    assert info.start_utc_s == pytest.approx(start.timestamp(), abs=1e-6)
    pieces: list[NDArray[np.float32]] = []
    while sum(map(len, pieces)) < n_samples:
        block = source.read(1.0)
        assert block is not None
        assert block.n_lost == 0
        pieces.append(block.volts)
    source.close()
    other = comtrade.load(str(path), use_double_precision=True)
    for column, channel in enumerate(info.inputs):
        position = other.analog_channel_ids.index(channel)
        unit = {"kV": 1000.0, "V": 1.0}[other.cfg.analog_channels[position].uu]
        expected = np.array(other.analog[position]) * unit
        # float32 rounding of the volts: half a unit in 2**24
        np.testing.assert_allclose(np.concatenate(pieces)[:, column], expected, rtol=2.0**-24)
