"""The bench: its parts give figures that can be true, and its table holds the bars against them."""

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from tools.bench import main
from tools.bench_lists import measure_lists
from tools.bench_monitor import measure_monitor
from tools.bench_pipeline import REST, STAGES, measure_pipeline


def test_stages_make_up_the_pipeline_and_none_is_missed() -> None:
    cost = measure_pipeline(2000, 1)
    assert set(cost.stages_ns) == {*dict(STAGES), REST}
    assert min(cost.stages_ns.values()) > 0  # one that was entered elsewhere would read 0
    assert sum(cost.stages_ns.values()) == pytest.approx(cost.live_ns)  # by their definition
    assert cost.ratio > 1  # the floor is part of what the pipeline does


def test_lists_of_a_few_events(tmp_path: Path) -> None:
    cost = measure_lists(tmp_path, 500)
    assert 0 < cost.latest_s < cost.report_s
    assert cost.database_mb > 500 * 300 / 1e6  # a row, its link and its place in the indices
    assert list(tmp_path.iterdir()) == []


def test_a_quiet_day_is_written_down_every_four_minutes_and_held_against_its_bar() -> None:
    """At least one page of 4096 bytes and the 24 of its head each time (SQLite's file format)."""
    result = CliRunner().invoke(main, ["--only", "day"])
    assert result.exit_code == 0, result.output
    assert "This takes about 5 s" in result.output
    assert "Pipeline" not in result.output
    found = re.search(r"MB: ([\d.]+), bar 10: holds", result.output)
    assert found, result.output
    assert float(found[1]) > 360 * 4120 / 1e6


@pytest.mark.soak
def test_every_process_of_the_monitor_is_weighed(tmp_path: Path) -> None:
    cost = measure_monitor(tmp_path)
    assert set(cost.pss_mb) == {"monitor", "sampler", "page"}
    assert all(10 < size_mb < 100 for size_mb in cost.pss_mb.values())
    assert 0 < cost.ready_s < cost.first_value_s
