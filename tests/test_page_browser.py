"""The page in a real browser: layout at both widths and both colour schemes, and the refreshing.

Chromium runs without a window and in virtual time: a second of the page's clock takes no longer
than the requests made in it. The page is served from this process, at a fixed time, and one probe
script is added to it, which writes what it finds into attributes of the document.
"""

import json
import shutil
import struct
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

import pytest
import uvicorn
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from daemon.page.app import PageConfig, create_app
from daemon.status import Snapshot, write_snapshot
from drivers.clock import ManualClock
from tests.page_material import (
    NOW_UTC_S,
    channel,
    plausible_snapshot,
    three_phase,
    write_database,
)

CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")

FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync",
         "--hide-scrollbars")  # fmt: skip
SCHEMES = {"dark": 0, "light": 1}  # Chromium's numbers for its setting preferredColorScheme
PROBE_TAG = b'<script src="/static/probe.js" defer></script></head>'


@dataclass
class Served:
    """The page with a probe in it, and what was asked of it."""

    folder: Path
    probe: str = ""
    token: str | None = None
    silent_after: int | None = None  # count of home pages after which it only fails
    changes: dict[int, Snapshot] = field(default_factory=dict)  # before that home page
    paths: list[str] = field(default_factory=list)
    reports: list[dict[str, object]] = field(default_factory=list)  # what a probe sent here
    port: int = 0

    @property
    def n_home(self) -> int:
        return self.paths.count("/")

    def app(self) -> ASGIApp:
        config = PageConfig(self.folder / "status.json", self.folder / "events.db", self.token)
        page = create_app(config, ManualClock(utc_s=NOW_UTC_S))

        async def serve(scope: Scope, receive: Receive, send: Send) -> None:
            self.paths.append(scope["path"])
            if scope["path"] == "/static/probe.js":
                await answer(send, 200, self.probe.encode())
            elif scope["path"] == "/static/report":
                self.reports.append(json.loads(unquote(scope["query_string"].decode())))
                await answer(send, 200, b"")
            elif self.silent_after is not None and self.n_home > self.silent_after:
                await answer(send, 500, b"")
            elif scope["path"] == "/":
                if self.n_home in self.changes:
                    write_snapshot(config.snapshot_path, self.changes[self.n_home])
                await page(scope, receive, with_probe(send))
            else:
                await page(scope, receive, send)

        return serve


async def answer(send: Send, status: int, body: bytes) -> None:
    headers = [(b"content-type", b"text/javascript"), (b"content-length", b"%d" % len(body))]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


def with_probe(send: Send) -> Send:
    """Adds the probe to the head. The defences stay as they are: the probe has to pass them."""

    async def send_more(message: Message) -> None:
        if message["type"] == "http.response.start":
            kept = [pair for pair in message["headers"] if pair[0] != b"content-length"]
            message["headers"] = kept
        elif message["type"] == "http.response.body":
            message["body"] = message.get("body", b"").replace(b"</head>", PROBE_TAG, 1)
        await send(message)

    return send_more


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    folder = tmp_path / "page"
    folder.mkdir()
    write_snapshot(folder / "status.json", three_phase(plausible_snapshot()))
    write_database(folder / "events.db")
    found = Served(folder)
    with running(found):
        yield found


