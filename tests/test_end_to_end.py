"""The command as a person uses it: a recording with its truth goes in, answers come out."""

import json
import os
import signal
import sqlite3
import time
import urllib.request
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drivers.scenario import load_scenario
from drivers.synthesis import Synthesis
from drivers.truth import TrueEvent, truth
from tests.whole_material import (
    NOMINAL_V,
    RATE_HZ,
    START_UTC,
    Raw,
    children_of,
    free_port,
    halfcycle,
    json_lines,
    mains,
    running,
    until,
    wav_driver,
    write_config,
    write_wav,
)

SCENARIO = """
title: A little of everything
duration_s: 40
supply: {nominal_v: 230, frequency_hz: 50, noise_pct: 0.02, harmonics: [{order: 5, pct: 2}]}
timeline:
  - {kind: dip, at_s: 3, duration_s: 0.4, residual_pct: 82, phase_deg: 90}
  - {kind: dip, at_s: 6, duration_s: 0.3, residual_pct: 45}
  - {kind: swell, at_s: 9, duration_s: 0.25, magnitude_pct: 126}
  - {kind: interruption, at_s: 12, duration_s: 1.2}
  - {kind: distortion, at_s: 17, duration_s: 16, harmonics: [{order: 7, pct: 9}]}
"""
KEYS = [
    "id", "kind", "channel", "group", "start_utc", "start_s", "duration_s", "value", "unit",
    "value_pct", "threshold", "verdict", "limit", "complete", "clock", "flags", "profile",
]  # fmt: skip


