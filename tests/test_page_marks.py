"""`POST /api/mark`, the limits of rate and size, and `halfcycle mark`."""

import asyncio
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest
from click.testing import CliRunner

from daemon.page.app import PageConfig, create_app
from daemon.page.guard import AT_ONCE, PER_S
from daemon.page.limits import MOST_CLIENTS, Allowance, Clients
from daemon.spool import LONGEST_NOTE, WITHOUT_NOTE, read_spool
from daemon.status import write_snapshot
from drivers.clock import ManualClock
from tests.page_material import NOW_UTC_S, plausible_snapshot, write_database
from tools.cli import main

RIGHT = {"authorization": "Bearer sesame", "content-type": "application/json"}
Request = tuple[str, str, dict[str, str], bytes]


class Page:
    """One page that stays, so that it can lose its patience."""

    def __init__(self, folder: Path, token: str | None) -> None:
        self.clock = ManualClock(utc_s=NOW_UTC_S)
        self.spool = folder / "spool"
        self.config = PageConfig(folder / "status.json", folder / "events.db", token)
        self._app = create_app(self.config, self.clock)

    def ask(self, *requests: Request) -> list[httpx.Response]:
        return asyncio.run(self._ask(requests))

    async def _ask(self, requests: tuple[Request, ...]) -> list[httpx.Response]:
        transport = httpx.ASGITransport(self._app)
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
            return [
                await client.request(method, path, headers=headers, content=body)
                for method, path, headers, body in requests
            ]

    def mark(self, body: bytes = b"{}", **headers: str) -> httpx.Response:
        named = {key.replace("_", "-"): value for key, value in headers.items()}
        return self.ask(("POST", "/api/mark", RIGHT | named, body))[0]


@pytest.fixture
def page(tmp_path: Path) -> Page:
    write_snapshot(tmp_path / "status.json", plausible_snapshot())
    write_database(tmp_path / "events.db")
    return Page(tmp_path, "sesame")


def test_a_mark_reaches_the_spool_with_the_time_of_now(page: Page) -> None:
    answer = page.mark(b'{"note": "<script>alert(1)</script>"}')
    assert (answer.status_code, answer.json()) == (202, {"marked_utc": "2026-03-04T17:32:11.000Z"})
    (entry,) = read_spool(page.spool)
    assert (entry.start_utc_s, entry.text) == (NOW_UTC_S, "<script>alert(1)</script>")
    assert page.mark().status_code == 202
    assert read_spool(page.spool)[0].text == WITHOUT_NOTE


def test_nothing_is_marked_without_the_token(page: Page, tmp_path: Path) -> None:
    for given in ("", "Bearer guess", "Basic eDp4"):
        assert page.mark(authorization=given).status_code == 401
    open_to_all = Page(tmp_path, None)
    assert open_to_all.mark().status_code == 403
    assert not page.spool.exists()


def test_another_site_cannot_make_a_browser_mark(page: Page) -> None:
    """Cross-site request forgery: a browser adds the password, and says where it comes from."""
    assert page.mark(origin="http://evil.example").status_code == 403
    assert page.mark(origin="null").status_code == 403
    assert page.mark(sec_fetch_site="cross-site").status_code == 403
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""):
        assert page.mark(content_type=kind).status_code == 415
    assert not page.spool.exists()
    assert page.mark(origin="http://localhost", sec_fetch_site="same-origin").status_code == 202


@pytest.mark.parametrize("method", ["GET", "HEAD", "PUT", "DELETE", "OPTIONS"])
def test_a_mark_is_sent_and_nothing_else(page: Page, method: str) -> None:
    answer = page.ask((method, "/api/mark", RIGHT, b""))[0]
    assert (answer.status_code, answer.headers["allow"]) == (405, "POST")


@pytest.mark.parametrize(
    "body",
    [b"", b"[]", b"oven", b'{"note": 3}', b'{"note": "", "utc_s": 1}',
     b'{"note": "' + b"x" * (LONGEST_NOTE + 1) + b'"}'],
)  # fmt: skip
def test_a_wrong_mark_is_refused(page: Page, body: bytes) -> None:
    answer = page.mark(body)
    assert answer.status_code == 400
    assert "note" in answer.json()["error"]
    assert not page.spool.exists()