@contextmanager
def running(served: Served) -> Iterator[None]:
    config = uvicorn.Config(
        served.app(), port=0, lifespan="off", log_config=None, log_level="error", ws="none"
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        while not server.started:
            thread.join(0.01)
            assert thread.is_alive()
        served.port = server.servers[0].sockets[0].getsockname()[1]
        yield
    finally:
        server.should_exit = True
        thread.join()


def browse(served: Served, tmp_path: Path, *more: str, path: str = "/") -> str:
    """Run Chromium on the page, with a profile of its own that goes with the test."""
    assert CHROMIUM is not None
    profile = tmp_path / "profile"
    command = [CHROMIUM, *FLAGS, f"--user-data-dir={profile}", *more,
               f"http://127.0.0.1:{served.port}{path}"]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    shutil.rmtree(profile, ignore_errors=True)
    assert done.returncode == 0, done.stderr
    return done.stdout


class _Root(HTMLParser):
    """Attributes of <html>, the text of some ids, and the class of <body>."""

    def __init__(self) -> None:
        super().__init__()
        self.root: dict[str, str | None] = {}
        self.body: dict[str, str | None] = {}

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "html":
            self.root = dict(attrs)
        elif tag == "body":
            self.body = dict(attrs)


def dumped(dom: str) -> _Root:
    reader = _Root()
    reader.feed(dom)
    return reader


def probed(dom: str) -> dict[str, object]:
    """What the probe wrote down, as JSON in `data-probe`."""
    text = dumped(dom).root.get("data-probe")
    assert text is not None, "the probe did not run"
    found: dict[str, object] = json.loads(text)
    return found


LAYOUT_PROBE = """
"use strict";
const measure = () => {
  const wide = [...document.querySelectorAll("main *, header *, footer *")]
    .filter((e) => !e.closest("thead, .sr") && e.getBoundingClientRect().right > innerWidth + 0.5)
    .map((e) => e.className.baseVal ?? (e.className || e.tagName));
  const rgb = (c) => c.match(/[0-9.]+/g).map(Number);
  const light = (c) => {
    const [r, g, b] = rgb(c).map((v) => v / 255)
      .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ground = (e) => {
    for (let at = e; at; at = at.parentElement) {
      const c = getComputedStyle(at).backgroundColor;
      if (c !== "rgba(0, 0, 0, 0)" && c !== "transparent") return c;
    }
    return "rgb(255, 255, 255)";
  };
  const contrast = (e) => {
    const [a, b] = [light(getComputedStyle(e).color), light(ground(e))];
    return (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  };
  const spoken = [...document.querySelectorAll("main *, header *, footer *")]
    .filter((e) => [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim()))
    .filter((e) => !(e instanceof SVGElement));
  fetch("/static/report?" + encodeURIComponent(JSON.stringify({
    width: innerWidth,
    scroll: document.documentElement.scrollWidth,
    wide,
    ground: light(getComputedStyle(document.body).backgroundColor),
    contrast: Math.min(...spoken.map(contrast)),
    answersEnd: document.querySelector(".answers").getBoundingClientRect().bottom,
    tabular: getComputedStyle(document.body).fontVariantNumeric,
  })));
};
addEventListener("load", measure);
addEventListener("resize", measure);
"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [(360, 740), (1440, 900)])
def test_layout(served: Served, tmp_path: Path, width: int, height: int, scheme: str) -> None:
    """Nothing sticks out, the three answers need no scrolling, all text can be read.

    Contrast: at least 4.5 to 1, WCAG 2.1 success criterion 1.4.3, with its formula for luminance.
    A window is never narrower than 500 pixels, a screenshot is: so the last report counts.
    """
    served.probe = LAYOUT_PROBE
    picture = tmp_path / f"page_{width}_{scheme}.png"
    setting = f"--blink-settings=preferredColorScheme={SCHEMES[scheme]}"
    size = f"--window-size={width},{height}"
    browse(served, tmp_path, size, setting, f"--screenshot={picture}", path="/?all=1")
    found = served.reports[-1]
    assert found["width"] == width
    assert found["scroll"] == width
    assert found["wide"] == []
    assert (number(found, "ground") > 0.5) == (scheme == "light")
    assert number(found, "contrast") >= 4.5
    assert number(found, "answersEnd") < height
    assert "tabular-nums" in str(found["tabular"])
    content = picture.read_bytes()
    assert struct.unpack(">II", content[16:24]) == (width, height)  # PNG header, RFC 2083
    assert len(content) > 20_000  # one flat colour takes about 5 kB


def number(found: dict[str, object], key: str) -> float:
    value = found[key]
    assert isinstance(value, int | float)
    return value


REFRESH_PROBE = """
"use strict";
const root = document.documentElement;
const volts = document.querySelector(".volts b");
const row = document.querySelector("tbody tr");
const link = document.querySelector(".more a");
const first = volts.textContent;
let n_added = 0;
new MutationObserver((changes) => {
  for (const change of changes) n_added += change.addedNodes.length + change.removedNodes.length;
}).observe(document.body, { childList: true, subtree: true });
link.focus();
setTimeout(() => {
  root.dataset.probe = JSON.stringify({
    first,
    then: volts.textContent,
    same: volts.isConnected && row.isConnected && document.activeElement === link,
    n_added,
    title: document.title,
  });
}, 4500);
"""


def test_it_refreshes_each_second_and_replaces_nothing(served: Served, tmp_path: Path) -> None:
    """The first page shows 230.4 V, the third 231.7 V; nothing is replaced or loses the focus."""
    good = plausible_snapshot()
    served.probe = REFRESH_PROBE
    later = (channel("L1", 231.7), channel("L2", 229.0), channel("L3", 228.9))
    served.changes[3] = replace(good, channels=later)
    found = probed(browse(served, tmp_path, "--virtual-time-budget=5000", "--dump-dom"))
    assert (found["first"], found["then"]) == ("230.4 V", "231.7 V")
    assert found["same"] is True
    assert found["n_added"] == 1  # "dip (sag) going on now", which is over
    assert found["title"] == "normal: Bakery Lindenhof · Halfcycle"
    assert 4 <= served.n_home <= 6  # the first and one a second


def test_silence_is_unmistakable(served: Served, tmp_path: Path) -> None:
    """Two good answers, then none: after 5 s the page greys itself and counts the seconds."""
    served.silent_after = 2
    served.probe = """
    setTimeout(() => {
      const banner = document.getElementById("banner");
      document.documentElement.dataset.probe = JSON.stringify({
        banner: banner.innerText,
        shown: banner.getBoundingClientRect().height > 0,
        live: getComputedStyle(document.querySelector(".live")).filter,
        answers: getComputedStyle(document.querySelector(".answers")).filter,
        heading: document.getElementById("live-title").textContent,
        title: document.title,
      });
    }, 9500);
    """
    dom = browse(served, tmp_path, "--virtual-time-budget=10000", "--dump-dom")
    found = probed(dom)
    assert found["shown"] is True
    # asked at 1 s with an answer, looked at at 9 s: 8 s, give or take the time of one request
    assert found["banner"] in [
        f"No data for {count} s: this page gets no answer. The monitor, its computer or the "
        "network is down. What stands below is old."
        for count in (7, 8)
    ]
    assert found["live"] == found["answers"] == "grayscale(1)"
    assert found["heading"] == "Last values, old"
    assert found["title"] == "no data · Halfcycle"
    assert dumped(dom).body["class"] == "silent"


def test_an_answer_after_silence_mends_the_page(served: Served, tmp_path: Path) -> None:
    served.probe = """
    const original = window.fetch;
    window.fetch = () => Promise.reject(new TypeError("cable pulled"));
    setTimeout(() => { window.fetch = original; }, 7500);
    const seen = [];
    setInterval(() => seen.push(document.body.className), 1000);
    setTimeout(() => {
      const banner = document.getElementById("banner");
      document.documentElement.dataset.probe = JSON.stringify({
        seen, hidden: banner.hidden, heading: document.getElementById("live-title").textContent,
      });
    }, 10500);
    """
    found = probed(browse(served, tmp_path, "--virtual-time-budget=11000", "--dump-dom"))
    seen = found["seen"]
    assert isinstance(seen, list)
    assert seen[2] == "fresh"
    assert "silent" in seen
    assert seen[-1] == "fresh"
    assert (found["hidden"], found["heading"]) == (True, "Now")


def test_it_asks_nobody_else(served: Served, tmp_path: Path) -> None:
    """The browser itself says which addresses the page used (Resource Timing, W3C)."""
    served.probe = """
    addEventListener("securitypolicyviolation", (e) => {
      document.documentElement.dataset.violation = e.blockedURI;
    });
    setTimeout(() => {
      const used = performance.getEntriesByType("resource");
      document.documentElement.dataset.probe = JSON.stringify({
        hosts: [...new Set(used.map((entry) => new URL(entry.name).host))],
      });
    }, 2500);
    """
    dom = browse(served, tmp_path, "--virtual-time-budget=3000", "--dump-dom")
    assert probed(dom)["hosts"] == [f"127.0.0.1:{served.port}"]
    assert "data-violation" not in dumped(dom).root
    assert set(served.paths) <= {
        "/", "/static/page.css", "/static/drawings.css", "/static/page.js", "/static/icon.svg",
        "/static/probe.js",
    }  # fmt: skip


def test_markup_in_a_name_does_not_run(served: Served, tmp_path: Path) -> None:
    good = plausible_snapshot()
    evil = "<img src=x onerror=\"document.documentElement.dataset.evil='1'\">"
    odd = (channel(evil, 230.0),)
    write_snapshot(served.folder / "status.json", replace(good, channels=odd))
    served.probe = """
    setTimeout(() => {
      document.documentElement.dataset.probe = JSON.stringify({
        name: document.querySelector("h3").textContent,
        images: document.querySelectorAll("main img").length,
      });
    }, 2500);
    """
    dom = browse(served, tmp_path, "--virtual-time-budget=3000", "--dump-dom")
    assert probed(dom) == {"name": evil, "images": 0}
    assert "data-evil" not in dumped(dom).root


def test_the_keyboard_reaches_everything(served: Served, tmp_path: Path) -> None:
    """Every link can take the focus (those in drawings by script only), the first one skips to
    the events, and focus can be seen."""
    served.probe = """
    addEventListener("load", () => {
      const links = [...document.querySelectorAll("a")];
      const reached = links.filter((a) => { a.focus(); return document.activeElement === a; });
      links[0].focus();
      const skip = links[0].getBoundingClientRect().width > 20;
      document.documentElement.dataset.probe = JSON.stringify({
        all: reached.length === links.length, n: links.length, skip, to: links[0].hash,
      });
    });
    """
    found = probed(browse(served, tmp_path, "--dump-dom"))
    assert (found["all"], found["skip"], found["to"]) == (True, True, "#list")
    assert number(found, "n") > 20
