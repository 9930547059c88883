"""Where things stand in the drawings, when was watched, and the files of one event."""

import csv
import io
import math
import zipfile
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from comtrade import Comtrade

from daemon.archive import LogRow, RunRow
from daemon.page.axis import Logarithmic, round_values, thinned, time_ticks
from daemon.page.duration_chart import Curve, build_chart
from daemon.page.event_files import event_comtrade, event_csv
from daemon.page.reading import Reading
from daemon.page.stopped import why_stopped
from daemon.page.tally import HourCount, open_tally
from daemon.page.throttling import throttling_facts
from daemon.page.watch_time import NEVER, WatchTime, watch_time
from daemon.page.week_map import build_week_map
from daemon.profiles import find_profile
from daemon.records import LogKind
from daemon.schema import utc_text
from daemon.status import State
from tests.page_material import NOW_UTC_S, plausible_snapshot, write_database

VIENNA = ZoneInfo("Europe/Vienna")
NOW = datetime.fromtimestamp(NOW_UTC_S, VIENNA)


def test_decades_are_evenly_spaced() -> None:
    axis = Logarithmic(0.001, 1000.0, 0.0, 600.0)
    assert [axis.at(time_s) for time_s in axis.decades()] == [0, 100, 200, 300, 400, 500, 600]
    assert axis.at(0.02) == pytest.approx(100 * (np.log10(0.02) + 3), abs=0.01)
    assert (axis.at(1e-9), axis.at(1e9)) == (0.0, 600.0)


def test_ticks_follow_local_time_through_summer_time() -> None:
    """2026-03-29 01:00 UTC is 03:00 in Vienna (EU Directive 2000/84/EC): that day has 23 h."""
    start_s = datetime(2026, 3, 28, 0, tzinfo=VIENNA).timestamp()
    ticks = time_ticks(start_s, start_s + 6 * 86_400, VIENNA)
    midnights = [at_s for at_s, text in ticks if text]
    assert midnights[2] - midnights[1] == 23 * 3600
    assert [text for _, text in ticks if text][1] == "Sun 29 Mar"


def test_round_values() -> None:
    assert round_values(-0.99, 1.06, 8) == [-0.5, 0.0, 0.5, 1.0]
    assert round_values(-345.0, 345.0, 8) == [-300, -200, -100, 0, 100, 200, 300]
    assert round_values(1.0, 1.0, 8) == []


def test_a_spike_survives_thinning() -> None:
    volts = np.sin(np.arange(16_000) / 50.0)
    volts[7777] = 9.0
    places, kept = thinned(volts, 200)
    assert len(kept) <= 400
    assert max(kept) == 9.0
    assert places[kept.index(9.0)] == pytest.approx(7777 / 15_999)


def run_row(number: int, start_s: float, until_s: float, stopped: bool = True) -> RunRow:
    return RunRow(number, 1, utc_text(start_s), utc_text(until_s), stopped, "simulated", 16_000.0,
                  "boot", 0, 0, "free", ("L1",), "UTC")  # fmt: skip


def gap_row(start_s: float, length_s: float) -> LogRow:
    return LogRow(1, 1, LogKind.UNOBSERVED, utc_text(start_s), "", None, length_s, "off")


def test_coverage_is_what_was_seen_of_the_whole() -> None:
    """100 s, a pause of 50 s that was logged, then 50 s with a hole of 10 s: 140 of 200."""
    runs = [run_row(1, 1000, 1100), run_row(2, 1150, 1160, stopped=False)]
    log = [gap_row(1100, 50), gap_row(1170, 10)]
    found = watch_time(runs, log, 1200.0, True)
    assert found.watched == ((1000, 1100), (1150, 1170), (1180, 1200))
    assert found.coverage_pct == pytest.approx(100 * 140 / 200)
    broken = watch_time(runs, log[:1], 2000.0, False)  # nothing more was heard since 1160
    assert broken.unseen[-1] == (1160, 2000)
    assert watch_time([], [], 5.0, True) == NEVER


