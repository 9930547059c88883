"""Exported files, read by programs of other hands: the comtrade package, soundfile, csv."""

import csv
import io
import json
import sqlite3
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import comtrade
import numpy as np
import pytest
import soundfile

from daemon.archive import JSON_KEYS, EventFilter, open_archive
from daemon.comtrade_writer import Channel, DataType, Flavour, Record, Revision, comtrade_files
from daemon.store import Store
from tests.after_watch_material import RATE_HZ, RUN_UTC_S, fill, run, seen_dip, sine
from tests.database_material import judged, run_info
from tools.export import FORMATS

FLAVOURS = [
    ("1999", "ascii"), ("1999", "binary"), ("2013", "ascii"), ("2013", "binary"),
    ("2013", "float32"),
]  # fmt: skip


@pytest.fixture
def path(tmp_path: Path) -> Path:
    fill(tmp_path / "a.db")
    return tmp_path / "a.db"


def check_record(found: comtrade.Comtrade, path: Path, start_s: float, step_v: float) -> None:
    """Against the samples in the database; half a step, as the format rounds to steps of `a`."""
    event = next(e for e in open_archive(path).events(EventFilter()) if e.start_s == start_s)
    (wave,) = open_archive(path).waveforms(event.id)
    assert (found.analog_count, found.status_count) == (1, 1)
    assert found.total_samples == len(wave.volts) == 3200
    assert found.cfg.sample_rates == [[RATE_HZ, 3200]]
    assert np.abs(np.array(found.analog[0]) - wave.volts).max() <= 0.5001 * step_v
    first_utc_s = found.start_timestamp.replace(tzinfo=UTC).timestamp()
    trigger_utc_s = found.trigger_timestamp.replace(tzinfo=UTC).timestamp()
    # the database keeps milliseconds; the samples' own spacing is kept to a microsecond
    assert trigger_utc_s == pytest.approx(RUN_UTC_S + start_s, abs=0.0006)
    assert trigger_utc_s - first_utc_s == pytest.approx(0.1, abs=2e-6)
    assert found.trigger_time == pytest.approx(0.1, abs=0.5 / RATE_HZ)
    status = np.array(found.status[0])
    assert np.flatnonzero(np.diff(status, prepend=0) == 1).tolist() == [800]  # 0.1 s x 8000 Hz
    assert status.sum() == 1600  # 0.2 s
    assert found.time[-1] == pytest.approx(3199 / RATE_HZ, abs=1e-6)
    assert found.frequency == 50.0


@pytest.mark.parametrize(("revision", "data"), FLAVOURS)
def test_comtrade_is_read_back(path: Path, tmp_path: Path, revision: str, data: str) -> None:
    out = tmp_path / "out"
    words = ["--format", "comtrade", "--revision", revision, "--data", data]
    assert run("export", path, "-o", out, *words).exit_code == 0
    names = sorted(out.glob("*.cfg"))
    assert len(names) == 3
    step_v = 325.27 / 32767 if data != "float32" else 2 * 325.27 * 2.0**-24
    for name, start_s in zip(names, (3600.0, 9000.5, 20_000.25), strict=True):
        found = comtrade.Comtrade(ignore_warnings=True)
        found.load(str(name), str(name.with_suffix(".dat")))
        assert (found.rev_year, found.ft) == (revision, data.upper())
        check_record(found, path, start_s, step_v)


@pytest.mark.parametrize("data", ["ascii", "binary", "float32"])
def test_a_single_file_is_read_back(path: Path, tmp_path: Path, data: str) -> None:
    out = tmp_path / "out"
    assert run("export", path, "-o", out, "--format", "cff", "--data", data).exit_code == 0
    step_v = 325.27 / 32767 if data != "float32" else 2 * 325.27 * 2.0**-24
    for name, start_s in zip(sorted(out.iterdir()), (3600.0, 9000.5, 20_000.25), strict=True):
        found = comtrade.Comtrade(ignore_warnings=True)
        found.load(str(name))
        check_record(found, path, start_s, step_v)
        assert "Event" in found.hdr


def test_records_have_the_length_and_lines_of_the_standard(path: Path, tmp_path: Path) -> None:
    """Record sizes and line ends as in C37.111 (from memory): 8 + 2 A + 2 ceil(D/16)."""
    out = tmp_path / "out"
    run("export", path, "-o", out, "--format", "comtrade")
    (name, *_) = sorted(out.glob("*.cfg"))
    text = name.read_bytes()
    assert text.count(b"\n") == text.count(b"\r\n") == 13
    assert not text.startswith(b"\xef\xbb\xbf")
    lines = text.decode().split("\r\n")
    assert lines[0] == "Bäckerei; Ofen,Halfcycle,2013"
    assert lines[-3:] == ["0,+1", "9,3", ""]
    assert name.with_suffix(".dat").stat().st_size == 3200 * 12


