"""Lists in which what several lines went through together stands together."""

from dataclasses import replace
from pathlib import Path

import pytest

from daemon.archive import open_archive
from daemon.records import EventDetail, Kind
from daemon.store import Store
from daemon.together import Disturbances, beside_each_other
from tests.after_watch_material import run
from tests.database_material import dip, judged, run_info

THREE = '{"supply": {"nominal_v": 230, "frequency_hz": 50, "wiring": "three_phase"}}'


@pytest.fixture(name="path")
def make_path(tmp_path: Path) -> Path:
    """A dip on L1 and L2 with a dip on L3 alone, five hours later, between their ends."""
    path = tmp_path / "events.db"
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info(settings_text=THREE, channels=("L1", "L2", "L3")))
    type_c = EventDetail(dip_type="C")
    events = [
        dip(1, group=1, start_s=60.0, duration_s=0.2, detail=type_c),
        dip(2, group=1, channel="L2", start_s=60.01, duration_s=0.3, value=115.0, value_pct=50.0,
            detail=type_c),
        dip(3, group=3, channel="L3", start_s=18_000.0),
        dip(4, group=4, kind=Kind.UNBALANCE, channel="L1-L2-L3", value=2.4, unit="%", value_pct=2.4,
            start_s=20_000.0, duration_s=60.0, level_times=()),
    ]  # fmt: skip
    store.add(run_id, [judged(event) for event in events], [])
    store.close()
    return path


def test_a_group_is_found_from_any_of_its_events(path: Path) -> None:
    archive = open_archive(path)
    disturbances = Disturbances(archive)
    for number in (1, 2):
        (found,) = disturbances.together(archive.event(number))
        assert [row.id for row in found.rows] == [1, 2]
        assert found.worst.id == 2
        row = found.as_row()
        # From the first line out to the last one back: 60.00 to 60.31 s.
        assert (row.id, row.channel, row.start_s) == (2, "L1, L2", 60.0)
        assert row.duration_s == pytest.approx(0.31)
    assert disturbances.together(archive.event(3)) == []
    assert disturbances.together(archive.event(4)) == []


def test_a_part_of_another_kind_is_no_part(path: Path) -> None:
    archive = open_archive(path)
    (found,) = Disturbances(archive).together(archive.event(1))
    assert not found.group.has(replace(archive.event(1), kind=Kind.TRANSIENT))


def test_events_of_a_group_stand_together(path: Path) -> None:
    archive = open_archive(path)
    one, two, three = (archive.event(number) for number in (1, 2, 3))
    assert [row.id for row in beside_each_other([two, three, one])] == [2, 1, 3]


def test_the_list_says_what_all_lines_went_through(path: Path) -> None:
    text = " ".join(run("events", path).output.split())
    words = "Together: dip (sag) on L1, L2 for 0.31 s, L2 worst: 115.0 V, 50.0 %;"
    assert text.count("Together:") == 1
    assert words in text
    assert "type C 2 07:15:33" in text  # the row of the worst line follows it
    assert "L1-L2-L3 2.4 %" in text


def test_the_supply_has_one_row_for_them(path: Path) -> None:
    lines = run("events", path, "--supply").output.splitlines()
    rows = [line.split()[0] for line in lines if line[:2].strip().isdigit()]
    assert rows[1:] == ["4", "3", "2"]  # after "4 events, 4 serious"
    assert "worst L2: equipment may stop" in " ".join(" ".join(lines).split())
    refused = run("events", path, "--supply", "--format", "csv")
    assert (refused.exit_code, "row for every line" in refused.output) == (2, True)


def test_show_says_it_with_the_type(path: Path) -> None:
    text = run("show", path, "1").output
    assert "All lines    dip (sag) on L1, L2 for 0.31 s, L2 worst" in text
    assert "Dip type     C (two phases, towards each other)" in text