def test_a_large_one_is_refused_told_or_not(page: Page) -> None:
    assert page.mark(b"x" * 5000).status_code == 413

    async def pieces() -> Any:
        for _ in range(100):
            yield b"x" * 1000

    untold: Any = pieces()  # sent in chunks, without Content-Length
    assert page.mark(untold).status_code == 413


def test_five_in_a_row_then_one_each_ten_seconds(page: Page) -> None:
    assert [page.mark().status_code for _ in range(6)] == [202] * 5 + [429]
    page.clock.advance_s(9.9)
    refused = page.mark()
    assert (refused.status_code, refused.headers["retry-after"]) == (429, "1")
    page.clock.advance_s(0.2)
    assert page.mark().status_code == 202
    assert len(read_spool(page.spool)) == 6


def test_a_spool_that_nobody_empties_is_said(page: Page) -> None:
    page.spool.write_text("a file in its place")
    answer = page.mark()
    assert answer.status_code == 503
    assert "cannot be written" in answer.json()["error"]


def test_the_button_is_there_only_with_a_token(page: Page, tmp_path: Path) -> None:
    words = "It failed just now"
    with_token = page.ask(("GET", "/", RIGHT, b""))[0].text
    without = Page(tmp_path, None).ask(("GET", "/", {}, b""))[0].text
    assert words in with_token
    assert words not in without


def test_too_many_requests_are_refused_until_time_has_passed(page: Page) -> None:
    asked: Request = ("GET", "/healthz", RIGHT, b"")
    codes = [answer.status_code for answer in page.ask(*[asked] * (AT_ONCE + 1))]
    assert codes == [200] * AT_ONCE + [429]
    page.clock.advance_s(1 / PER_S + 1e-6)
    again = page.ask(asked, asked)
    assert [answer.status_code for answer in again] == [200, 429]
    assert "content-security-policy" in again[1].headers


def test_an_allowance_fills_up_again() -> None:
    allowance = Allowance(2, 0.5)
    assert [allowance.wait_s(now_s) for now_s in (0.0, 0.0, 0.0)] == [0, 0, 2.0]
    assert allowance.wait_s(2.0) == 0
    assert allowance.wait_s(2.0) == 2.0
    assert [allowance.wait_s(now_s) for now_s in (900.0, 900.0, 900.0)] == [0, 0, 2.0]


def test_addresses_are_counted_apart_and_forgotten() -> None:
    clients = Clients(1, 1.0)
    assert (clients.wait_s("a", 0.0), clients.wait_s("a", 0.0), clients.wait_s("b", 0.0)) == (
        0,
        1,
        0,
    )
    for count in range(MOST_CLIENTS):
        clients.wait_s(str(count), 0.0)
    assert clients.wait_s("a", 0.0) == 0  # forgotten: memory is bounded


@pytest.fixture
def runtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "run"
    folder.mkdir()
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(folder))
    return folder


def test_the_verb_marks_only_where_somebody_watches(
    tmp_path: Path, runtime: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    database = tmp_path / "events.db"
    write_database(database)
    said = CliRunner().invoke(main, ["mark", str(database), "oven tripped"])
    assert said.exit_code == 2
    assert "no monitor watches into" in said.output
    clock = ManualClock(utc_s=NOW_UTC_S)
    monkeypatch.setattr("tools.mark.SystemClock", lambda: clock)
    shown = plausible_snapshot()
    write_snapshot(runtime / "status.json", shown)  # fresh, but of another database's run
    assert CliRunner().invoke(main, ["mark", str(database)]).exit_code == 2
    ours = replace(shown, run=replace(shown.run, started_utc="2026-02-22T17:32:11.000Z"))
    write_snapshot(runtime / "status.json", ours)
    said = CliRunner().invoke(main, ["mark", str(database), "oven tripped"])
    assert said.exit_code == 0, said.output
    assert "Marked: oven tripped." in said.output
    (entry,) = read_spool(runtime / "spool")
    assert (entry.start_utc_s, entry.text) == (NOW_UTC_S, "oven tripped")
    said = CliRunner().invoke(main, ["mark", str(database)])
    (entry,) = read_spool(runtime / "spool")
    assert f"Marked: {entry.text}." in said.output
    too_long = CliRunner().invoke(main, ["mark", str(database), "x" * (LONGEST_NOTE + 1)])
    assert too_long.exit_code == 2