@dataclass(frozen=True)
class Watched:
    """A recording after the monitor has been through it."""

    folder: Path
    config: Path
    database: Path
    truth: tuple[TrueEvent, ...]
    events: list[Raw]  # as `halfcycle events --all --format jsonl` gives them


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> Watched:
    folder = tmp_path_factory.mktemp("watched")
    (folder / "scenario.yaml").write_text(SCENARIO)
    scenario = load_scenario(folder / "scenario.yaml")
    made = Synthesis.of(scenario, RATE_HZ)
    n_samples = 40 * RATE_HZ
    chunks = [made.chunk(number) for number in range(n_samples // len(made.chunk(0)) + 1)]
    volts = np.concatenate(chunks)[:n_samples, 0].astype(np.float64)
    write_wav(folder / "a.wav", volts)
    channels = [{"name": "L1", "input": 0}]
    config = write_config(folder, wav_driver(), channels=channels)
    done = halfcycle("monitor", "-c", config, "--no-page")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    database = folder / "events.db"
    done = halfcycle("events", database, "--all", "--format", "jsonl")
    assert (done.returncode, done.stderr) == (0, "")
    return Watched(folder, config, database, truth(scenario, 40.0), json_lines(done.stdout))


def test_events_are_those_of_the_scenario(watched: Watched) -> None:
    events = watched.events
    assert [list(event) for event in events] == [KEYS] * 5
    assert [event["kind"] for event in events] == [true.kind for true in watched.truth]
    for event, true in zip(events, watched.truth, strict=True):
        is_voltage = event["unit"] == "V"
        # one cycle and 0.2 % of declared (IEC 61000-4-30); distortion: 150/180-cycle values
        assert event["start_s"] == pytest.approx(true.start_s, abs=0.0201 if is_voltage else 3.0)
        assert event["duration_s"] == pytest.approx(
            true.duration_s, abs=0.0201 if is_voltage else 6.0
        )
        assert event["value"] == pytest.approx(true.value, abs=0.46 if is_voltage else 0.1)
        assert (event["channel"], event["profile"], event["complete"]) == ("L1", "iti-2000", True)
        if is_voltage:
            assert event["value_pct"] == pytest.approx(
                100 * event["value"] / NOMINAL_V,
                abs=8e-4,  # both given to a thousandth
            )


def test_verdicts_are_those_of_the_published_curve(watched: Watched) -> None:
    """ITI (CBEMA) curve, 2000: 80 % for 10 s, 70 % for 0.5 s, 0 % for 20 ms; 120 % for 0.5 s."""
    events = watched.events
    assert [event["verdict"] for event in events] == [
        "within",  # 82 % for 0.4 s
        "may_stop",  # 45 % for 0.3 s
        "may_damage",  # 126 % for 0.25 s
        "may_stop",  # 0 % for 1.2 s
        None,  # the curve says nothing of distortion
    ]


def test_people_are_shown_what_is_serious_newest_first(watched: Watched) -> None:
    lines = halfcycle("events", watched.database).stdout.splitlines()
    assert lines[0] == "5 events, 3 serious, compared with iti-2000."
    text = "\n".join(lines)
    assert text.index("interruption") < text.index("swell") < text.index("dip (sag)")
    assert text.count("dip (sag)") == 1  # the shallow one is within
    assert (
        lines[-1]
        == "Not shown: 1 within the limits and 1 that the profile does not judge; --all shows them."
    )


def test_csv_has_the_same_rows(watched: Watched) -> None:
    lines = halfcycle("events", watched.database, "--all", "--format", "csv").stdout.splitlines()
    assert lines[0] == ",".join(KEYS)
    assert [line.split(",")[1] for line in lines[1:]] == [true.kind for true in watched.truth]


def test_one_event_is_shown_whole(watched: Watched) -> None:
    done = halfcycle("show", watched.database, 2)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("Event 2: dip (sag) to 103.")
    assert "Equipment may stop" in done.stdout
    assert "One-cycle rms" in done.stdout


def test_another_profile_judges_the_same_events(watched: Watched) -> None:
    before = watched.database.read_bytes()
    done = halfcycle("judge", watched.database, "--profile", "iec-61000-4-11-class-3")
    assert (done.returncode, done.stderr) == (0, "")
    assert "5 events" in done.stdout
    assert watched.database.read_bytes() == before


def test_reading_leaves_no_file_behind(watched: Watched) -> None:
    names = sorted(entry.name for entry in watched.folder.iterdir())
    assert names == ["a.wav", "events.db", "scenario.yaml", "site.yaml"]


def test_times_are_those_of_the_recording(watched: Watched) -> None:
    first = json_lines(halfcycle("events", watched.database, "--all", "--format", "jsonl").stdout)[
        0
    ]
    assert first["start_utc"].startswith(START_UTC[:17])  # 12:00 and some seconds
    assert first["clock"] == "recording"


@pytest.fixture(scope="module")
def live_config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A dip at once, then a steady minute; live, with a page."""
    folder = tmp_path_factory.mktemp("live")
    write_wav(folder / "a.wav", mains(90.0, (1.0, 0.4, 0.6)))
    driver = wav_driver(pace="realtime", start_utc=None)
    return write_config(folder, driver, page={"port": free_port()})


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_in_good_order_within_two_seconds(
    live_config: Path, number: signal.Signals
) -> None:
    database = live_config.with_name("events.db")
    n_before = stopped_runs(database)
    with running("monitor", "-c", live_config, "--no-page") as process:
        until(lambda: database.exists() and runs(database) > n_before)
        time.sleep(0.3)
        process.send_signal(number)
        before_s = time.monotonic()
        assert process.wait(10) == 0
        assert time.monotonic() - before_s < 2.0
        assert process.stderr is not None
        assert process.stderr.read() == ""
    assert stopped_runs(database) == runs(database) == n_before + 1


def runs(database: Path) -> int:
    return number_in(database, "SELECT count(*) FROM run")


def stopped_runs(database: Path) -> int:
    return number_in(database, "SELECT sum(stopped) FROM run") if database.exists() else 0


def number_in(database: Path, sql: str) -> int:
    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True)) as connection:
        ((number,),) = connection.execute(sql).fetchall()
    return int(number)


def get(port: int, path: str) -> Any:
    """What the page answers as JSON; None while it does not."""
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=2) as answer:
            return json.load(answer)
    except OSError:
        return None


def test_a_page_that_is_killed_does_not_hurt_the_measurement(live_config: Path) -> None:
    port = free_port()
    database = live_config.with_name("events.db")
    text = live_config.read_text()
    config = live_config.with_name("page.yaml")
    config.write_text(f"{text[: text.index('page:')]}page: {{port: {port}}}\n{_after_page(text)}")
    with running("monitor", "-c", config) as process:
        until(lambda: get(port, "/api/status"))
        (page,) = children_of(process.pid, "daemon.page")
        os.kill(page, signal.SIGKILL)
        log = "SELECT count(*) FROM log WHERE kind = 'fault' AND text LIKE '%page%'"
        until(lambda: number_in(database, log) == 1)
        time.sleep(1.2)  # a second more: it is told once, and measuring goes on
        assert process.poll() is None
        process.terminate()
        assert process.wait(10) == 0
    assert number_in(database, log) == 1
    measured = "SELECT samples_measured FROM run ORDER BY id DESC LIMIT 1"
    assert number_in(database, measured) >= 2 * RATE_HZ


def _after_page(text: str) -> str:
    """The tables that follow `page:` in a file with sorted keys."""
    lines = text[text.index("page:") :].splitlines(keepends=True)[1:]
    first = next(n for n, line in enumerate(lines) if not line.startswith(" "))
    return "".join(lines[first:])


def test_a_killed_sampler_ends_the_monitor_with_3(live_config: Path) -> None:
    with running("monitor", "-c", live_config, "--no-page") as process:
        until(lambda: children_of(process.pid, "daemon.sampler"))
        until(lambda: live_config.with_name("events.db").exists())
        (sampler,) = children_of(process.pid, "daemon.sampler")
        os.kill(sampler, signal.SIGKILL)
        assert process.wait(10) == 3
        assert process.stderr is not None
        assert process.stderr.read() == "halfcycle: the sampling process ended unexpectedly\n"
