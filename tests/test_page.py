"""The status page over HTTP: every route, every defence, and what it says when things are amiss.

Requests go through httpx's own ASGI transport, so the page meets a client it does not know.
"""

import asyncio
import base64
import json
import math
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import datetime
from html.parser import HTMLParser
from pathlib import Path

import httpx
import pytest
import uvicorn
from prometheus_client.parser import text_string_to_metric_families

from daemon.page.app import PageConfig, create_app
from daemon.page.guard import hosts_for
from daemon.page.live import declared_scale, judge_voltage
from daemon.page.server import PageServer, PatientProtocol
from daemon.page.words import duration_words, glued, ordinal, when_words, zone_of
from daemon.status import CaptureStatus, Snapshot, State, snapshot_as_json, write_snapshot
from drivers.clock import ManualClock
from tests.page_material import (
    EVENTS,
    NOW_UTC_S,
    channel,
    plausible_snapshot,
    three_phase,
    write_database,
)

ROUTES = ("/", "/?part=1", "/?all=1&kind=dip&span=1w&page=2", "/event/1", "/event/1/curves.csv",
          "/event/1/comtrade.zip", "/api", "/api/status", "/api/events", "/api/events/1",
          "/api/waveform", "/metrics", "/healthz", "/static/page.css", "/static/drawings.css",
          "/static/page.js", "/static/event.js", "/static/icon.svg")  # fmt: skip


