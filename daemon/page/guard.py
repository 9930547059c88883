"""What every request has to pass, and the headers every answer carries.

The Host check defends against DNS rebinding: a foreign web page may point its own name at this
machine, but cannot make the browser send one of ours.
"""

import base64
import binascii
import hmac
import ipaddress
import re
import socket
from collections.abc import Mapping

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from daemon.page.limits import Clients
from drivers.clock import Clock

MARK_PATH = "/api/mark"
LARGEST_REQUEST = 4096  # bytes of a body; the head has a limit of its own in the server
AT_ONCE = 120  # for one address: a page and its files cost 12, and one a second follows
PER_S = 20.0
DEAR = 8  # what is drawn from the whole database costs as much as so many small answers
LOOPBACK = ("localhost", "127.0.0.1", "::1")
_HOST = re.compile(r"(?:\[([0-9a-f:.]+)\]|([a-z0-9._-]+))(?::[0-9]{1,5})?")
_WILDCARDS = ("0.0.0.0", "::", "")

HEADERS: Mapping[str, str] = {
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


def hosts_for(bind: str) -> tuple[str, ...]:
    """The names a page bound to `bind` is asked for under; `*` stands for any plain address."""
    if bind not in _WILDCARDS:
        return tuple(dict.fromkeys((*LOOPBACK, bind.lower())))
    own = socket.gethostname().lower()
    return (*LOOPBACK, own, f"{own}.local", "*")


class Guard:
    """ASGI middleware: rate, host, method, size, token, and the headers on every answer."""

    def __init__(
        self, app: ASGIApp, hosts: tuple[str, ...], token: str | None, clock: Clock
    ) -> None:
        self._app = app
        self._hosts = frozenset(hosts)
        self._token = token
        self._clock = clock
        self._clients = Clients(AT_ONCE, PER_S)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(HEADERS)
            await send(message)

        headers = Headers(scope=scope)
        refusal = self._hurry(scope) or self._refusal(scope, headers)
        await (refusal or self._app)(scope, receive, send_guarded)

    def _hurry(self, scope: Scope) -> PlainTextResponse | None:
        address = scope["client"][0] if scope.get("client") else ""
        wait_s = self._clients.wait_s(address, self._clock.monotonic_ns() / 1e9, _cost(scope))
        if wait_s == 0:
            return None
        later = {"Retry-After": str(int(wait_s) + 1)}
        return PlainTextResponse("too many requests: wait a second\n", 429, later)

    def _refusal(self, scope: Scope, headers: Headers) -> PlainTextResponse | None:
        if not self._is_our_host(headers.get("host", "")):
            return PlainTextResponse("this page does not answer under that name\n", 421)
        allowed = ("POST",) if scope["path"] == MARK_PATH else ("GET", "HEAD")
        if scope["method"] not in allowed:
            words = "marks are sent\n" if "POST" in allowed else "read only\n"
            return PlainTextResponse(words, 405, {"Allow": ", ".join(allowed)})
        if _is_too_large(headers):
            return PlainTextResponse(f"at most {LARGEST_REQUEST} bytes\n", 413)
        if self._token is not None and not _has_token(headers, self._token):
            challenge = {"WWW-Authenticate": 'Basic realm="Halfcycle", charset="UTF-8"'}
            return PlainTextResponse("a token is needed\n", 401, challenge)
        return None

    def _is_our_host(self, header: str) -> bool:
        name = host_name(header)
        return name in self._hosts or ("*" in self._hosts and _is_address(name))


def _cost(scope: Scope) -> float:
    path, query = scope["path"], scope.get("query_string", b"")
    is_whole = path == "/" and b"part=1" not in query
    return DEAR if is_whole or path.startswith("/event/") else 1


def host_name(header: str) -> str:
    """The name in a Host header, without port and brackets: `[::1]:8230` is `::1`.

    Empty for what is no Host header at all (RFC 3986 section 3.2.2, of its letters only the usual).
    """
    match = _HOST.fullmatch(header.lower())
    return "" if match is None else (match[1] or match[2]).removesuffix(".")


def _is_too_large(headers: Headers) -> bool:
    length = headers.get("content-length", "0")
    return not (length.isascii() and length.isdecimal() and len(length) < 8) or (
        int(length) > LARGEST_REQUEST
    )


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _has_token(headers: Headers, token: str) -> bool:
    """`Bearer TOKEN` from programs; from browsers Basic with any name and the token as password."""
    scheme, _, given = headers.get("authorization", "").partition(" ")
    if scheme.lower() == "basic":
        given = _password(given)
    elif scheme.lower() != "bearer":
        return False
    return hmac.compare_digest(given.strip().encode(), token.encode())


def _password(credentials: str) -> str:
    try:
        decoded = base64.b64decode(credentials.strip(), validate=True).decode()
    except (binascii.Error, UnicodeDecodeError):
        return ""
    return decoded.partition(":")[2]