def test_the_curve_is_that_of_the_profile(tmp_path: Path) -> None:
    """ITI curve, published steps: 0 % for 20 ms, 70 % for 0.5 s, 80 % for 10 s, 90 % for ever."""
    write_database(tmp_path / "events.db")
    archive = open_tally(tmp_path / "events.db")
    rows = [archive.event(number) for number in (1, 7)]  # 40.04 % for 0.31 s, 143.9 % for 0.72 s
    chart = build_chart(rows, Curve(find_profile("iti-2000", None), 230.0, 50.0), NOW)

    def across(time_s: float) -> float:
        return round(1000 * (math.log10(time_s) + 3) / 6, 2)

    assert chart.edges[0] == (
        f"M0 300H{across(0.02):g}V195H{across(0.5):g}V180H{across(10):g}V165H1000"
    )
    dip, swell = sorted(chart.points, key=lambda point: point.number)
    assert dip.x == pytest.approx(across(0.31) / 10, abs=0.02)
    assert dip.y == pytest.approx(300 * (1 - 40.04 / 200), abs=0.02)
    assert dip.shape == "may_stop"
    assert swell.shape == "may_damage"


def test_a_habit_needs_several_days() -> None:
    week = WatchTime(((NOW_UTC_S - 8 * 86_400, NOW_UTC_S),))
    counts = [HourCount(1, 18, 6, 4), HourCount(3, 9, 20, 1)]
    found = build_week_map(counts, week, VIENNA)
    assert found.words == "Most often Tuesdays 18 to 19 h: 6 of 26 events, on 4 days."
    assert [(cell.weekday, cell.hour) for cell in found.cells] == [(1, 18), (3, 9)]
    assert "No habit" in build_week_map(counts[1:], week, VIENNA).words
    one_hour = WatchTime(((NOW_UTC_S - 1800, NOW_UTC_S),))  # Wednesday 18:02 to 18:32
    unseen = [cell for cell in build_week_map([], one_hour, VIENNA).cells if not cell.is_watched]
    assert len(unseen) == 7 * 24 - 1


def test_events_are_counted_by_local_hour(tmp_path: Path) -> None:
    write_database(tmp_path / "events.db")
    archive = open_tally(tmp_path / "events.db")
    counts = {(one.weekday, one.hour): one.n_events for one in archive.by_hour(None, False)}
    assert sum(counts.values()) == 8
    assert counts[1, 17] == 1  # event 1: Tuesday 17:48:59 in Vienna, 16:48:59 UTC
    assert archive.neighbours(1) == (None, 2)
    assert archive.neighbours(8) == (7, None)


def test_the_files_of_one_event(tmp_path: Path) -> None:
    """The ZIP is read by the library `comtrade`, which is not of this project."""
    write_database(tmp_path / "events.db")
    archive = open_tally(tmp_path / "events.db")
    event = archive.event(1)
    name, content = event_csv(archive, event)
    rows = list(csv.DictReader(io.StringIO(content.decode())))
    assert name.endswith("_event000001_dip_L1.csv")
    assert [row["volts"] for row in rows if row["curve"] == "rms"] == ["230.000", "92.100"]
    assert [float(row["seconds_from_start"]) for row in rows[:2]] == [0.0, 0.01]
    files = event_comtrade(archive, event)
    assert files is not None
    with zipfile.ZipFile(io.BytesIO(files[1])) as packed:
        packed.extractall(tmp_path)
        stem = next(one for one in packed.namelist() if one.endswith(".cfg")).removesuffix(".cfg")
    reader = Comtrade()
    reader.load(str(tmp_path / f"{stem}.cfg"), str(tmp_path / f"{stem}.dat"))
    assert list(reader.analog[0]) == pytest.approx([0.0, 325.0, -325.0], abs=0.01)


def test_throttling_in_words() -> None:
    """Bits of the firmware: 0 under-voltage now, 18 slowed down once (Raspberry Pi)."""
    assert throttling_facts(None) == ()
    assert throttling_facts(0)[0].text == "never since it was switched on"
    assert "supply voltage is too low" in throttling_facts(0x50001)[0].text
    assert throttling_facts(0x40000)[0].remark.endswith("the processor is slowed down")


def test_measuring_without_storing_is_not_healthy() -> None:
    shown = plausible_snapshot()
    assert why_stopped(Reading(shown, 0.5, NOW_UTC_S)) is None
    assert why_stopped(Reading(None, None, NOW_UTC_S)) is not None
    health = replace(shown.health, last_fault="the disk is full")
    full = replace(shown, state=State.NOT_STORING, health=health)
    words = "measuring, but not storing: the disk is full"
    assert why_stopped(Reading(full, 0.5, NOW_UTC_S)) == words