class Place:
    """A folder with a snapshot and a database, and a page that reads them at a fixed time."""

    def __init__(self, folder: Path) -> None:
        self.clock = ManualClock(utc_s=NOW_UTC_S)
        self.snapshot_path = folder / "status.json"
        self.database_path = folder / "events.db"
        self.config = PageConfig(self.snapshot_path, self.database_path)

    def show(self, snapshot: Snapshot) -> None:
        write_snapshot(self.snapshot_path, snapshot)

    def ask(
        self, path: str, method: str = "GET", headers: dict[str, str] | None = None
    ) -> httpx.Response:
        return asyncio.run(self._ask(path, method, headers or {}))

    async def _ask(self, path: str, method: str, headers: dict[str, str]) -> httpx.Response:
        app = create_app(self.config, self.clock)
        transport = httpx.ASGITransport(app, raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
            return await client.request(method, path, headers=headers)

    def text(self, path: str = "/") -> str:
        """The words of the page, as a reader sees them."""
        reader = _Words()
        reader.feed(self.ask(path).text)
        return " ".join("".join(reader.words).split())


class _Words(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self._hidden = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._hidden += tag in ("title", "style", "script")
        if tag not in ("span", "b", "strong"):
            self.words.append(" ")

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag in ("title", "style", "script")

    def handle_data(self, data: str) -> None:
        if not self._hidden:
            self.words.append(data)


@pytest.fixture
def place(tmp_path: Path) -> Place:
    found = Place(tmp_path)
    found.show(plausible_snapshot())
    write_database(found.database_path)
    return found


# --- what the page says ---------------------------------------------------------------------


def test_the_three_answers_come_first(place: Place) -> None:
    """Wednesday 18:32 in Vienna; the run began 34.5 h ago, the worst event 3.4 days ago."""
    text = place.text()
    assert "Watching since yesterday 08:02: 1 day 10 h." in text
    assert "0.02 % of that time was not observed." in text
    assert "Voltage now: 229.8 V, 99.9 % of 230 V: normal." in text
    worst = "Worst event: swell to 331.0 V for 0.72 s on L1, Sun 1 Mar 08:56: may damage equipment."
    assert worst in text
    assert "Worst of 4 serious events; the latest was today 16:08." in text
    assert text.index("Watching") < text.index("Voltage now") < text.index("Worst event")


def test_serious_events_only_unless_asked_for_all(place: Place) -> None:
    serious = place.text("/")
    assert "92.1 V" in serious
    assert "196.4 V" not in serious
    assert "Show the 4 smaller ones too" in serious
    everything = place.text("/?all=1")
    assert "196.4 V" in everything
    assert "49.380 Hz" in everything


def test_an_event_row_says_when_what_how_long_and_what_it_means(place: Place) -> None:
    html = place.ask("/").text
    row = html[html.index("yesterday 17:48:59") - 120 :]
    # 1.03 days before 17:32:11 UTC is 16:48:59 UTC the day before, 17:48:59 in Vienna
    assert 'datetime="2026-03-03T16:48:59.000Z" title="2026-03-03T16:48:59.000Z (UTC)"' in row
    assert (
        "yesterday 17:48:59 dip (sag) L1, no. 1 92.1 V 40.0 % of declared 0.31 s "
        "equipment may stop limit passed: below 70 % for at most 0.02 s"
    ) in place.text()


def test_an_open_event_goes_on_only_in_the_run_that_is_watched(place: Place) -> None:
    good = plausible_snapshot()
    place.show(replace(good, run=replace(good.run, id=1)))  # the database was written as run 1
    assert "still going on" in place.text("/?all=1")
    place.show(replace(good, run=replace(good.run, id=2)))
    assert "still going on" not in place.text("/?all=1")
    assert "end not seen" in place.text("/?all=1")


def test_what_is_watched_and_health_and_cautions(place: Place) -> None:
    text = place.text()
    for words in ("Oven line, socket 3", "230 V, 50 Hz", "Example tolerance curve", "16 kS/s",
                  "Samples lost none", "synchronised", "11.2 GB free", "48 °C",
                  "Mains can kill.", "not a voltage-absence tester",
                  "Methods follow IEC 61000-4-30; not certified."):  # fmt: skip
        assert words in text
    assert "complies" not in text


def test_trouble_of_the_monitor_itself_is_said_in_words(place: Place) -> None:
    good = plausible_snapshot()
    health = replace(
        good.health, samples_lost=3200, disk_free_mb=60.0, clock="free", temperature_c=84.0,
        last_fault="converter did not answer",
    )  # fmt: skip
    place.show(replace(good, health=health))
    text = place.text()
    for words in ("3200, 0.20 s of signal", "60.0 MB free: nearly full", "free",
                  "84 °C: too hot", "converter did not answer"):  # fmt: skip
        assert words in text
    assert text.count("Attention:") == 5


def test_uncertain_times_are_marked(place: Place) -> None:
    assert "≈" not in place.text()
    database = sqlite3.connect(place.database_path)
    database.execute("UPDATE event SET clock = 'free' WHERE id = 1")
    database.commit()
    database.close()
    text = place.text()
    assert "≈ yesterday 17:48:59" in text
    assert "≈ the clock was not synchronised then: the time may be off." in text


def test_a_profile_that_does_not_fit_is_said(place: Place) -> None:
    good = plausible_snapshot()
    supply = replace(good.supply, profile_warning="meant for 120 V and 60 Hz")
    place.show(replace(good, supply=supply))
    warned = "Attention: Example tolerance curve meant for 120 V and 60 Hz"
    assert warned in place.text()


def test_numbers_keep_their_units_and_markup_stays_text() -> None:
    assert glued("<b> 230 V & 5 %") == (
        '&lt;b&gt; <span class="n">230 V</span> &amp; <span class="n">5 %</span>'
    )
    assert glued("it's 4 Volts") == "it&#39;s 4 Volts"


def test_what_is_not_watched_is_not_named(place: Place) -> None:
    assert "distortion above 5 %; frequency off by more than 1 %" in place.text()
    good = plausible_snapshot()
    capture = replace(good.capture, distortion_pct=None, frequency_pct=None)
    place.show(replace(good, capture=capture))
    text = place.text()
    assert "distortion above" not in text
    assert "frequency off" not in text
    assert "swell above 110 % of declared voltage" in text
    assert "THD) 2.8 % largest" in text


def test_a_low_channel_is_named(place: Place) -> None:
    place.show(three_phase(plausible_snapshot()))
    text = place.text()
    assert "L1 230.4 V, L2 181.6 V, L3 228.9 V, declared 230 V: L2 low: dip (sag)." in text
    assert "dip (sag) going on now" in text


def test_nothing_measured_yet(place: Place) -> None:
    good = plausible_snapshot()
    blank = replace(
        good.channels[0], urms_v=None, urms_pct=None, thd_pct=None, crest_factor=None,
        harmonics_pct=(),
    )  # fmt: skip
    place.show(replace(good, state=State.STARTING, channels=(blank,), frequency_hz=None))
    text = place.text()
    assert "Starting: nothing measured yet." in text
    assert "Voltage now: unknown." in text
    assert "None" not in text


@pytest.mark.parametrize(
    ("pct", "word"),
    [(100.0, "normal"), (90.0, "normal"), (89.99, "low: dip (sag)"), (110.0, "normal"),
     (110.01, "high: swell"), (4.99, "interruption: no voltage"), (5.0, "low: dip (sag)"),
     (None, "unknown")],
)  # fmt: skip
def test_the_word_for_a_voltage(pct: float | None, word: str) -> None:
    """Beyond a threshold means beyond it: exactly on it is within (design rule of the profiles)."""
    assert judge_voltage(pct, CaptureStatus(90.0, 110.0, 5.0, 5.0, 1.0))[1] == word


def test_the_scale_puts_the_band_in_the_middle() -> None:
    """80 to 120 % is shown, 90 to 110 % is normal: a quarter, a half, a quarter."""
    scale = declared_scale(plausible_snapshot())
    assert (scale.band_start, scale.band_width, scale.declared) == (25.0, 50.0, 50.0)
    assert (scale.low_label, scale.high_label) == ("207 V", "253 V")
    assert scale.position(95.0) == 37.5
    assert (scale.position(0.0), scale.position(300.0)) == (1.0, 99.0)


@pytest.mark.parametrize(
    ("duration_s", "words"),
    [(0.0004, "0.40 ms"), (0.02, "20 ms"), (0.31, "0.31 s"), (5, "5 s"), (59.994, "59.99 s"),
     (65, "1 min 05 s"), (3 * 3600, "3 h 00 min"), (124_205, "1 day 10 h"),
     (9 * 86_400, "9 days 0 h")],
)  # fmt: skip
def test_durations_in_words(duration_s: float, words: str) -> None:
    assert duration_words(duration_s) == words


def test_times_in_words_follow_the_zone_through_summer_time() -> None:
    """2026-03-29 01:00 UTC: clocks in Vienna go from 02:00 to 03:00 (EU Directive 2000/84/EC)."""
    from_utc = [zone_time("2026-03-29T00:59:00Z"), zone_time("2026-03-29T01:00:00Z")]
    now = zone_time("2026-03-30T10:00:00Z")
    assert [when_words(when, now) for when in from_utc] == ["yesterday 01:59", "yesterday 03:00"]
    assert when_words(zone_time("2025-12-31T23:30:00Z"), now) == "Thu 1 Jan 00:30"
    assert when_words(zone_time("2025-12-31T22:30:00Z"), now) == "Wed 31 Dec 2025 23:30"


def zone_time(iso_utc: str) -> datetime:
    return datetime.fromisoformat(iso_utc).astimezone(zone_of("Europe/Vienna"))


def test_ordinals() -> None:
    words = [ordinal(order) for order in (2, 3, 4, 11, 12, 13, 21, 22, 23, 50)]
    assert words == ["2nd", "3rd", "4th", "11th", "12th", "13th", "21st", "22nd", "23rd", "50th"]


# --- when things are amiss ------------------------------------------------------------------


def test_old_data_is_unmistakable(place: Place) -> None:
    place.show(plausible_snapshot(NOW_UTC_S - 12.0))
    text = place.text()
    assert "No data for 12 s: the monitor hangs or was ended without a word. What stands" in text
    assert "Not watching, as far as this page can tell: no data for 12 s: the monitor" in text
    assert "Voltage now: unknown. Last measured: 229.8 V." in text
    assert '<body class="old" data-stamp=' in place.ask("/").text


def test_fresh_data_shows_no_banner(place: Place) -> None:
    html = place.ask("/").text
    assert '<body class="fresh" data-stamp=' in html
    assert '<p id="banner" data-part="now" role="status" hidden>' in html


def test_a_clock_set_back_does_not_make_dead_data_live(place: Place) -> None:
    place.clock.step_utc_s(-3600.0)
    assert "stamped 59 min 59 s in the future" in place.text()
    assert place.ask("/healthz").status_code == 503


def test_an_unknown_time_zone_falls_back_to_utc(place: Place) -> None:
    good = plausible_snapshot()
    place.show(replace(good, site=replace(good.site, timezone="Atlantis/Capital")))
    assert "as of 17:32:11 UTC" in place.text()


def test_without_snapshot_and_database_the_page_still_answers(tmp_path: Path) -> None:
    place = Place(tmp_path)
    text = place.text()
    assert "No status: the monitor has not written any" in text
    assert "Events: cannot be read." in text
    assert "events.db" in text
    assert place.ask("/").status_code == 200
    assert place.ask("/api/status").status_code == 503
    assert place.ask("/api/waveform").status_code == 503
    assert place.ask("/api/events").status_code == 503
    assert "events.db" in place.ask("/api/events/1").json()["error"]
    assert place.ask("/metrics").status_code == 200


@pytest.mark.parametrize("content", [b"", b"no database at all", b"SQLite format 3\0" * 200])
def test_a_database_that_is_none(place: Place, content: bytes) -> None:
    for left in place.database_path.parent.glob("events.db*"):
        left.unlink()
    place.database_path.write_bytes(content)
    assert "Events: cannot be read." in place.text()
    assert place.ask("/api/events").status_code == 503
    assert "halfcycle_events" not in place.ask("/metrics").text


def test_an_empty_database_is_good_news(place: Place) -> None:
    place.database_path.unlink()
    write_database(place.database_path, ())
    assert "No serious event recorded. Nothing smaller was captured either." in place.text()


def unable_to_store(n_waiting: int, state: State = State.NOT_STORING) -> Snapshot:
    """12:31 UTC in March is 13:31 in Vienna (CET is UTC+1)."""
    good = plausible_snapshot()
    fault = "since 2026-03-04T12:31:47.439Z nothing can be stored: the disk is full"
    health = replace(good.health, n_waiting=n_waiting, last_fault=fault)
    return replace(good, state=state, health=health)


def worst_class(place: Place) -> str:
    html = place.ask("/").text
    return html[html.index('<p id="worst"') :].split('class="', 1)[1].split('"', 1)[0]


@pytest.mark.parametrize(
    ("n_waiting", "waits"),
    [(0, "nothing waits yet"), (1, "1 entry waits"), (7, "7 entries wait")],
)
def test_what_cannot_be_written_is_no_good_news(place: Place, n_waiting: int, waits: str) -> None:
    place.database_path.unlink()
    write_database(place.database_path, ())
    assert worst_class(place) == "sentence good"
    place.show(unable_to_store(n_waiting))
    text = place.text()
    assert f"Measuring, but the database cannot be written: {waits}." in text
    assert "No serious event recorded" not in text
    assert "Nothing smaller was captured" not in text
    assert "Nothing is lost yet." in text
    assert (f"{waits} to be written: the list below is not complete." in text) == (n_waiting > 0)
    assert worst_class(place) == "sentence attention"


def test_an_open_page_takes_the_answer_anew_when_something_waits(place: Place) -> None:
    """The script compares this mark; the file of the database does not change on a full disk."""
    marks = []
    for snapshot in (plausible_snapshot(), unable_to_store(0), unable_to_store(2)):
        place.show(snapshot)
        marks.append(place.ask("/").text.split('data-stamp="', 1)[1].split('"', 1)[0])
    assert len(set(marks)) == 3


def test_what_waits_is_said_beside_what_is_stored(place: Place) -> None:
    place.show(unable_to_store(3, State.WATCHING))
    text = place.text()
    assert "Worst event stored so far: swell to 331.0 V" in text
    assert "3 entries wait to be written: the list below is not complete." in text
    assert worst_class(place) == "sentence bad"


def test_what_was_let_go_is_not_called_safe(place: Place) -> None:
    full = unable_to_store(9)
    place.show(replace(full, health=replace(full.health, let_go="waveforms of 3 events")))
    text = place.text()
    assert "Nothing is lost yet" not in text
    assert "There was no room to keep waveforms of 3 events." in text


def test_a_fault_is_told_in_local_time(place: Place) -> None:
    place.show(unable_to_store(3))
    text = place.text()
    words = "ince today 13:31:47 nothing can be stored: the disk is full"
    assert text.count(words) == 2  # beside the first answer, and as the last fault
    assert "12:31:47" not in text


def test_names_are_text_and_never_markup(place: Place) -> None:
    """The string of the OWASP cross-site scripting page (from memory)."""
    evil = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>"
    good = plausible_snapshot()
    site = replace(good.site, name=evil, circuit=evil)
    odd = replace(good.channels[0], name=evil)
    place.show(replace(good, site=site, channels=(odd,)))
    html = place.ask("/").text
    assert "<script>alert" not in html
    assert "<img src=x" not in html
    assert html.count("&lt;script&gt;alert(1)&lt;/script&gt;") >= 3
    assert evil in place.text()


# --- the interface for programs -------------------------------------------------------------


def test_status_is_the_snapshot_and_its_age(place: Place) -> None:
    answer = place.ask("/api/status").json()
    assert answer.pop("age_s") == pytest.approx(0.75, abs=1e-3)  # stamps have milliseconds
    assert answer.pop("fresh") is True
    assert answer == json.loads(json.dumps(snapshot_as_json(plausible_snapshot())))


def test_waveform(place: Place) -> None:
    answer = place.ask("/api/waveform").json()
    assert answer["sample_rate_hz"] == 16000.0
    volts = answer["channels"]["L1"]
    rms_v = math.sqrt(sum(v * v for v in volts) / len(volts))
    # sine with 2 % fifth harmonic: rms = 229.8 * sqrt(1 + 0.02^2); samples are rounded to 0.1 V
    assert rms_v == pytest.approx(229.8 * math.sqrt(1 + 0.02**2), abs=0.01)


def test_events_serious_newest_first(place: Place) -> None:
    answer = place.ask("/api/events").json()
    assert [row["id"] for row in answer["events"]] == [6, 1, 7, 4]
    assert set(answer["events"][0]) == {
        "id", "kind", "channel", "group", "start_utc", "start_s", "duration_s", "value", "unit",
        "value_pct", "threshold", "verdict", "limit", "complete", "clock", "flags", "profile",
    }  # fmt: skip


def test_events_all_by_kind_and_page_by_page(place: Place) -> None:
    assert len(place.ask("/api/events?all=1").json()["events"]) == len(EVENTS)
    dips = place.ask("/api/events?all=1&kind=dip").json()["events"]
    assert [row["id"] for row in dips] == [1, 2]
    second = place.ask("/api/events?limit=2&offset=2").json()
    assert [row["id"] for row in second["events"]] == [7, 4]
    assert (second["limit"], second["offset"]) == (2, 2)


def test_one_event_whole(place: Place) -> None:
    event = place.ask("/api/events/1").json()
    assert (event["kind"], event["value"], event["verdict"]) == ("dip", 92.1, "may_stop")
    assert event["trace"]["urms_v"] == [230.0, 92.1]
    # stored as 16-bit integers scaled to the peak: 325 V / 65534 is 5 mV
    assert event["waveforms"][0]["volts"] == pytest.approx([0.0, 325.0, -325.0], abs=0.005)


@pytest.mark.parametrize(
    ("gone", "offered"), [((), 2), (("waveform",), 1), (("waveform", "trace"), 0)]
)
def test_no_file_is_offered_of_what_was_not_kept(
    place: Place, gone: tuple[str, ...], offered: int
) -> None:
    with closing(sqlite3.connect(place.database_path)) as connection, connection:
        for table in gone:
            connection.execute(f"DELETE FROM {table}")
    html = place.ask("/event/1").text
    assert html.count(" download>") == offered
    files = ("/event/1/curves.csv", "/event/1/comtrade.zip")
    assert all(place.ask(file).status_code == 200 for file in files if file in html)


@pytest.mark.parametrize("number", ["999", str(2**63 - 1), str(2**63), "9" * 60, "one", "-1", ""])
def test_no_such_event(place: Place, number: str) -> None:
    assert place.ask(f"/api/events/{number}").status_code == 404


@pytest.mark.parametrize(
    "query",
    ["limit=501", "limit=0", "limit=-1", "limit=ten", "limit=1e3", "limit=" + "9" * 5000,
     "limit=٣", "offset=-1", "offset=99999999999", "kind=sag", "kind=", "all=yes", "lmit=3"],
)  # fmt: skip
def test_a_wrong_question_is_refused_with_the_reason(place: Place, query: str) -> None:
    answer = place.ask(f"/api/events?{query}")
    assert answer.status_code == 400
    assert query.partition("=")[0] in answer.json()["error"]
    assert len(answer.text) < 300


def test_the_largest_question(place: Place) -> None:
    assert place.ask("/api/events?limit=500&offset=1000000000").json()["events"] == []


def test_metrics_are_read_by_the_library_of_prometheus(place: Place) -> None:
    answer = place.ask("/metrics")
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    samples = {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }
    assert samples["halfcycle_watching",] == 1
    assert samples["halfcycle_snapshot_age_seconds",] == pytest.approx(0.75, abs=1e-3)
    assert samples["halfcycle_voltage_rms_volts", "L1"] == 229.8
    assert samples["halfcycle_voltage_thd_ratio", "L1"] == pytest.approx(0.0276)
    assert samples["halfcycle_frequency_hertz",] == 50.012
    assert samples["halfcycle_samples_lost_total",] == 0
    assert samples["halfcycle_disk_free_bytes",] == 11.2e9
    assert samples["halfcycle_events_total", "dip"] == 2
    assert samples["halfcycle_events_total", "swell"] == 2
    assert samples["halfcycle_events_total", "flicker"] == 0


def test_metrics_leave_out_what_is_old(place: Place) -> None:
    place.show(plausible_snapshot(NOW_UTC_S - 12.0))
    text = place.ask("/metrics").text
    assert "halfcycle_watching 0.0" in text
    assert "halfcycle_voltage" not in text
    assert "halfcycle_frequency" not in text


def test_metrics_escape_odd_channel_names(place: Place) -> None:
    odd = 'L"1\\\n{}'
    place.show(replace(plausible_snapshot(), channels=(channel(odd, 230.0),)))
    families = text_string_to_metric_families(place.ask("/metrics").text)
    names = {
        sample.labels["channel"]
        for family in families
        for sample in family.samples
        if "channel" in sample.labels
    }
    assert names == {odd}


def test_healthz(place: Place) -> None:
    assert (place.ask("/healthz").status_code, place.ask("/healthz").text) == (200, "watching\n")
    place.clock.advance_s(4.0)  # 4.75 s old
    assert place.ask("/healthz").status_code == 200
    place.clock.advance_s(1.0)
    answer = place.ask("/healthz")
    why = "no data for 6 s: the monitor hangs or was ended without a word\n"
    assert (answer.status_code, answer.text) == (503, why)


@pytest.mark.parametrize("state", [State.STARTING, State.WAITING_FOR_DEVICE, State.STOPPED])
def test_healthz_while_not_watching(place: Place, state: State) -> None:
    place.show(replace(plausible_snapshot(), state=state))
    answer = place.ask("/healthz")
    assert answer.status_code == 503
    assert len(answer.text.splitlines()) == 1
    assert state.value in answer.text


# --- defence --------------------------------------------------------------------------------


@pytest.mark.parametrize("path", [*ROUTES, "/nothing", "/api/events?limit=x"])
def test_every_answer_carries_the_headers(place: Place, path: str) -> None:
    headers = place.ask(path).headers
    assert headers["content-security-policy"] == (
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"
    assert headers["referrer-policy"] == "no-referrer"
    assert "set-cookie" not in headers
    assert "server" not in headers


def test_a_failure_inside_carries_the_headers_and_no_detail(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise ZeroDivisionError("a secret detail")

    monkeypatch.setattr("daemon.page.app.read_history", fail)
    answer = place.ask("/")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert "content-security-policy" in answer.headers


@pytest.mark.parametrize("path", ROUTES)
@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_only_reading_is_answered(place: Place, path: str, method: str) -> None:
    answer = place.ask(path, method)
    assert (answer.status_code, answer.headers["allow"]) == (405, "GET, HEAD")


@pytest.mark.parametrize("path", ROUTES)
def test_head_is_get_without_the_body(place: Place, path: str) -> None:
    assert place.ask(path, "HEAD").status_code == place.ask(path).status_code == 200


@pytest.mark.parametrize(
    "host",
    ["localhost", "LOCALHOST:8230", "localhost.", "127.0.0.1", "127.0.0.1:8230", "[::1]:8230"],
)
def test_our_own_names_are_answered(place: Place, host: str) -> None:
    assert place.ask("/healthz", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    ["evil.example", "localhost.evil.example", "127.0.0.1.evil.example", "", "192.168.1.7",
     "localhost@evil.example", "[::1].evil.example", "[::1", "::1"],
)  # fmt: skip
def test_a_foreign_name_is_refused(place: Place, host: str) -> None:
    assert place.ask("/api/status", headers={"host": host}).status_code == 421


def test_bound_to_one_address_it_answers_to_that_and_loopback(place: Place) -> None:
    place.config = replace(place.config, allowed_hosts=hosts_for("192.168.1.7"))
    assert place.ask("/healthz", headers={"host": "192.168.1.7:8230"}).status_code == 200
    assert place.ask("/healthz", headers={"host": "localhost"}).status_code == 200
    assert place.ask("/healthz", headers={"host": "192.168.1.8"}).status_code == 421


def test_bound_to_all_it_answers_to_plain_addresses_and_its_own_name(place: Place) -> None:
    """A rebound name is a name: a plain address cannot be one."""
    place.config = replace(place.config, allowed_hosts=hosts_for("0.0.0.0"))
    own = socket.gethostname()
    for host in ("192.168.1.7:8230", "[fe80::1]:8230", own, f"{own}.local"):
        assert place.ask("/healthz", headers={"host": host}).status_code == 200
    for host in ("evil.example", "192.168.1.7.evil.example", "*"):
        assert place.ask("/healthz", headers={"host": host}).status_code == 421


@pytest.mark.parametrize("path", ROUTES)
def test_with_a_token_nothing_is_shown_without_it(place: Place, path: str) -> None:
    place.config = replace(place.config, token="grün und geheim")
    right = base64.b64encode("me:grün und geheim".encode()).decode()
    wrong = base64.b64encode(b"me:guess").decode()
    refused = place.ask(path)
    assert refused.status_code == 401
    assert refused.headers["www-authenticate"].startswith("Basic ")
    assert place.ask(path, headers={"authorization": f"Basic {right}"}).status_code == 200
    for given in (f"Basic {wrong}", "Basic !", "Basic", "Bearer guess", "Bearer", "Digest x", ""):
        assert place.ask(path, headers={"authorization": given}).status_code == 401


def test_a_program_gives_the_token_as_bearer(place: Place) -> None:
    place.config = replace(place.config, token="sesame")
    headers = {"authorization": "Bearer sesame"}
    assert place.ask("/api/status", headers=headers).status_code == 200


@pytest.mark.parametrize(
    "path",
    ["/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2fapp.py", "/static/", "/static",
     "/page.html", "/static/%00"],
)  # fmt: skip
def test_no_file_besides_the_static_ones(place: Place, path: str) -> None:
    assert place.ask(path).status_code == 404


def test_nothing_comes_from_elsewhere() -> None:
    folder = Path(__file__).parent.parent / "daemon" / "page"
    for file in (*folder.glob("*.html"), *(folder / "static").iterdir()):
        text = file.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "//" not in text.replace("// ", ""), file  # no URL with a host of its own
        assert "style=" not in text, file
        assert "onclick" not in text, file


def test_reading_leaves_the_folder_as_it_was(place: Place) -> None:
    folder = place.snapshot_path.parent
    before = {entry.name: entry.read_bytes() for entry in folder.iterdir()}
    for path in ROUTES:
        place.ask(path)
    assert {entry.name: entry.read_bytes() for entry in folder.iterdir()} == before


# --- the process ----------------------------------------------------------------------------


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])


@contextmanager
def page_process(place: Place, port: int, *more: str) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-m", "daemon.page", "--snapshot", str(place.snapshot_path),
               "--database", str(place.database_path), "--port", str(port), *more]  # fmt: skip
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdout=pipe, stderr=pipe, text=True) as process:
        try:
            yield process
        finally:
            process.kill()


