"""Fuzzing of the page: raw bytes over a socket, to the page as a process of its own.

Never an answer of 500, never one that hangs, nothing written, and it still answers afterwards.
"""

import random
import socket
from contextlib import closing
from pathlib import Path

import httpx
import pytest

from tests.fuzz_material import SEED, case_dice, state_of, wrong_bytes
from tests.page_material import plausible_snapshot, write_database
from tests.survival_material import Proof
from tests.test_page import Place, free_port, page_process, wait_until_listening

MANY = pytest.mark.soak
PATIENCE_S = 30.0
# ruff: noqa: E501 - tables of odd things
TARGETS = (
    "/", "/?page=0", "/?page=%00", "/?kind=dip%27--", "/?span=1w&end=1e99", "/?end=-1", "/?all=2",
    "/event/0", "/event/-1", "/event/99999999999999999999", "/event/1/../../etc/passwd", "/event/1",
    "/api/events?limit=1e9", "/api/events?offset=%ff", "/api/events/1%20OR%201=1", "/api/status",
    "/static/../../app.py", "/static/%2e%2e%2f%2e%2e%2fetc/passwd", "/static/page.css%00.html", "/metrics",
    "/static//etc/passwd", "//", "/%", "/%zz", "/" + "a" * 3000, "/?" + "a=b&" * 900, "*", "http://x/",
    "/api/mark", "/api/waveform", "/healthz", "/\\..\\..\\x", "/\u202e",
)  # fmt: skip
METHODS = (
    "GET",
    "HEAD",
    "POST",
    "PUT",
    "DELETE",
    "TRACE",
    "OPTIONS",
    "CONNECT",
    "PROPFIND",
    "get",
    "",
    "G" * 500,
)
HEADERS = (
    "Authorization: Bearer x", "Authorization: Basic !!!", "Authorization: Basic " + "A" * 5000,
    "Content-Length: -1", "Content-Length: 99999999999", "Content-Length: 5", "Transfer-Encoding: chunked",
    "Transfer-Encoding: x", "Host: evil", "Host:", "X: " + "y" * 20_000, "Origin: null", ": x", "a", "X-\x00: 1",
    "Content-Type: application/json", "Range: bytes=0-0,-1,5-", "If-None-Match: *", "Expect: 100-continue",
    "Connection: Upgrade", "Upgrade: websocket", "If-Modified-Since: x", "Cookie: " + "a=b;" * 500,
)  # fmt: skip
BODIES = (
    "",
    "{}",
    "[]",
    '{"note": 1}',
    '{"note": "' + "x" * 5000 + '"}',
    "[" * 4000,
    "5\r\nhello\r\n0\r\n\r\n",
    "\x00",
)


def wrong_request(dice: random.Random, port: int) -> bytes:
    lines = [f"{dice.choice(METHODS[:3] * 3 + METHODS)} {dice.choice(TARGETS)} HTTP/1.1"]
    lines += [f"Host: localhost:{port}"] if dice.random() < 0.85 else []
    lines += [*dice.sample(HEADERS, dice.choice((0, 0, 1, 2, 4))), "Connection: close"]
    raw = ("\r\n".join(lines) + "\r\n\r\n" + dice.choice(BODIES)).encode()
    return wrong_bytes(raw, dice) if dice.random() < 0.4 else raw


def answer_to(request: bytes, port: int) -> bytes:
    """Everything that comes back until the page closes, or nothing more is sent by us."""
    with closing(socket.create_connection(("127.0.0.1", port), PATIENCE_S)) as client:
        found = b""
        try:
            client.sendall(request)
            client.shutdown(socket.SHUT_WR)
            while piece := client.recv(65_536):
                found += piece
        except (ConnectionResetError, BrokenPipeError):
            pass  # it did not want to hear the rest
        return found


@pytest.mark.parametrize("n_cases", [60, pytest.param(4000, marks=MANY)])
def test_requests(n_cases: int, tmp_path: Path) -> None:
    place = Place(tmp_path)
    place.show(plausible_snapshot())
    write_database(place.database_path)
    (tmp_path / "token").write_text("sesame")
    proof, port = Proof("fuzzing: requests to the page"), free_port()
    before, statuses = state_of(tmp_path), set()
    with page_process(place, port, "--token-file", str(tmp_path / "token")) as process:
        wait_until_listening(port)
        for number in range(n_cases):
            dice = case_dice("page", number)
            request = wrong_request(dice, port)
            if dice.random() < 0.6:
                request = request.replace(b"\r\n", b"\r\nAuthorization: Bearer sesame\r\n", 1)
            answer = answer_to(request, port)
            statuses.add(answer[9:12])
            proof.times += 1
            is_good = answer[9:12] != b"500" and b"root:" not in answer and b"Trace" not in answer
            proof.check(is_good, f"seed {SEED}, case {number}: {request[:300]!r}: {answer[:300]!r}")
        url, headers = f"http://127.0.0.1:{port}/api/status", {"Authorization": "Bearer sesame"}
        for _ in range(200):  # it may have become tired of so many requests: 429 for a while
            last = httpx.get(url, headers=headers, timeout=PATIENCE_S).status_code
            if last != 429:
                break
        proof.check(last == 200, f"afterwards {last}")
        process.terminate()
        process.wait(PATIENCE_S)
        assert process.stderr is not None
        proof.check("Traceback" not in process.stderr.read(), "a traceback")
    left = {name for name in state_of(tmp_path) if name not in before}
    proof.check(not {name for name in left if not name.startswith("spool")}, f"wrote {left}")
    assert {b"400", b"401"} <= statuses
    proof.settle()
