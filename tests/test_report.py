"""The report: what it says, that it is valid and self-contained, and the same every time."""

import re
import shutil
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import html5lib
import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.archive import RunRow, open_archive
from daemon.errors import InputError
from daemon.records import Judgement, Kind, LevelTime, LogEntry, LogKind, Trace, Verdict
from daemon.store import Store
from tests.after_watch_material import RUN_UTC_S, SNAPSHOT, fill, run, seen_dip
from tests.database_material import dip, judged, run_info
from tools.coverage import Coverage, Unseen
from tools.findings import Finding, Found, find_findings, load_advice, recovers_slowly
from tools.pictures import thinned
from tools.report import print_pdf
from tools.report_page import day_hours
from tools.supply_section import count_slots, spread_words

FAILURES = (
    "when,what\n2026-11-25 08:15:34,press stopped\n2026-11-25 11:00:00,again\n"
    "2026-11-26 11:00:00,late\n"
)
HEADINGS = [
    "Site, circuit and monitor", "Coverage", "Summary", "How deep and how long", "When",
    "Failures of the equipment", "Events that passed the limit", "What follows",
    "Appendix: all events", "Statistics of the supply", "What the monitor could not have seen",
    "How it was measured",
]  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One report, read by many tests."""
    place: Path = tmp_path_factory.mktemp("report")
    fill(place / "a.db")
    (place / "failures.csv").write_text(FAILURES)
    made = report(place, "a.html")
    assert made.startswith("<!DOCTYPE html>")
    return place


def report(place: Path, name: str, *words: str) -> str:
    log = ["--equipment-log", place / "failures.csv", "--zone", "Europe/Vienna"]
    found = run("report", place / "a.db", "-o", place / name, *log, *words)
    assert found.exit_code == 0, found.output
    return (place / name).read_text(encoding="utf-8")


def plain(text: str) -> str:
    """The words of a page, without its pictures."""
    text = re.sub(r"<svg.*?</svg>|<style>.*?</style>", "", text, flags=re.DOTALL)
    text = re.sub(r"</?span[^>]*>", "", text)
    return " ".join(re.sub(r"<[^>]+>", " ", text).split())


def test_html_is_valid(folder: Path) -> None:
    """html5lib in strict mode raises on the first parse error of the HTML standard."""
    parser = html5lib.HTMLParser(strict=True)
    parser.parse((folder / "a.html").read_text(encoding="utf-8"))


def test_no_id_is_there_twice_and_every_reference_has_its_id(folder: Path) -> None:
    text = (folder / "a.html").read_text(encoding="utf-8")
    ids = re.findall(r'(?<![\w:-])id="([^"]+)"', text)
    assert len(ids) == len(set(ids)) > 20
    wanted = set(re.findall(r'href="#([^"]+)"', text)) | set(re.findall(r"url\(#([^)]+)\)", text))
    assert wanted
    assert wanted <= set(ids)


def test_nothing_is_fetched_and_nothing_runs(folder: Path) -> None:
    text = (folder / "a.html").read_text(encoding="utf-8")
    addresses = set(re.findall(r'(?:src|href)="(?!#)([^"]*)"', text)) - {""}
    assert addresses == set()
    assert "<script" not in text
    assert not re.search(r"@import|url\((?!#)", text)


def test_the_same_database_gives_the_same_bytes(folder: Path) -> None:
    first = (folder / "a.html").read_text(encoding="utf-8")
    assert report(folder, "b.html") == first


def test_order_and_content(folder: Path) -> None:
    text = (folder / "a.html").read_text(encoding="utf-8")
    assert re.findall(r"<h2>([^<]+)</h2>", text) == HEADINGS
    assert text.count("<svg") == 4 + 3  # coverage, curve, timeline, hours; three serious events
    words = plain(text)
    assert "watched for 9 h 50 min between 2026-11-25 07:15 and 2026-11-25 17:15 (98.33 %" in words
    assert "3 disturbances passed the limit (equipment may stop: 3)" in words
    assert "1 of 3 failures lies within 5 s of an event that passed the limit" in words
    assert "10 min 00 s samples lost" in words
    assert "Value 207.0 V 140.3 V Of declared 90.0 % 61.0 %" in words
    assert "±0.46 V (0.2 % of declared), ±20 ms" in words  # 0.002 x 230 V, one cycle at 50 Hz
    assert "0.9 s after its start (press stopped)" in words
    assert "not watched: 2026-11-26 11:00:00 late (after the watch)" in words
    assert "microseconds" in words
    assert "Mains can kill" in words
    head = open_archive(folder / "a.db").chain()
    assert head is not None
    assert head.head in words


def test_what_the_monitor_stored_with_an_event_stands_on_the_page(tmp_path: Path) -> None:
    """Cause, evidence and uncertainties as they were stored, through another process's eyes."""
    store = Store(tmp_path / "a.db", "Europe/Vienna")
    run_id = store.begin_run(run_info(settings_text=SNAPSHOT, started_utc_s=RUN_UTC_S))
    event = seen_dip(1, 3600.0)
    left_out = replace(event.detail, uncertainty_without="the sensor's own error")
    kept = judged(
        replace(event, detail=left_out),
        start_utc_s=RUN_UTC_S + 3600.0,
        uncertainty=0.9,
        duration_uncertainty_s=0.02,
        cause="probable: a motor starting",
        evidence="it came back over 0.7 s <slowly>",
    )
    store.add(run_id, [kept], [])
    store.end_run(run_id, RUN_UTC_S + 86_400, 1, 0)
    store.close()
    assert run("report", tmp_path / "a.db", "-o", tmp_path / "a.html").exit_code == 0
    text = (tmp_path / "a.html").read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(text)
    words = plain(text)
    assert "Probable: a motor starting. (a hint from its shape)" in words
    assert "Evidence it came back over 0.7 s &lt;slowly&gt; Uncertainty" in words
    assert "Value 207.0 V 140.3 V ± 0.9 V" in words
    assert "Duration 0.200 s ± 0.020 s" in words
    assert "(k = 2); without: the sensor&#39;s own error" in words
    assert "0.2 % of declared" not in words  # which stands for what an older monitor did not store