def wait_until_listening(port: int) -> None:
    """At most 10 s: the process has to import its libraries first."""
    for _ in range(200):
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
            return
        except OSError:
            time.sleep(0.05)
    raise AssertionError(f"nothing listens on port {port}")


def test_the_process_answers_and_ends_quietly(place: Place) -> None:
    port = free_port()
    with page_process(place, port) as process:
        wait_until_listening(port)
        answer = httpx.get(f"http://127.0.0.1:{port}/", headers={"host": f"localhost:{port}"})
        assert answer.status_code == 200
        assert "server" not in answer.headers
        assert httpx.get(f"http://127.0.0.1:{port}/api/events").json()["events"]
        process.send_signal(signal.SIGTERM)
        output = process.communicate(timeout=5)
    assert (process.returncode, output) == (0, ("", ""))


def test_the_process_ends_with_its_parent(place: Place) -> None:
    port = free_port()
    code = (
        "import subprocess, sys, time\n"
        "child = subprocess.Popen([sys.executable, '-m', 'daemon.page', *sys.argv[1:]])\n"
        "print(child.pid, flush=True)\n"
        "time.sleep(60)\n"
    )
    command = [sys.executable, "-c", code, "--snapshot", str(place.snapshot_path),
               "--database", str(place.database_path), "--port", str(port)]  # fmt: skip
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        wait_until_listening(port)
        parent.kill()
    try:
        assert _is_refused_within_5_s(port)
    finally:
        _end(child)