def record(**changes: object) -> Record:
    values: dict[str, object] = {
        "station": "A",
        "device": "B",
        "channels": (Channel("L1", "", np.zeros(4, dtype=np.float32)),),
        "is_event": np.zeros(4, dtype=np.bool_),
        "sample_rate_hz": 8000.0,
        "frequency_hz": 60.0,
        "trigger_utc_s": 0.0,
        "trigger_after_s": 0.0,
        "local_offset_s": 19_800.0,
        "clock": "free",
        "remark": "",
    }
    return Record(**(values | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("clock", "quality"), [("synchronised", "9"), ("corrected", "A"), ("free", "F")]
)
def test_the_clock_is_said(clock: str, quality: str) -> None:
    """tmq_code of C37.111-2013 (from memory): 9 is within 100 ms, A within 1 s, F failed."""
    files = comtrade_files(record(clock=clock), Flavour(Revision.NEW, DataType.BINARY))
    assert files.cfg.decode().split("\r\n")[-3:] == ["0,+5h30", f"{quality},3", ""]
    west = comtrade_files(record(local_offset_s=-14_400.0), Flavour(Revision.NEW, DataType.ASCII))
    assert west.cfg.decode().split("\r\n")[-3] == "0,-4"


def test_names_become_what_the_old_revision_allows() -> None:
    one = record(station="Büro,\n1", channels=record().channels * 2)
    lines = comtrade_files(one, Flavour(Revision.OLD, DataType.ASCII)).cfg.decode("ascii")
    assert lines.startswith("Buro; 1,B,1999\r\n3,2A,1D\r\n")


def test_wav_is_read_back(path: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert run("export", path, "-o", out, "--format", "wav").exit_code == 0
    name = sorted(out.iterdir())[0]
    assert name.name.endswith("_400V.wav")
    with soundfile.SoundFile(name) as file:
        assert (file.samplerate, file.channels, file.subtype) == (8000, 1, "PCM_16")
        assert file.comment == "mains voltage, full scale is 400 V"
        volts = file.read() * 400.0
    (wave,) = open_archive(path).waveforms(1)
    assert np.abs(volts - wave.volts).max() <= 0.5001 * 400 / 32768


def test_tables_are_read_back(path: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert run("export", path, "-o", out, "--format", "csv", "--format", "jsonl").exit_code == 0
    rows = list(csv.DictReader(io.StringIO((out / "events.csv").read_text())))
    assert [row["value"] for row in rows] == ["140.3"] * 3 + ["200.0"]
    lines = [json.loads(line) for line in (out / "events.jsonl").read_text().splitlines()]
    assert [line["start_utc"] for line in lines] == [row["start_utc"] for row in rows]
    log = list(csv.DictReader(io.StringIO((out / "log.csv").read_text())))
    assert [(row["kind"], row["duration_s"]) for row in log] == [
        ("started", ""), ("unobserved", "600.0"),
    ]  # fmt: skip
    assert json.loads((out / "log.jsonl").read_text().splitlines()[1])["text"] == "samples lost"
    program = str(Path(sys.executable).with_name("sqlite-utils"))
    command = [program, "insert", str(tmp_path / "copy.db"), "event", str(out / "events.csv")]
    subprocess.run([*command, "--csv"], check=True, timeout=30)
    connection = sqlite3.connect(tmp_path / "copy.db")
    assert connection.execute("SELECT count(*), max(value) FROM event").fetchone()[0] == 4
    connection.close()


def test_the_table_says_what_a_reader_needs_besides(path: Path, tmp_path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute(
        "UPDATE event SET uncertainty = 0.9, duration_uncertainty_s = 0.02, "
        "cause = 'probable: a motor that started', evidence = 'it rose slowly' WHERE id = 2"
    )
    connection.commit()
    connection.close()
    assert run("export", path, "-o", tmp_path / "out", "--format", "csv").exit_code == 0
    text = (tmp_path / "out" / "events.csv").read_text()
    rows = list(csv.DictReader(io.StringIO(text)))
    assert text.startswith(",".join(JSON_KEYS) + ",start_local,uncertainty,")
    assert (rows[1]["uncertainty"], rows[1]["duration_uncertainty_s"]) == ("0.9", "0.02")
    assert rows[1]["cause"] == "probable: a motor that started"
    assert (rows[0]["cause"], rows[1]["evidence"]) == ("", "it rose slowly")
    local = datetime.strptime(rows[1]["start_local"], "%Y-%m-%d %H:%M:%S.%f %z")
    assert local.timestamp() == pytest.approx(RUN_UTC_S + 9000.5, abs=0.001)


def test_json_lines_say_the_same_besides(path: Path, tmp_path: Path) -> None:
    assert run("export", path, "-o", tmp_path / "out", "--format", "csv", "--format", "jsonl")
    row = next(csv.DictReader(io.StringIO((tmp_path / "out" / "events.csv").read_text())))
    line = json.loads((tmp_path / "out" / "events.jsonl").read_text().splitlines()[0])
    assert list(line) == list(row)
    assert line["start_local"] == row["start_local"]


def test_two_watches_are_never_mixed_in_a_folder(path: Path, tmp_path: Path) -> None:
    out, other = tmp_path / "out", tmp_path / "other.db"
    fill(other, (4000.0,))
    every = [word for name in FORMATS for word in ("--format", name)]
    for words in (["--format", "csv"], every, every):  # the same watch once more, and whole
        assert run("export", path, "-o", out, *words).exit_code == 0
    held = {file.name: file.read_bytes() for file in out.iterdir()}
    found = run("export", other, "-o", out, "--format", "csv")
    assert found.exit_code == 2
    assert "no export of this database" in found.output
    assert {file.name: file.read_bytes() for file in out.iterdir()} == held


@pytest.mark.parametrize(
    ("name", "content"),
    [("notes.txt", "mine"), ("events.csv", "start_utc\n2020-01-01T00:00:00.000Z\n"),
     ("log.jsonl", '{"start_utc": "2020-01-01T00:00:00.000Z"}\n')],
)  # fmt: skip
def test_a_folder_with_other_files_is_left_alone(
    path: Path, tmp_path: Path, name: str, content: str
) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / name).write_text(content)
    found = run("export", path, "-o", tmp_path / "out")
    assert found.exit_code == 2
    assert name in found.output
    assert (tmp_path / "out" / name).read_text() == content


def test_names_sort_by_time_and_the_database_stays(tmp_path: Path) -> None:
    path, out = tmp_path / "a.db", tmp_path / "out"
    fill(path, (20_000.25, 3600.0, 9000.5))  # ids against the order of time
    before = path.read_bytes()
    wanted = [word for name in FORMATS for word in ("--format", name)]
    assert run("export", path, "-o", out, *wanted).exit_code == 0
    stems = sorted(name.name for name in out.glob("*.cfg"))
    assert [stem.split("_")[1] for stem in stems] == ["event000002", "event000003", "event000001"]
    assert path.read_bytes() == before
    assert [name.name for name in tmp_path.iterdir() if name.name != "out"] == ["a.db"]


def test_a_long_event_gives_a_record_for_each_end(tmp_path: Path) -> None:
    path, out = tmp_path / "a.db", tmp_path / "out"
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info(channels=("L1",)))
    ends = (sine(99.9, 0.3, 0.61), sine(159.9, 0.3, 0.61))
    long = replace(seen_dip(1, 100.0), duration_s=60.0, waveforms=ends)
    store.add(run_id, [judged(long)], [])
    store.close()
    found = run("export", path, "-o", out, "--format", "comtrade", "--format", "wav")
    assert "1 event in 8 files" in found.output.lower()
    assert "Of 1 long event the waveform is in parts" in found.output
    assert "No waveform" not in found.output
    names = sorted(out.glob("*.cfg"))
    assert [name.stem.endswith("_part2") for name in names] == [False, True]
    starts = []
    for name in names:
        found = comtrade.Comtrade(ignore_warnings=True)
        found.load(str(name), str(name.with_suffix(".dat")))
        assert found.trigger_time == pytest.approx(0.1, abs=0.5 / RATE_HZ)
        starts.append(found.start_timestamp)
    assert (starts[1] - starts[0]).total_seconds() == pytest.approx(60.0, abs=2e-6)


def test_events_without_a_waveform_are_counted(path: Path, tmp_path: Path) -> None:
    """Of four events three have a waveform, each in one part: three files of COMTRADE each."""
    found = run("export", path, "-o", tmp_path / "out", "--format", "comtrade")
    assert found.output.splitlines()[0].startswith("4 events in 9 files")
    assert found.output.splitlines()[1:] == ["No waveform was kept of 1 event."]
    found = run("export", path, "-o", tmp_path / "tables", "--format", "csv")
    assert len(found.output.splitlines()) == 1


def test_a_table_that_cannot_be_read_to_its_end_leaves_no_half_of_it(
    path: Path, tmp_path: Path
) -> None:
    """Only the newest row is looked at before: the second of four has a kind no monitor writes."""
    connection = sqlite3.connect(path)
    connection.execute("UPDATE event SET kind = 'tremor' WHERE id = 2")
    connection.commit()
    connection.close()
    found = run("export", path, "-o", tmp_path / "out", "--format", "csv")
    assert found.exit_code == 3
    assert "no monitor writes" in found.output
    assert not (tmp_path / "out").exists()
    (tmp_path / "mine").mkdir()
    assert run("export", path, "-o", tmp_path / "mine").exit_code == 3
    assert list((tmp_path / "mine").iterdir()) == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--revision", "1999", "--data", "float32"], "1999 has no FLOAT32"),
        (["--format", "xls"], "xls"),
        (["--format", "cff", "--revision", "1999"], "cff exists only since 2013"),
    ],
)
def test_wrong_wishes_are_refused(path: Path, tmp_path: Path, words: list[str], said: str) -> None:
    found = run("export", path, "-o", tmp_path / "out", *words)
    assert found.exit_code == 2
    assert said in found.output
    assert not (tmp_path / "out").exists()
