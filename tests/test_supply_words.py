"""What is said of the supply over days: from samples to sentences, against numpy."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import yaml
from click.testing import CliRunner

from daemon.archive import open_archive
from daemon.clock import SampleClock
from daemon.daily import DailyStatistics, DayStatistics
from daemon.pipeline import Pipeline
from daemon.profiles import find_profile
from daemon.store import Store
from daemon.supply_statistics import Quantity, SupplyStatistics
from daemon.tolerance import SupplyProfile
from drivers.clock import ManualClock
from drivers.errors import SourceEnded
from drivers.simulated import SimulatedOptions, SimulatedSource
from tests.database_material import run_info
from tests.signals import make_setup
from tests.test_app import watch as watch_recording
from tests.test_cli_read import SNAPSHOT
from tests.whole_material import settings_in
from tools.cli import main
from tools.supply_words import NOTHING_KEPT, Place, read_days, supply_sentences

RATE_HZ = 2000.0
SLOT_S = 600
BLOCK_S = 10
START = datetime(2026, 11, 25, 7, 0, tzinfo=UTC)
FIRST_DAY = date(2026, 11, 2)


def supply(name: str) -> SupplyProfile:
    profile = find_profile(name, None)
    assert isinstance(profile, SupplyProfile)
    return profile


EN_50160 = supply("en-50160-lv")


# --- from samples to the database -----------------------------------------------------------------


def scenario(folder: Path, n_slots: int) -> SimulatedOptions:
    """Ten minutes each at another level from 91 to 109 %; the frequency wanders."""
    levels = np.random.default_rng(12).uniform(91, 109, n_slots + 1).round(2)
    timeline = []
    for number, level in enumerate(levels.tolist()):
        entry = {"at_s": SLOT_S * number + 20.0, "duration_s": SLOT_S - 40.0}
        key = "residual_pct" if level < 100 else "magnitude_pct"
        timeline.append({"kind": "dip" if level < 100 else "swell", key: level, **entry})
    raw = {
        "supply": {"nominal_v": 230, "frequency_hz": 50, "frequency_wander_hz": 0.3},
        "timeline": timeline,
    }
    path = folder / "levels.yaml"
    path.write_text(yaml.safe_dump(raw))
    return SimulatedOptions(
        name="simulated",
        sample_rate_hz=RATE_HZ,
        scenario=path,
        pace="as_fast_as_possible",
        start_utc=START,
        block_s=BLOCK_S,
        duration_s=SLOT_S * n_slots + 2 * BLOCK_S,  # enough to end the last slot
    )


def watch(options: SimulatedOptions, path: Path) -> tuple[list[float], list[float]]:
    """Samples through the pipeline into the database; give what numpy makes of them.

    :return: rms in % of 230 V of each ten minutes, and 50 Hz plus the wander over each ten seconds.
    """
    source = SimulatedSource(options, ManualClock())
    info = source.open()
    clock = SampleClock(ManualClock(), info)
    # Long frames are quicker and measure the same (tests/test_pipeline.py).
    pipeline = Pipeline(replace(make_setup(RATE_HZ), frame_s=40.0))
    daily = DailyStatistics(["L1"], 230, "UTC")
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info(started_utc_s=START.timestamp(), channels=("L1",)))
    mean_squares = []
    try:
        while True:
            block = source.read(1.0)
            assert block is not None
            mean_squares.append(float(np.mean(block.volts.astype(np.float64) ** 2)))
            store.add(run_id, [], [], days=daily.take(pipeline.feed(block), clock))
    except SourceEnded:
        store.add(run_id, [], [], days=daily.take(pipeline.finish(), clock))
        store.add(run_id, [], [], days=daily.finish())
    store.close()
    n_slots = len(mean_squares) * BLOCK_S // SLOT_S
    slots = np.reshape(mean_squares[: n_slots * SLOT_S // BLOCK_S], (n_slots, -1)).mean(axis=1)
    assert source._synthesis is not None
    grid = source._synthesis.timeline.grid
    turns = grid.turns_at(np.arange(0.0, n_slots * SLOT_S + 1, 10.0))
    return (100 * np.sqrt(slots) / 230).tolist(), (np.diff(turns) / 10).tolist()


@pytest.mark.parametrize("n_slots", [4, pytest.param(24, marks=pytest.mark.soak)])
def test_ten_minute_statistics_are_those_of_numpy(n_slots: int, tmp_path: Path) -> None:
    path = tmp_path / "events.db"
    voltage_pct, frequency_hz = watch(scenario(tmp_path, n_slots), path)
    assert len(voltage_pct) == n_slots
    ((place, days),) = read_days(open_archive(path), {1: 230.0})[0].items()
    assert (place, list(days)) == (Place(None, "L1", 230.0), [START.date()])
    voltage = days[START.date()].of(Quantity.VOLTAGE)
    frequency = days[START.date()].of(Quantity.FREQUENCY)
    # What is not whole is flagged: the first ten minutes lack the first cycle.
    assert voltage.n_values == n_slots - 1
    assert frequency.n_values == pytest.approx(60 * n_slots, abs=2)
    for percent in (0, 5, 50, 95, 100):
        expected = float(np.percentile(voltage_pct[1:], percent))
        # Half a bin of 0.1 %, and 0.01 % for a slot of whole windows of ten cycles.
        assert voltage.percentile(percent) == pytest.approx(expected, abs=0.06)
        expected_hz = float(np.percentile(frequency_hz, percent))
        # Half a bin of 0.01 Hz, and 0.01 Hz for whole cycles of a frequency that wanders.
        assert frequency.percentile(percent) == pytest.approx(expected_hz, abs=0.015)
    spread = float(np.ptp(voltage_pct))
    assert spread > 5  # so that percentiles mean something
    within = 100 * np.mean([90 <= value <= 110 for value in voltage_pct[1:]])
    said = supply_sentences(open_archive(path), EN_50160, {1: 230.0})
    assert said[0].startswith(f"L1: 95 % of 10-minute values within ±10 %: {within:.1f} %, indic")


def test_a_run_keeps_its_statistics_by_local_day(tmp_path: Path) -> None:
    """From 23:49:50 in Vienna (UTC+1 in November) to 00:00:12, through the monitor itself."""
    (tmp_path / "steady.yaml").write_text("supply: {nominal_v: 230, frequency_hz: 50}\n")
    driver = {
        "name": "simulated", "sample_rate_hz": RATE_HZ, "scenario": "steady.yaml",
        "pace": "as_fast_as_possible", "start_utc": "2026-11-25T22:49:50Z", "duration_s": 622,
    }  # fmt: skip
    watch_recording(settings_in(tmp_path, driver))
    found = {
        (row.day, row.channel): SupplyStatistics.from_bytes(row.data)
        for row in open_archive(tmp_path / "events.db").statistics()
    }
    assert list(found) == [("2026-11-25", "L1"), ("2026-11-26", "L1")]
    evening, night = found.values()
    voltage = evening.of(Quantity.VOLTAGE)
    assert voltage.n_values == 1  # from 23:50 to midnight; ten seconds before are no ten minutes
    assert voltage.percentile(50) == pytest.approx(100, abs=0.051)  # half a bin
    assert evening.of(Quantity.FREQUENCY).n_values == pytest.approx(61, abs=1)
    assert night.of(Quantity.FREQUENCY).n_values == 1
    assert night.of(Quantity.VOLTAGE).n_values == 0


# --- from the database to sentences ---------------------------------------------------------------


def a_day(levels: list[float], frequency_hz: float | None = None) -> SupplyStatistics:
    statistics = SupplyStatistics()
    for level in levels:
        statistics.add(Quantity.VOLTAGE, level)
    if frequency_hz is not None:
        statistics.add(Quantity.FREQUENCY, frequency_hz)
    return statistics


def keep(path: Path, *days: tuple[int, int, str, SupplyStatistics]) -> None:
    """Rows of (run, day after the first, channel, statistics)."""
    store = Store(path, "UTC")
    for run_id in range(1, 1 + max(run for run, *_ in days)):
        assert store.begin_run(run_info()) == run_id
    for run_id, number, channel, statistics in days:
        day = (FIRST_DAY + timedelta(days=number)).isoformat()
        store.add(run_id, [], [], days=[DayStatistics(day, channel, statistics.to_bytes())])
    store.close()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "events.db"


def sentences(path: Path, profile: SupplyProfile = EN_50160) -> list[str]:
    return supply_sentences(open_archive(path), profile, {1: 230.0, 2: 230.0})


def test_two_days_of_seven_are_indicative(path: Path) -> None:
    good, bad = a_day([100.0] * 144), a_day([100.0] * 136 + [88.0] * 8)
    keep(path, (1, 0, "L1", good), (1, 1, "L1", bad), (1, 0, "L2", good), (1, 1, "L2", good))
    # (288 - 8) / 288 = 97.2 %
    assert sentences(path) == [
        "L1: 95 % of 10-minute values within ±10 %: 97.2 %, indicative, 2 days of 7 (within).",
        "L1: all 10-minute values within 85 to 110 %: 100.0 %, indicative, 2 days of 7 (within).",
        "L2: 95 % of 10-minute values within ±10 %: 100.0 %, indicative, 2 days of 7 (within).",
        "L2: all 10-minute values within 85 to 110 %: 100.0 %, indicative, 2 days of 7 (within).",
    ]


def test_of_several_weeks_the_worst_seven_days_count(path: Path) -> None:
    """Three weeks; in the second one a day at 88 %: 864 / 1008 = 85.7 %, and 95.2 % over all."""
    days = [a_day([88.0 if number == 10 else 100.0] * 144) for number in range(21)]
    keep(path, *((1, number, "L1", day) for number, day in enumerate(days)))
    # The first seven days in a row with that day in them are those from the fourth on.
    assert sentences(path)[0] == (
        "L1: 95 % of 10-minute values within ±10 %: 85.7 %, over 7 days, the worst ones from "
        "2026-11-06 on (beyond the supply limit)."
    )


def test_a_week_from_noon_to_noon_is_a_week(path: Path) -> None:
    days = [a_day([100.0] * (72 if number in (0, 7) else 144)) for number in range(8)]
    keep(path, *((1, number, "L1", day) for number, day in enumerate(days)))
    assert sentences(path)[0].endswith("within ±10 %: 100.0 %, over 7 days (within).")


def test_weeks_with_gaps_are_never_more_than_indicative(path: Path) -> None:
    days = [(number, a_day([100.0] * 144)) for number in range(14) if number % 3]
    keep(path, *((1, number, "L1", day) for number, day in days))
    # Nine days of fourteen, at most five of seven in a row.
    said = sentences(path)[0]
    assert "100.0 %, indicative, 5 days of 7, the worst ones from 2026-11-03 on" in said


def test_runs_of_one_day_add_up_and_a_recording_read_twice_does_not(path: Path) -> None:
    keep(
        path,
        (1, 0, "L1", a_day([100.0] * 72)), (2, 0, "L1", a_day([100.0] * 72)),
        (1, 1, "L1", a_day([100.0] * 144)), (2, 1, "L1", a_day([100.0] * 144)),
    )  # fmt: skip
    assert "2 days of 7" in sentences(path)[0]


def test_what_all_channels_share_is_said_once(path: Path) -> None:
    contract = SupplyProfile.model_validate(
        {"id": "contract", "kind": "supply", "title": "c", "source": "a test",
         "frequency": {"down_to_hz": 49.5, "up_to_hz": 50.5, "share_pct": 99.5},
         "unbalance": {"up_to_pct": 2}, "flicker": {"pst": 1},
         "averaging": {"interval_s": 600, "period_s": 604800, "share_pct": 95}}
    )  # fmt: skip
    first, second = a_day([100.0], 50.0), a_day([100.0])
    second.add(Quantity.FLICKER, 1.2)
    keep(path, (1, 0, "L1", first), (1, 0, "L2", second))
    assert sentences(path, contract) == [
        "99.5 % of 10-second values of frequency within 49.5 to 50.5 Hz: 100.0 %, indicative, "
        "10 s of 7 days (within).",
        "L2: 95 % of 10-minute values of flicker up to 1: 0.0 %, indicative, 10 min 00 s of 7 "
        "days (beyond the supply limit).",
        "95 % of 10-minute values of unbalance up to 2 %: no values.",
    ]


def test_limits_in_volts_go_by_the_declared_voltage_of_the_run(path: Path) -> None:
    # PRODIST module 8 at 127 V: adequate from 117 to 133 V; 90 % are 114.3 V of 127 V, 117 V of 130
    keep(path, (1, 0, "L1", a_day([90.0])), (2, 1, "L1", a_day([90.0])))
    said = supply_sentences(open_archive(path), supply("br-supply-127"), {1: 127.0, 2: 130.0})
    adequate = [text for text in said if "97 %" in text]
    assert [text.rpartition("(")[2] for text in adequate] == [
        "beyond the supply limit).",
        "within).",
    ]


def test_damaged_days_and_runs_without_a_voltage_are_left_out(path: Path) -> None:
    keep(path, (1, 0, "L1", a_day([100.0])), (2, 1, "L1", a_day([50.0])))
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(
            "INSERT INTO statistics VALUES (1, '2026-11-03', 'L1', x'00'), (1, 'x', 'L2', x'00')"
        )
    said = supply_sentences(open_archive(path), EN_50160, {1: 230.0})
    assert "within ±10 %: 100.0 %, indicative, 10 min 00 s of 7 days (within)." in said[0]
    assert said[2:] == [
        "Statistics of 2026-11-03 on L1 are damaged and were left out.",
        "Statistics of x on L2 are damaged and were left out.",
    ]


def test_a_database_without_statistics_says_so(path: Path) -> None:
    Store(path, "UTC").close()
    assert sentences(path) == [NOTHING_KEPT]


def test_places_of_merged_databases_stay_apart() -> None:
    plant = Place("plant", "L1", 230.0)
    assert plant.words(Quantity.VOLTAGE) == "plant: L1"
    assert plant.words(Quantity.FREQUENCY) == "plant"


# --- the command ----------------------------------------------------------------------------------


def judged_text(path: Path, *names: str) -> str:
    words = ["judge", str(path), *(word for name in names for word in ("--profile", name))]
    result = CliRunner(env={"COLUMNS": "80"}).invoke(main, words)
    assert (result.exit_code, result.stderr) == (0, "")
    assert max(map(len, result.stdout.splitlines())) <= 80
    return " ".join(result.stdout.split())


def test_judge_answers_for_the_supply_too(path: Path) -> None:
    store = Store(path, "Europe/Vienna")
    run_id = store.begin_run(run_info(settings_text=SNAPSHOT))
    for day in ("2026-11-25", "2026-11-26"):
        statistics = a_day([100.0] * 140 + [88.0] * 4)
        store.add(run_id, [], [], days=[DayStatistics(day, "L1", statistics.to_bytes())])
    store.close()
    answer = "95 % of 10-minute values within ±10 %: 97.2 %, indicative, 2 days of 7 (within)."
    assert f"L1: {answer}" in judged_text(path, "en-50160-lv")
    both = judged_text(path, "iti-2000", "en-50160-lv")
    assert f"2 en-50160-lv: L1: {answer}" in both
    assert "10-minute values" not in judged_text(path, "iti-2000")
