"""`halfcycle demo`: something to see within seconds, for somebody who has just installed it."""

import re
import signal
import time
import urllib.request
from pathlib import Path
from typing import Any

from tests.test_end_to_end import get
from tests.whole_material import free_port, halfcycle, json_lines, running, until


def test_events_are_on_the_page_within_seconds(tmp_path: Path) -> None:
    """The first dip of the demonstration is at 3 to 4 s."""
    port = free_port()
    database = tmp_path / "demo.db"
    began_s = time.monotonic()
    with running("demo", "--port", port, "--db", database) as process:
        until(lambda: get(port, "/api/status"), 10.0)
        assert get(port, "/api/status")["channels"][0]["name"] == "L1"
        until(lambda: events_on(port), 20.0)
        assert time.monotonic() - began_s < 20.0
        (dip, *_) = events_on(port)
        assert (dip["kind"], dip["channel"]) == ("dip", "L1")
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/?all=1", timeout=5) as answer:
            assert "dip (sag)" in answer.read().decode()
        process.send_signal(signal.SIGINT)
        assert process.wait(10) == 0
        assert process.stdout is not None
        said = process.stdout.read()
    assert "Simulated: nothing is measured" in said
    assert f"http://127.0.0.1:{port}/" in said
    assert re.search(r"Kept \d+ events?\. See them: halfcycle events ", said)
    listed = json_lines(halfcycle("events", database, "--all", "--format", "jsonl").stdout)
    assert listed[0]["kind"] == "dip"


def events_on(port: int) -> list[dict[str, Any]]:
    answer = get(port, "/api/events?all=1")
    found: list[dict[str, Any]] = [] if answer is None else answer["events"]
    return found


def test_it_runs_without_a_page(tmp_path: Path) -> None:
    database = tmp_path / "demo.db"
    with running("demo", "--no-page", "--db", database) as process:
        until(database.exists, 10.0)
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0
        assert process.stdout is not None
        assert "Status page" not in process.stdout.read()
