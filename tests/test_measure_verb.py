"""`halfcycle measure`: its intervals, keys and values, against what the recording is made of."""

import math
import signal
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from daemon.records import Output, TwoHourValue
from tests.signals import make_setup
from tests.whole_material import (
    RATE_HZ,
    halfcycle,
    json_lines,
    running,
    wav_driver,
    write_config,
    write_wav,
)
from tools.cli import main
from tools.measure import _HEADINGS, _LINES, _ROWS

FREQUENCY_HZ = 50.05
THIRD_PCT = 6.0
DURATION_S = 31.0
LONG_S = 601.0  # one slot of ten minutes, and what shows that it is over
LONG_RATE_HZ = 2000
FUNDAMENTAL_V = 229.0
LOW = 0.95
URMS_V = FUNDAMENTAL_V * math.hypot(1.0, THIRD_PCT / 100)


def written(folder: Path, duration_s: float, rate_hz: int) -> Path:
    """Two inputs, the second at 95 % of the voltage of the first; nothing happens."""
    t_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    volts = np.sin(2 * np.pi * FREQUENCY_HZ * t_s + 0.3)
    volts += THIRD_PCT / 100 * np.sin(2 * np.pi * 3 * FREQUENCY_HZ * t_s + 1.0)
    volts *= FUNDAMENTAL_V * np.sqrt(2)
    write_wav(folder / "a.wav", np.stack([volts, LOW * volts], axis=1), rate_hz)
    channels = [{"name": "L1", "input": 0}, {"name": "L2", "input": 1}]
    return write_config(folder, wav_driver(), channels=channels)


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("measure"), DURATION_S, RATE_HZ)


@pytest.fixture(scope="module")
def long_config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("measure-long"), LONG_S, LONG_RATE_HZ)


@pytest.fixture(autouse=True)
def own_signals() -> Iterator[None]:
    """The verb takes SIGTERM and SIGINT for itself; the tests want theirs back."""
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


def measured(config: Path, interval: str) -> list[dict[str, object]]:
    """In the test's own process, for speed; from a shell it says the same, see the table."""
    words = ["measure", "-c", str(config), "--interval", interval, "--format", "jsonl"]
    result = CliRunner().invoke(main, words)
    assert (result.exit_code, result.stderr) == (0, "")
    return json_lines(result.stdout)


def column(rows: list[dict[str, object]], key: str, channel: str | None = None) -> list[float]:
    return [float(str(row[key])) for row in rows if channel in (None, row.get("channel"))]


def test_half_cycles(config: Path) -> None:
    rows = measured(config, "half-cycle")
    assert list(rows[0]) == ["t_s", "channel", "urms_v"]
    t_s = np.array(column(rows, "t_s", "L1"))
    # two values a cycle, each half a cycle after the one before it
    assert len(t_s) == pytest.approx(2 * FREQUENCY_HZ * DURATION_S, abs=4)
    # zero crossings of rounded samples: 16 bits of 800 V are 24 mV, far below a sample's rise
    assert np.diff(t_s) == pytest.approx(0.5 / FREQUENCY_HZ, abs=2e-5)
    for channel, share in (("L1", 1.0), ("L2", LOW)):
        urms_v = np.array(column(rows, "urms_v", channel))
        # 0.1 % of 230 V is the bar (IEC 61000-4-30 class A); whole cycles of a clean wave
        assert urms_v == pytest.approx(share * URMS_V, abs=0.23)


def test_basic_intervals(config: Path) -> None:
    rows = measured(config, "basic")
    assert list(rows[0]) == [
        "t_s", "channel", "urms_v", "frequency_hz", "thd_pct", "harmonics_pct", "flagged",
    ]  # fmt: skip
    first = [row for row in rows if row["channel"] == "L1"]
    t_s = np.array(column(first, "t_s"))
    assert np.diff(t_s) == pytest.approx(10 / FREQUENCY_HZ, abs=2e-5)  # ten cycles, no hole
    assert column(first, "urms_v") == pytest.approx([URMS_V] * len(first), abs=0.023)  # aim 0.01 %
    assert column(first, "frequency_hz") == pytest.approx([FREQUENCY_HZ] * len(first), abs=0.005)
    # IEC 61000-4-7 class I: 5 % of the harmonic; this is an ideal wave, so ten times better
    assert column(first, "thd_pct") == pytest.approx([THIRD_PCT] * len(first), abs=0.03)
    harmonics = first[1]["harmonics_pct"]
    assert isinstance(harmonics, list)
    assert len(harmonics) == 50
    assert harmonics[0] == 100.0
    assert harmonics[2] == pytest.approx(THIRD_PCT, abs=0.03)
    assert max(harmonics[1], *harmonics[3:]) < 0.05
    assert not any(row["flagged"] for row in rows)


def test_ten_seconds(config: Path) -> None:
    rows = measured(config, "10s")
    assert list(rows[0]) == ["t_s", "frequency_hz"]
    assert column(rows, "t_s") == [10.0 * n for n in range(len(rows))]
    assert len(rows) == 3
    assert column(rows, "frequency_hz") == pytest.approx([FREQUENCY_HZ] * len(rows), abs=0.001)


def test_ten_minutes(long_config: Path) -> None:
    rows = measured(long_config, "10min")
    assert [list(row) for row in rows] == [["t_s", "channel", "urms_v", "pst"]] * 2
    assert [(row["t_s"], row["channel"]) for row in rows] == [(0.0, "L1"), (0.0, "L2")]
    assert column(rows, "urms_v") == pytest.approx([URMS_V, LOW * URMS_V], abs=0.023)


def test_two_hours() -> None:
    setup = make_setup(1000, channels=("L1", "L2"))
    values = [
        TwoHourValue(1, 7_200_000, 229.5, 0.2, 0.0, 3.1, plt, flagged=False) for plt in (0.43, None)
    ]
    rows = list(_ROWS["2h"](Output(two_hour=values), setup))
    assert rows[0] == {"t_s": 7200.0, "channel": "L2", "urms_v": 229.5, "plt": 0.43}
    lines = [_HEADINGS["2h"], *map(_LINES["2h"], rows)]
    assert [line.split() for line in lines] == [
        ["Time", "s", "Channel", "Voltage", "V", "Plt"],
        ["7200.0000", "L2", "229.500", "0.430"],
        ["7200.0000", "L2", "229.500", "-"],
    ]


def test_two_hours_are_not_over_in_half_a_minute(config: Path) -> None:
    assert measured(config, "2h") == []


def test_the_table_has_the_same_values(config: Path) -> None:
    rows = measured(config, "10s")
    done = halfcycle("measure", "-c", config, "--interval", "10s")
    assert (done.returncode, done.stderr) == (0, "")
    heading, *lines = done.stdout.splitlines()
    assert heading.split() == ["Time", "s", "Frequency", "Hz"]
    assert [line.split() for line in lines] == [
        [f"{row['t_s']:.4f}", f"{row['frequency_hz']:.4f}"] for row in rows
    ]


def test_it_stores_nothing(config: Path) -> None:
    assert sorted(entry.name for entry in config.parent.iterdir()) == ["a.wav", "site.yaml"]


def test_a_reader_that_has_seen_enough_is_no_error(long_config: Path) -> None:
    with running("measure", "-c", long_config, "--interval", "half-cycle") as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline().startswith("      Time s")
        process.stdout.close()
        process.wait(20)
        assert process.stderr.read() == ""