def test_another_profile_title_and_date(folder: Path) -> None:
    text = report(
        folder, "d.html", "--profile", "uk-supply-230", "--date", "1 March", "--title", "Oven <1>"
    )
    assert "Report of 1 March" in text
    assert "<h1>Oven &lt;1&gt;</h1>" in text
    words = plain(text)
    assert "4 disturbances passed the limit (beyond the supply limit: 4)" in words


def test_a_quiet_watch_has_a_report_too(tmp_path: Path) -> None:
    store = Store(tmp_path / "a.db", "Europe/Vienna")
    run_id = store.begin_run(run_info(settings_text=SNAPSHOT, started_utc_s=RUN_UTC_S))
    store.add(run_id, [], [LogEntry(LogKind.STARTED, RUN_UTC_S, None, None, "<watching>")])
    store.end_run(run_id, RUN_UTC_S + 86_400, 1, 0)
    store.close()
    found = run("report", tmp_path / "a.db", "-o", tmp_path / "a.html")
    assert found.exit_code == 0, found.output
    text = (tmp_path / "a.html").read_text()
    html5lib.HTMLParser(strict=True).parse(text)
    assert "No event was kept." in plain(text)
    assert "Watch for longer before the supply is cleared" in plain(text)


def test_what_cannot_be_reported_is_refused(tmp_path: Path) -> None:
    Store(tmp_path / "empty.db", "UTC").close()
    (tmp_path / "text.db").write_text("no database")
    for name, message in (("empty.db", "nothing was watched"), ("text.db", "not a SQLite"),
                          ("missing.db", "cannot be read")):  # fmt: skip
        found = run("report", tmp_path / name, "-o", tmp_path / "a.html")
        assert found.exit_code == 2
        assert message in found.output
        assert not (tmp_path / "a.html").exists()
    fill(tmp_path / "a.db")
    found = run("report", tmp_path / "a.db", "-o", tmp_path / "missing" / "a.html")
    assert found.exit_code == 2
    assert "cannot be written" in found.output
    found = run("report", tmp_path / "a.db", "-o", tmp_path / "a.pdf")
    assert found.exit_code == 2
    assert "a.html --pdf" in found.output
    assert not (tmp_path / "a.pdf").exists()


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no chromium on this machine")
@pytest.mark.parametrize(("paper", "width_pt"), [("A4", 595), ("Letter", 612)])
def test_pdf(folder: Path, paper: str, width_pt: int) -> None:
    """Widths of ISO 216 A4 (210 mm) and US Letter (8.5 in) in points of 1/72 in."""
    print_pdf((folder / "a.html").read_text(), folder / f"{paper}.pdf", paper)
    content = (folder / f"{paper}.pdf").read_bytes()
    assert content.startswith(b"%PDF")
    boxes = re.findall(rb"/MediaBox \[0 0 (\d+)", content)
    assert {int(box) for box in boxes} <= {width_pt - 1, width_pt}
    assert boxes


