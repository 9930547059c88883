"""Pictures on disk, and the sentences on the whole supply."""

import struct
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections import Counter
from datetime import UTC
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure

from daemon.archive import open_archive
from daemon.daily import DayStatistics
from daemon.errors import InputError
from daemon.profiles import find_profile
from daemon.records import Trace, Verdict
from daemon.store import Store
from daemon.supply_statistics import Quantity, SupplyStatistics
from tests.after_watch_material import fill, run
from tools.drawing import LOOKS, Mark
from tools.picture_files import drawing_module
from tools.pictures import EventPicture, event_figure
from tools.supply_section import supply_section
from tools.watch_pictures import Stretch, timeline_figure


@pytest.fixture
def path(tmp_path: Path) -> Path:
    fill(tmp_path / "a.db")
    return tmp_path / "a.db"


@pytest.mark.parametrize("words", [["show", "1"], ["judge", "--profile", "iti-2000"]])
def test_pictures_are_written(path: Path, tmp_path: Path, words: list[str]) -> None:
    """PNG: signature and size as in ISO/IEC 15948; SVG: well-formed, with the trigger in words."""
    verb, *rest = words
    png, svg = tmp_path / "a.png", tmp_path / "a.svg"
    found = run(verb, path, *rest, "--png", png, "--svg", svg)
    assert found.exit_code == 0, found.output
    assert found.output.endswith(f"Picture: {png}, {svg}\n")
    head = png.read_bytes()[:24]
    assert head.startswith(b"\x89PNG\r\n\x1a\n")
    width, height = struct.unpack(">II", head[16:24])
    assert width == 1050  # 7 inches at 150 dots
    assert height > 300
    root = ET.parse(svg).getroot()
    text = " ".join(t.strip() for t in root.itertext() if t.strip())
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert ("trigger 207.0 V" in text) if verb == "show" else ("limit: iti-2000" in text)
    again = tmp_path / "b.png"
    run(verb, path, *rest, "--png", again)
    assert again.read_bytes() == png.read_bytes()


def test_one_picture_shows_one_curve(path: Path, tmp_path: Path) -> None:
    names = ["--profile", "iti-2000", "--profile", "uk-supply-230"]
    found = run("judge", path, *names, "--png", tmp_path / "a.png")
    assert found.exit_code == 2
    assert "name one --profile" in found.output
    assert run("show", path, "1", "--png", tmp_path / "no" / "a.png").exit_code == 2


def test_the_drawing_library_is_loaded_only_for_pictures(path: Path) -> None:
    code = (
        "import sys; from click.testing import CliRunner; from tools.cli import main; "
        f"CliRunner().invoke(main, ['show', {str(path)!r}, '1']); "
        "print('matplotlib' in sys.modules, 'tools.show' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "False True\n"


def test_without_the_library_the_refusal_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in sys.modules if name.startswith(("matplotlib", "tools.saved"))]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.delitem(sys.modules, "tools.drawing", raising=False)
    monkeypatch.delitem(sys.modules, "tools.pictures", raising=False)
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    with pytest.raises(InputError, match="pip install"):
        drawing_module("tools.saved_pictures")


def drawn_interruption() -> Figure:
    """230 V, and nothing from 0.5 s to 1.0 s."""
    times_s = np.arange(0.0, 1.5, 0.01)
    urms_v = np.where((times_s >= 0.5) & (times_s < 1.0), 0.0, 230.0).astype(np.float32)
    picture = EventPicture(0.5, 0.5, 11.5, 0.0, 0.7, 230.0, (), Trace(times_s, urms_v))
    figure = event_figure(picture)
    figure.draw_without_rendering()
    return figure


def test_words_in_a_picture_lie_on_no_line() -> None:
    """Extents as matplotlib lays them out, in its pixels."""
    figure = drawn_interruption()
    (axes,) = figure.axes
    trigger, extreme = (text.get_window_extent() for text in axes.texts)
    assert trigger.x0 > axes.get_window_extent().x1
    assert trigger.x1 <= figure.bbox.x1
    trace = axes.transData.transform(axes.lines[0].get_xydata())
    level_y = axes.transData.transform((0.0, 11.5))[1]
    assert not any(extreme.contains(x, y) for x, y in trace)
    assert extreme.y0 > level_y or extreme.y1 < level_y


def test_a_point_on_the_axis_is_drawn_whole() -> None:
    points = [line for line in drawn_interruption().axes[0].lines if line.get_marker() == "o"]
    assert [point.get_clip_on() for point in points] == [False]
    marks = [Mark(0.0, 1.0, 0.0, Verdict.MAY_STOP)]
    timeline = timeline_figure(marks, [], Stretch(0.0, 60.0, (), UTC))
    points = [line for line in timeline.axes[0].lines if line.get_marker() == "v"]
    assert [point.get_clip_on() for point in points] == [False]


def test_failures_stand_beside_the_scale_and_the_legend_has_no_last_word_alone() -> None:
    marks = [Mark(10.0 * n, 1.0, 80.0, verdict) for n, verdict in enumerate(LOOKS)]
    figure = timeline_figure(marks[1:4], [30.0], Stretch(0.0, 60.0, ((50.0, 55.0),), UTC))
    figure.draw_without_rendering()
    (axes,) = figure.axes
    (crosses,) = [line for line in axes.lines if line.get_marker() == "x"]
    assert crosses.get_window_extent().y0 > axes.get_window_extent().y1
    (legend,) = figure.legends
    rows = Counter(round(text.get_window_extent().y0) for text in legend.get_texts())
    assert sorted(rows.values()) == [2, 3]  # five entries


def test_statistics_of_the_supply_are_said(path: Path) -> None:
    """Percentiles of numpy, to a bin of 0.1 %; one day is less than any standard's week."""
    values = np.random.default_rng(4).normal(101.0, 1.5, 144)
    statistics = SupplyStatistics()
    for value in values.tolist():
        statistics.add(Quantity.VOLTAGE, value)
    assert all("SARFI" in text for text in supply_section(open_archive(path), [], {1: 230.0}))
    store = Store(path, "Europe/Vienna")
    store.add(1, [], [], days=[DayStatistics("2026-11-25", "L1", statistics.to_bytes())])
    store.close()
    profile = find_profile("iec-60038", None)
    section = supply_section(open_archive(path), [profile], {1: 230.0})
    percentiles, *rules = [text for text in section if "SARFI" not in text]
    assert percentiles.endswith("; indicative, of less than a week.")
    said = [float(word) for word in percentiles.split() if word.replace(".", "").isdecimal()]
    expected = np.percentile(values, [5, 95, 50])
    assert said[5] == 144
    near = pytest.approx(expected.tolist(), abs=0.35)  # bins, and the spacing at the tails
    assert [said[0], said[1], said[3]] == near
    assert len(rules) == 1
    assert rules[0].startswith(f"Compared with {profile.title}: L1: ")
    assert "within ±10 %: 100.0 %, indicative" in rules[0]
    assert rules[0].endswith("(within).")
    for value in np.repeat(values, 6).tolist():  # with the first, seven days
        statistics.add(Quantity.VOLTAGE, value)
    store = Store(path, "Europe/Vienna")
    store.add(1, [], [], days=[DayStatistics("2026-11-25", "L1", statistics.to_bytes())])
    store.close()
    section = supply_section(open_archive(path), [profile], {1: 230.0})
    assert "1008 means over 10 minutes" in section[0]
    assert "indicative" not in section[0]
