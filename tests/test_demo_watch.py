"""The demonstration of what comes after a watch: real measurement, and nothing made up."""

import json
from pathlib import Path

from daemon.archive import EventFilter, open_archive
from daemon.records import Kind
from tests.whole_material import halfcycle


def test_a_short_watch_gives_database_failures_and_report(tmp_path: Path) -> None:
    """The scenario has one dip to 84 % for 80 ms at 900 s; ±0.2 % of declared, one cycle."""
    folder = tmp_path / "demo"
    found = halfcycle("demo-watch", folder, "--hours", "0.3")
    assert (found.returncode, found.stderr) == (0, "")
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
    assert run.samples_measured == 0.3 * 3600 * 2000
    assert json.loads(archive.settings(run.settings_id).text)["driver"]["name"] == "simulated"
    assert (folder / "failures.csv").read_text().splitlines() == ["time;machine;message"]
    report = (folder / "report.html").read_text()
    assert "none: simulated, nothing was connected" in report
    assert "None of 1 event passed the limit" in report
    again = halfcycle("demo-watch", folder)
    assert again.returncode == 2
    assert "there already" in again.stderr