def test_a_browser_that_is_not_there_is_said(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tools.report.BROWSERS", ("no-such-browser",))
    with pytest.raises(InputError, match="needs Chromium"):
        print_pdf("", folder / "e.pdf", "A4")


def test_every_finding_has_its_advice() -> None:
    table = load_advice()
    assert {one.finding for one in table} == set(Finding)
    assert all(one.not_when and one.source for one in table)


def test_days_and_hours() -> None:
    """Vienna is at UTC+1 in winter: 23:30 UTC is 00:30 of the next day."""
    zone = ZoneInfo("Europe/Vienna")
    day_s = 1_795_564_800.0  # 2026-11-25T00:00:00Z
    coverage = Coverage(((day_s, day_s + 82_800.0 + 1800),), (Unseen(0, 0, ""),)[:0])
    found = day_hours([day_s + 600.0, day_s + 82_800.0 + 900], coverage, zone)
    assert found.rows == ("Wed 25.11.", "Thu 26.11.")
    assert [tuple(cell) for cell in np.argwhere(found.counts)] == [(0, 1), (1, 0)]
    assert found.is_watched[0].tolist() == [False] + [True] * 23
    assert found.is_watched[1].tolist() == [True] + [False] * 23


def test_thinning_keeps_every_extreme() -> None:
    generator = np.random.default_rng(2)
    values = generator.normal(size=50_000)
    times, kept = thinned(np.arange(50_000.0), values, 1000)
    assert len(kept) <= 1002
    assert (kept.max(), kept.min()) == (values.max(), values.min())
    assert (np.diff(times) > 0).all()


def trace_of(values: NDArray[np.float64]) -> Trace:
    times_s: NDArray[np.float64] = np.arange(float(len(values))) / 100
    return Trace(times_s, values.astype(np.float32))


def test_a_slow_recovery_is_told_from_an_abrupt_one() -> None:
    """Closed forms: an exponential return, and a rectangle with the two half-way values of rms."""
    slow = 230.0 - 70.0 * np.exp(-np.arange(80) / 25.0)
    assert recovers_slowly(trace_of(slow), 0.0, 0.8)
    abrupt = np.full(80, 140.0)
    abrupt[0], abrupt[-1] = 190.0, 190.0
    assert not recovers_slowly(trace_of(abrupt), 0.0, 0.8)
    assert not recovers_slowly(None, 0.0, 0.8)


def test_one_high_and_one_low_points_to_the_neutral(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info(settings_text=SNAPSHOT, started_utc_s=RUN_UTC_S))
    high = dip(2, kind=Kind.SWELL, channel="L2", group=1, value=270.0, value_pct=117.4)
    store.add(run_id, [judged(seen_dip(1, 60.0)), judged(high)], [])
    store.end_run(run_id, RUN_UTC_S + 3600, 1, 0)
    store.close()
    assert run("report", path, "-o", tmp_path / "a.html").exit_code == 0
    words = plain((tmp_path / "a.html").read_text())
    assert "neutral conductor checked by a licensed electrician, at once" in words
    assert find_findings(open_archive(path), [], None) == [Found(Finding.NOTHING, ())]


@pytest.mark.parametrize(
    ("cause", "lasted_s", "measure"),
    [
        ("possible: a fault elsewhere in the network", 0.4, "Ask the network operator about"),
        ("possible: a loose or interrupted neutral", 0.4, "Have the neutral conductor checked"),
        ("unknown", 0.4, "Have the neutral conductor checked"),
        (None, 0.4, "Have the neutral conductor checked"),
        ("possible: a fault elsewhere in the network", 3.0, "Have the neutral conductor checked"),
    ],
)
def test_the_advice_says_what_the_hint_says(
    tmp_path: Path, cause: str | None, lasted_s: float, measure: str
) -> None:
    """One line low, two high: a fault to earth by its hint, and in doubt the neutral."""
    path = tmp_path / "a.db"
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info(settings_text=SNAPSHOT, started_utc_s=RUN_UTC_S))
    changes = {"kind": Kind.SWELL, "group": 1, "value": 270.0, "value_pct": 117.4}
    low = dip(1, duration_s=lasted_s)
    high = [dip(n, channel=f"L{n}", duration_s=lasted_s, **changes) for n in (2, 3)]
    store.add(run_id, [judged(one, cause=cause) for one in (low, *high)], [])
    store.end_run(run_id, RUN_UTC_S + 3600, 1, 0)
    store.close()
    assert run("report", path, "-o", tmp_path / "a.html").exit_code == 0
    words = plain((tmp_path / "a.html").read_text())
    advice = words[words.index("What follows", words.index("Events that passed")) :]
    assert advice.removeprefix("What follows").strip().startswith(measure)


