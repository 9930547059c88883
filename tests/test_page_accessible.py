"""What axe-core, the checker of Deque Systems, says of the pages: nothing serious.

It is fetched by npm into a folder of the test and evaluated through the browser's own protocol, so
the page keeps its Content-Security-Policy.
"""

import json
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.status import write_snapshot
from tests.chromium import CHROMIUM, Browser, browser
from tests.page_material import plausible_snapshot, three_phase, write_database
from tests.test_page_browser import Served, running

pytestmark = [
    pytest.mark.online,
    pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed"),
]
AXE = "axe-core@4"
GRAVE = ("serious", "critical")


@pytest.fixture
def axe(tmp_path: Path) -> str:
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("npm is not installed")
    folder = tmp_path / "axe"
    folder.mkdir()
    done = subprocess.run(
        [npm, "install", "--no-audit", "--no-fund", "--ignore-scripts", "--prefix", folder, AXE],
        capture_output=True, text=True, check=False, timeout=60, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    script = folder / "node_modules" / "axe-core" / "axe.min.js"
    if done.returncode != 0 or not script.exists():
        pytest.skip(f"axe-core cannot be fetched: {done.stderr.strip()[:200]}")
    return script.read_text(encoding="utf-8")


@pytest.fixture
def shown(tmp_path: Path) -> Iterator[tuple[Served, Browser]]:
    write_snapshot(tmp_path / "status.json", three_phase(plausible_snapshot()))
    write_database(tmp_path / "events.db")
    served = Served(tmp_path, token="sesame")
    with running(served), browser(tmp_path / "profile") as page:
        page.send_headers(Authorization="Bearer sesame")
        yield served, page


LOOKS = (
    ("/?all=1", 360, "dark"),
    ("/?all=1", 1440, "light"),
    ("/event/1", 360, "light"),
    ("/event/1", 1440, "dark"),
    ("/api", 360, "light"),
)


def test_axe_finds_nothing_serious(shown: tuple[Served, Browser], axe: str, tmp_path: Path) -> None:
    served, page = shown
    grave = []
    for path, width, scheme in LOOKS:
        page.look(width, 900, scheme)
        page.go(f"http://127.0.0.1:{served.port}{path}")
        page.run(f"{axe}; undefined")
        found = page.run("axe.run(document).then(r => ({bad: r.violations, n: r.passes.length}))")
        assert found["n"] > 10  # it did look
        grave += [
            (path, width, fault["id"], node["html"], node["failureSummary"])
            for fault in found["bad"]
            if fault["impact"] in GRAVE
            for node in fault["nodes"]
        ]
        page.picture(tmp_path / f"axe_{path.strip('/?').replace('/', '_')}_{width}_{scheme}.png")
    assert grave == [], json.dumps(grave, indent=1)[:4000]


def test_axe_would_find_something(shown: tuple[Served, Browser], axe: str) -> None:
    """A picture without words and an empty button are what it has to complain of."""
    served, page = shown
    page.go(f"http://127.0.0.1:{served.port}/api")
    page.run("document.body.insertAdjacentHTML('beforeend', '<img src=\"/static/icon.svg\">'); 0")
    page.run(f"{axe}; undefined")
    found = page.run("axe.run(document).then(r => r.violations.map(v => v.id))")
    assert "image-alt" in found
