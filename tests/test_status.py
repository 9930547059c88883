"""The snapshot file: what is written is what is read, and nothing else is believed."""

import io
import json
import math
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from daemon.status import Snapshot, WaveformStatus, read_snapshot, snapshot_as_json, write_snapshot
from tests.page_material import plausible_snapshot


def test_read_gives_back_exactly_what_was_written(tmp_path: Path) -> None:
    path = tmp_path / "status.json"
    write_snapshot(path, plausible_snapshot())
    assert read_snapshot(path) == plausible_snapshot()


def test_keys_are_the_agreed_ones(tmp_path: Path) -> None:
    path = tmp_path / "status.json"
    write_snapshot(path, plausible_snapshot())
    content = json.loads(path.read_text(encoding="utf-8"))
    assert set(content) == {
        "version", "written_utc", "state", "site", "supply", "capture", "driver", "run",
        "channels", "frequency_hz", "waveform", "health", "u2_pct", "u0_pct",
    }  # fmt: skip
    assert content["state"] == "watching"
    assert content["channels"][0]["harmonics_pct"][0] == 100.0
    assert len(content["channels"][0]["harmonics_pct"]) == 50
    assert content == snapshot_as_json(plausible_snapshot())


def test_only_the_file_itself_is_left_in_the_folder(tmp_path: Path) -> None:
    path = tmp_path / "status.json"
    write_snapshot(path, plausible_snapshot())
    write_snapshot(path, plausible_snapshot())
    assert [entry.name for entry in tmp_path.iterdir()] == ["status.json"]


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, np.float32("nan")])
def test_numbers_that_json_does_not_know_become_null(tmp_path: Path, value: float) -> None:
    """RFC 8259 section 6: "Numeric values that cannot be represented ... are not permitted"."""
    good = plausible_snapshot()
    channel = replace(good.channels[0], thd_pct=value, harmonics_pct=(100.0, value))
    path = tmp_path / "status.json"
    write_snapshot(path, replace(good, channels=(channel,), frequency_hz=value))
    snapshot = read_snapshot(path)
    assert snapshot is not None
    assert snapshot.frequency_hz is None
    assert snapshot.channels[0].thd_pct is None
    assert snapshot.channels[0].harmonics_pct == (100.0, None)


def test_numpy_numbers_are_written_as_plain_ones(tmp_path: Path) -> None:
    good = plausible_snapshot()
    health = replace(good.health, samples_lost=7, ring_fill_pct=np.float64(0.5))
    path = tmp_path / "status.json"
    write_snapshot(path, replace(good, frequency_hz=np.float64(49.99), health=health))
    snapshot = read_snapshot(path)
    assert snapshot is not None
    assert snapshot.frequency_hz == 49.99
    assert (snapshot.health.samples_lost, snapshot.health.ring_fill_pct) == (7, 0.5)


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b"\xff\xfe\x00",
        b'{"version": "0.1.0"}',
        b'{"hello": "another program wrote this"}',
    ],
)
def test_a_foreign_file_is_no_snapshot(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "status.json"
    path.write_bytes(content)
    assert read_snapshot(path) is None


def test_a_missing_file_or_a_folder_is_no_snapshot(tmp_path: Path) -> None:
    assert read_snapshot(tmp_path / "missing" / "status.json") is None
    assert read_snapshot(tmp_path) is None


def test_every_cut_of_the_file_is_no_snapshot(tmp_path: Path) -> None:
    path = tmp_path / "status.json"
    write_snapshot(path, plausible_snapshot())
    whole = path.read_bytes()
    for length in range(0, len(whole), 97):
        path.write_bytes(whole[:length])
        assert read_snapshot(path) is None


@pytest.mark.parametrize(
    ("key", "value"),
    [("state", "dancing"), ("frequency_hz", "NaN"), ("channels", 3), ("written_utc", None)],
)
def test_a_wrong_value_is_no_snapshot(tmp_path: Path, key: str, value: object) -> None:
    path = tmp_path / "status.json"
    content = snapshot_as_json(plausible_snapshot()) | {key: value}
    path.write_text(json.dumps(content), encoding="utf-8")
    assert read_snapshot(path) is None


def test_a_folder_that_is_not_there_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="missing"):
        write_snapshot(tmp_path / "missing" / "status.json", plausible_snapshot())


def test_a_reader_never_sees_half_a_file(tmp_path: Path) -> None:
    path = tmp_path / "status.json"
    short = plausible_snapshot()
    waveform = WaveformStatus(16000.0, {"L1": (1.0,) * 5_000})
    assert len(json.dumps(waveform.channels)) > 2 * io.DEFAULT_BUFFER_SIZE  # several writes
    long = replace(short, waveform=waveform)
    write_snapshot(path, short)
    seen: list[Snapshot | None] = []
    done = threading.Event()

    def read_all_the_time() -> None:
        while not done.is_set():
            seen.append(read_snapshot(path))

    reader = threading.Thread(target=read_all_the_time)
    reader.start()
    for _ in range(40):
        write_snapshot(path, long)
        write_snapshot(path, short)
    done.set()
    reader.join()
    assert seen
    assert all(snapshot in (short, long) for snapshot in seen)