def test_under_supply_limits_the_statistics_decide(folder: Path) -> None:
    words = plain(report(folder, "s.html", "--profile", "uk-supply-230"))
    assert "Single events are indicative only under limits of the supply" in words
    assert "Single events are indicative only" not in plain((folder / "a.html").read_text())


def test_why_a_duration_is_longer_than_its_times_is_said(folder: Path, tmp_path: Path) -> None:
    """IEC 61000-4-30 suggests 2 % (from memory); this snapshot names 3 %."""
    said = plain((folder / "a.html").read_text())  # its settings name none
    assert "until the voltage was back" not in said
    store = Store(tmp_path / "a.db", "Europe/Vienna")
    snapshot = SNAPSHOT.replace('"dip_pct"', '"hysteresis_pct": 3.0, "dip_pct"')
    run_id = store.begin_run(run_info(settings_text=snapshot, started_utc_s=RUN_UTC_S))
    gone = dip(1, kind=Kind.INTERRUPTION, value=0.08, value_pct=0.03)
    store.add(run_id, [judged(gone, start_utc_s=RUN_UTC_S + 60.0)], [])
    store.end_run(run_id, RUN_UTC_S + 3600, 1, 0)
    store.close()
    assert run("report", tmp_path / "a.db", "-o", tmp_path / "a.html").exit_code == 0
    words = plain((tmp_path / "a.html").read_text())
    assert "until the voltage was back inside by 3 %" in words
    assert "less than 0.1 %" in words
    assert " 0.0 %" not in words


def test_values_that_agree_are_said_once() -> None:
    assert spread_words("100.9", "100.9", "100.9", "%") == "100.9 % for nine tenths of the time"
    assert spread_words("99.0", "100.0", "101.0", "%") == (
        "between 99.0 and 101.0 % for nine tenths of the time, above 100.0 % for half of it"
    )