def _is_refused_within_5_s(port: int) -> bool:
    for _ in range(100):
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
        except OSError:
            return True
        time.sleep(0.05)
    return False


def _end(pid: int) -> None:
    try:
        os.kill(pid, signal.SIGKILL)
    except ProcessLookupError:
        return


def test_a_taken_port_is_one_clear_line(place: Place) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with page_process(place, port) as process:
            _, errors = process.communicate(timeout=30)
    assert process.returncode == 3
    assert errors == f"the page cannot use 127.0.0.1 port {port}: Address already in use\n"


@pytest.mark.parametrize(("content", "words"), [(None, "cannot be read"), (" \n", "is empty")])
def test_a_wrong_token_file_is_said(place: Place, content: str | None, words: str) -> None:
    path = place.snapshot_path.with_name("token")
    if content is not None:
        path.write_text(content, encoding="utf-8")
    with page_process(place, free_port(), "--token-file", str(path)) as process:
        _, errors = process.communicate(timeout=30)
    assert process.returncode == 2
    assert words in errors
    assert "Traceback" not in errors


def test_a_silent_connection_is_dropped(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    """Half a request, then nothing: closed after the time allowed, here 0.2 s."""
    monkeypatch.setattr("daemon.page.server._FIRST_REQUEST_WITHIN_S", 0.2)
    config = uvicorn.Config(
        create_app(place.config), http=PatientProtocol, port=0, lifespan="off", log_config=None,
        log_level="error",
    )  # fmt: skip
    server = PageServer(config, os.getppid())
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        while not server.started:
            thread.join(0.01)
        port = server.servers[0].sockets[0].getsockname()[1]
        with socket.create_connection(("127.0.0.1", port), timeout=5) as connection:
            connection.sendall(b"GET / HTTP/1.1\r\nHost: local")
            assert connection.recv(100) == b""
        assert httpx.get(f"http://127.0.0.1:{port}/healthz").text
    finally:
        server.should_exit = True
        thread.join()


def test_answers_do_not_wait_for_the_network(place: Place) -> None:
    """Without TCP_NODELAY each answer takes 40 ms (Linux's delayed ACK); here it takes 2 ms."""
    port = free_port()
    with page_process(place, port):
        wait_until_listening(port)
        with httpx.Client(base_url=f"http://127.0.0.1:{port}") as client:
            client.get("/healthz")
            took_s = sorted(client.get("/healthz").elapsed.total_seconds() for _ in range(20))
    assert took_s[10] < 0.03  # the median, so that a busy machine does not matter


def test_a_simulation_says_so_first(place: Place) -> None:
    snapshot = plausible_snapshot()
    place.show(replace(snapshot, driver=replace(snapshot.driver, name="simulated")))
    assert "Watching a simulation, nothing real, since yesterday" in place.text()
