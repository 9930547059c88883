"""The demonstration of what comes after a watch: real measurement, and nothing made up."""

import json
from importlib.resources import as_file, files
from pathlib import Path

import pytest

from daemon.archive import EventFilter, open_archive
from daemon.records import Kind
from daemon.schema import utc_seconds
from daemon.settings import load_settings
from tests.whole_material import halfcycle
from tools.coverage import NO_RUN, find_coverage
from tools.demo_watch import WEEK_H, Stretch, parts_of, watch_parts

MONDAY_UTC_S = 1_772_406_000.0  # date -u -d 2026-03-01T23:00Z +%s


def test_a_short_watch_gives_database_failures_and_report(tmp_path: Path) -> None:
    """The scenario has one dip to 84 % for 80 ms at 900 s; ±0.2 % of declared, one cycle."""
    folder = tmp_path / "demo"
    found = halfcycle("demo-watch", folder, "--hours", "0.3")
    assert (found.returncode, found.stderr) == (0, "")
    steps = [line.partition("halfcycle ")[2].split() for line in found.stdout.splitlines()]
    wanted = [words for words in steps if words]
    assert [words[0] for words in wanted] == ["events", "report"]  # its log holds no failure yet
    wanted[1][wanted[1].index("-o") + 1] = str(tmp_path / "again.html")
    assert [halfcycle(*words).returncode for words in wanted] == [0, 0]
    assert {file.name for file in folder.iterdir()} == {"watch.db", "failures.csv", "report.html"}
    archive = open_archive(folder / "watch.db")
    (event,) = archive.events(EventFilter())
    assert (event.kind, event.channel) == (Kind.DIP, "L1")
    assert abs(event.start_s - 900.0) < 0.03
    assert event.duration_s is not None
    assert abs(event.duration_s - 0.08) <= 0.02
    steady_pct = 84.0 * 1.008  # of the scenario's magnitude, which wanders by 1.2 % of it
    assert abs(event.value_pct - steady_pct) <= 84.0 * 0.012 + 0.2
    (run,) = archive.runs()
    assert run.samples_measured == 0.3 * 3600 * 1600
    assert json.loads(archive.settings(run.settings_id).text)["driver"]["name"] == "simulated"
    assert (folder / "failures.csv").read_text().splitlines() == ["time;machine;message"]
    report = (folder / "report.html").read_text()
    assert "none: simulated, nothing was connected" in report
    assert "In this simulation, no event passed the limit" in report
    again = halfcycle("demo-watch", folder)
    assert again.returncode == 2
    assert "there already" in again.stderr


def test_parts_measured_at_once_are_one_watch_with_a_pause(tmp_path: Path) -> None:
    """What lies in the second part is found where the scenario has it (see above)."""
    with as_file(files("config")) as config:
        settings = load_settings(config / "demo-watch.yaml")
        parts = [Stretch(0.0, 0.05), Stretch(0.2, 0.1)]
        watch_parts(settings, tmp_path / "watch.db", parts)
    assert [file.name for file in tmp_path.iterdir()] == ["watch.db"]
    archive = open_archive(tmp_path / "watch.db")
    runs = archive.runs()
    assert [run.samples_measured for run in runs] == [0.05 * 5.76e6, 0.1 * 5.76e6]
    assert [(run.samples_lost, run.stopped, run.origin) for run in runs] == [(0, True, None)] * 2
    (event,) = archive.events(EventFilter())
    assert (event.kind, event.run_id) == (Kind.DIP, runs[1].id)
    assert abs(utc_seconds(event.start_utc) - MONDAY_UTC_S - 900.0) < 0.03
    assert abs(event.value_pct - 84.0 * 1.008) <= 84.0 * 0.012 + 0.2
    coverage = find_coverage(archive)
    assert coverage is not None
    (pause,) = coverage.unseen
    assert pause.cause == NO_RUN
    assert pause.start_utc_s == MONDAY_UTC_S + 0.05 * 3600
    assert pause.end_utc_s == MONDAY_UTC_S + 0.2 * 3600
    chain = archive.chain()
    assert chain is not None
    assert not chain.findings


@pytest.mark.parametrize(
    ("hours", "parts"),
    [
        (0.3, [(0.0, 0.3)]),
        (84.15, [(0.0, 84.0)]),
        (WEEK_H, [(0.0, 84.0), (84.1, pytest.approx(83.9))]),
    ],
)
def test_a_long_watch_is_measured_in_two_parts(
    hours: float, parts: list[tuple[float, float]]
) -> None:
    assert [(one.begin_h, one.hours) for one in parts_of(hours)] == parts
