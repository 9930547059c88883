"""`POST /api/mark`: "it failed just now", put into the spool for the monitor.

The guard has asked for the token already. A browser adds the token it knows to whatever another
site makes it send, so a mark has to be JSON, which such a site cannot send unasked, and to come
from this page's own address.
"""

from pathlib import Path
from typing import Annotated
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from daemon.errors import InputError, StoreError
from daemon.page.limits import Allowance
from daemon.schema import utc_text
from daemon.spool import LONGEST_NOTE, Mark, write_mark
from drivers.clock import Clock

LARGEST_BODY = 4096
AT_ONCE = 5
EVERY_S = 10.0


class _Asked(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    note: Annotated[str, Field(max_length=LONGEST_NOTE)] = ""


class Marking:
    """Takes marks: small ones, not too many, and only from this page or a program."""

    def __init__(self, folder: Path | None, clock: Clock) -> None:
        """:param folder: the spool; None where no token is configured: then no mark is taken."""
        self._folder = folder
        self._clock = clock
        self._allowance = Allowance(AT_ONCE, 1 / EVERY_S)

    async def mark(self, request: Request) -> Response:
        """Answer with 202 and the time of the mark, or refuse with the reason."""
        if self._folder is None:
            raise HTTPException(403, "marks need page.token in the configuration")
        _check_origin(request)
        asked = await _read(request)
        wait_s = self._allowance.wait_s(self._clock.monotonic_ns() / 1e9)
        if wait_s > 0:
            later = {"Retry-After": str(int(wait_s) + 1)}
            raise HTTPException(429, "too many marks: wait a few seconds", later)
        mark = Mark(self._clock.utc_ns() / 1e9, asked.note)
        try:
            await run_in_threadpool(write_mark, self._folder, mark)
        except (InputError, StoreError) as error:
            return JSONResponse({"error": str(error)}, 503)
        return JSONResponse({"marked_utc": utc_text(mark.utc_s)}, 202)


def _check_origin(request: Request) -> None:
    origin = request.headers.get("origin")
    if origin is not None and urlsplit(origin).netloc != request.headers.get("host"):
        raise HTTPException(403, "a mark has to come from this page itself")
    if request.headers.get("sec-fetch-site", "same-origin") != "same-origin":
        raise HTTPException(403, "a mark has to come from this page itself")
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json":
        raise HTTPException(415, "a mark is JSON, such as {}")


async def _read(request: Request) -> _Asked:
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > LARGEST_BODY:
            raise HTTPException(413, f"a mark has at most {LARGEST_BODY} bytes")
    try:
        return _Asked.model_validate_json(body)
    except ValidationError as error:
        wanted = f'a mark is {{"note": "..."}} with at most {LONGEST_NOTE} characters'
        raise HTTPException(400, wanted) from error