def test_slots_of_a_watch_are_counted_as_the_clock_cuts_them() -> None:
    """07:15:33 to 07:35:00 UTC touches 07:10, 07:20 and 07:30; one from 07:10 to 07:30 two."""
    times = [("07:15:33", "07:35:00", 3), ("07:10:00", "07:30:00", 2), ("07:21:00", "07:21:30", 1)]
    for since, until, expected in times:
        begin, end = (f"2026-11-25T{one}.000Z" for one in (since, until))
        run_row = RunRow(1, 1, begin, end, True, "wav", 8000.0, "b", 1, 0, "free", ("L1",), "UTC")
        assert count_slots([run_row], 600) == expected


def test_the_level_that_was_judged_is_named_with_its_time(tmp_path: Path) -> None:
    """85 % is no level of the usual list; an interruption is told from the dip around it."""
    store = Store(tmp_path / "a.db", "Europe/Vienna")
    run_id = store.begin_run(run_info(settings_text=SNAPSHOT, started_utc_s=RUN_UTC_S))
    levels = (LevelTime(90.0, 1.41), LevelTime(85.0, 1.36), LevelTime(84.0, 1.35))
    gone = dip(
        1, kind=Kind.INTERRUPTION, threshold=11.5, value=0.08, value_pct=0.03, duration_s=1.41,
        level_times=levels, below_interruption_s=1.38,
    )  # fmt: skip
    limit = Judgement("iti-2000", Verdict.MAY_STOP, "below 85 % for at most 60 s")
    store.add(run_id, [judged(gone, judgement=limit, start_utc_s=RUN_UTC_S + 60.0)], [])
    store.end_run(run_id, RUN_UTC_S + 3600, 1, 0)
    store.close()
    assert run("report", tmp_path / "a.db", "-o", tmp_path / "a.html").exit_code == 0
    shown = " ".join(run("show", tmp_path / "a.db", 1).output.split())
    for words in (plain((tmp_path / "a.html").read_text()), shown):
        assert "below 90 % for 1.41 s, below 85 % for 1.36 s" in words
        assert "below 84 %" not in words
        assert "for 1.38 s: this is the interruption, below 11.5 V; its duration counts" in words


@pytest.mark.parametrize(
    ("cause", "has_network"),
    [
        ("probable: a fault elsewhere in the network", True),
        ("probable: a fault that was cleared or changed in stages", True),
        ("possible: a motor that started", False),
        (None, False),
    ],
)
def test_a_fault_in_the_network_has_its_measure(
    tmp_path: Path, cause: str | None, has_network: bool
) -> None:
    store = Store(tmp_path / "a.db", "Europe/Vienna")
    run_id = store.begin_run(run_info(settings_text=SNAPSHOT, started_utc_s=RUN_UTC_S))
    one = judged(dip(1), start_utc_s=RUN_UTC_S + 60.0, cause=cause, evidence="its shape")
    store.add(run_id, [one], [])
    store.end_run(run_id, RUN_UTC_S + 3600, 1, 0)
    store.close()
    assert run("report", tmp_path / "a.db", "-o", tmp_path / "a.html").exit_code == 0
    words = plain((tmp_path / "a.html").read_text())
    assert ("Tell the network operator the times of these dips" in words) == has_network
    assert ("as where a protection clears a fault" in words) == (
        cause is not None and "else" in cause
    )
    assert "Let the equipment ride through short dips" in words  # the cure is named all the same


def test_a_simulation_is_not_called_a_recording(tmp_path: Path) -> None:
    for driver, words in (("simulated", "the simulation"), ("recording", "the recording")):
        store = Store(tmp_path / f"{driver}.db", "Europe/Vienna")
        info = run_info(
            settings_text=SNAPSHOT, started_utc_s=RUN_UTC_S, driver=driver, clock="recording"
        )
        for _ in range(2):
            store.end_run(store.begin_run(info), RUN_UTC_S + 3600, 1, 0)
        store.close()
        page = tmp_path / f"{driver}.html"
        assert run("report", tmp_path / f"{driver}.db", "-o", page).exit_code == 0
        said = plain(page.read_text())
        assert f"times are those of {words}" in said
        assert f"Times of runs 1, 2 are those of a {words.split()[1]}" in said
