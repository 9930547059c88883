"""The routes. Everything is read anew for each request and nothing is kept between two."""

from dataclasses import asdict, dataclass
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from prometheus_client import CONTENT_TYPE_PLAIN_0_0_4
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from daemon.archive import open_archive
from daemon.errors import HalfcycleError, InputError, StoreError
from daemon.page.guard import HEADERS, LOOPBACK, Guard
from daemon.page.metrics import metrics_text
from daemon.page.query import events_filter, only_known, switch
from daemon.page.reading import count_by_kind, event_as_json, read_history, take_reading
from daemon.page.view import build_view
from daemon.page.words import glued
from daemon.status import State, snapshot_as_json
from drivers.clock import Clock, SystemClock

_FOLDER = Path(__file__).parent
_LISTED_ROWS = 20
_LARGEST_ROW_ID = 2**63 - 1


@dataclass(frozen=True, slots=True)
class PageConfig:
    """Where the page reads from, and whom it answers."""

    snapshot_path: Path
    database_path: Path
    token: str | None = None
    allowed_hosts: tuple[str, ...] = LOOPBACK


def create_app(config: PageConfig, clock: Clock | None = None) -> Starlette:
    """The page as an ASGI application."""
    page = _Page(config, clock or SystemClock())
    routes = [
        Route("/", page.home),
        Route("/api/status", page.status),
        Route("/api/events", page.events),
        Route("/api/events/{number:int}", page.event),
        Route("/api/waveform", page.waveform),
        Route("/metrics", page.metrics),
        Route("/healthz", page.healthz),
        Mount("/static", StaticFiles(directory=_FOLDER / "static")),
    ]
    app = Starlette(
        routes=routes,
        middleware=[Middleware(Guard, hosts=config.allowed_hosts, token=config.token)],
        exception_handlers={HTTPException: _refused, Exception: _broken},
    )
    app.router.redirect_slashes = False  # a redirect would repeat what the client sent
    return app


class _Page:
    """The answers. Plain functions: starlette runs each in a thread, so a slow disk blocks none."""

    def __init__(self, config: PageConfig, clock: Clock) -> None:
        self._config = config
        self._clock = clock
        environment = Environment(
            loader=FileSystemLoader(_FOLDER),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        environment.filters["glued"] = glued
        self._template = environment.get_template("page.html")

    def home(self, request: Request) -> Response:
        only_known(request.query_params, "all")
        is_all = switch(request.query_params, "all")
        history = read_history(self._config.database_path, is_all, _LISTED_ROWS)
        reading = take_reading(self._config.snapshot_path, self._clock)
        view = build_view(reading, history, is_all)
        return HTMLResponse(self._template.render(view=view))

    def status(self, request: Request) -> Response:
        reading = take_reading(self._config.snapshot_path, self._clock)
        if reading.snapshot is None or reading.age_s is None:
            return JSONResponse({"error": reading.trouble}, 503)
        extra = {"age_s": round(reading.age_s, 3), "fresh": reading.is_fresh}
        return JSONResponse(snapshot_as_json(reading.snapshot) | extra)

    def waveform(self, request: Request) -> Response:
        reading = take_reading(self._config.snapshot_path, self._clock)
        if reading.snapshot is None or reading.age_s is None:
            return JSONResponse({"error": reading.trouble}, 503)
        written = {"written_utc": reading.snapshot.written_utc, "fresh": reading.is_fresh}
        return JSONResponse(written | asdict(reading.snapshot.waveform))

    def events(self, request: Request) -> Response:
        wanted = events_filter(request.query_params)
        try:
            found = open_archive(self._config.database_path).events(wanted)
        except (HalfcycleError, OSError) as error:
            return JSONResponse({"error": str(error)}, 503)
        rows = [row.as_json() for row in found]
        return JSONResponse({"events": rows, "limit": wanted.limit, "offset": wanted.offset})

    def event(self, request: Request) -> Response:
        number: int = request.path_params["number"]
        if number > _LARGEST_ROW_ID:
            raise HTTPException(404, "there is no such event")
        try:
            archive = open_archive(self._config.database_path)
        except (HalfcycleError, OSError) as error:
            return JSONResponse({"error": str(error)}, 503)
        try:
            return JSONResponse(event_as_json(archive, number))
        except InputError as error:
            raise HTTPException(404, str(error)) from error
        except StoreError as error:
            return JSONResponse({"error": str(error)}, 503)

    def metrics(self, request: Request) -> Response:
        reading = take_reading(self._config.snapshot_path, self._clock)
        text = metrics_text(reading, count_by_kind(self._config.database_path))
        return Response(text, media_type=CONTENT_TYPE_PLAIN_0_0_4)

    def healthz(self, request: Request) -> Response:
        reading = take_reading(self._config.snapshot_path, self._clock)
        if reading.trouble is not None or reading.snapshot is None:
            return PlainTextResponse(f"{reading.trouble}\n", 503)
        if reading.snapshot.state is not State.WATCHING:
            return PlainTextResponse(f"not watching: {reading.snapshot.state}\n", 503)
        return PlainTextResponse("watching\n")


def _refused(request: Request, error: Exception) -> Response:
    if not isinstance(error, HTTPException):
        return _broken(request, error)
    return JSONResponse({"error": error.detail}, error.status_code, error.headers)


def _broken(request: Request, error: Exception) -> Response:
    """Outside the guard, so it brings the headers itself."""
    return PlainTextResponse("the page failed; the measurement is not touched\n", 500, HEADERS)
