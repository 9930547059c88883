"""The routes. Everything is read anew for each request; profiles alone are kept."""

from dataclasses import asdict, dataclass
from functools import cache
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
from daemon.page.event_routes import EventRoutes
from daemon.page.guard import HEADERS, LOOPBACK, MARK_PATH, Guard
from daemon.page.happened import History, read_history
from daemon.page.marks import Marking
from daemon.page.metrics import metrics_text
from daemon.page.query import LARGEST_ROW_ID, events_filter, home_query, only_known
from daemon.page.reading import count_by_kind, event_as_json, take_reading
from daemon.page.stopped import behind_stamp, why_stopped
from daemon.page.tally import file_stamp
from daemon.page.view import build_view
from daemon.page.words import glued
from daemon.page.yardstick import Yardsticks
from daemon.spool import SPOOL_NAME
from daemon.status import snapshot_as_json
from drivers.clock import Clock, SystemClock

_FOLDER = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class PageConfig:
    """Where the page reads from, and whom it answers."""

    snapshot_path: Path
    database_path: Path
    token: str | None = None
    allowed_hosts: tuple[str, ...] = LOOPBACK

    @property
    def spool(self) -> Path | None:
        """Where marks go; None without a token: then none are taken."""
        return None if self.token is None else self.snapshot_path.with_name(SPOOL_NAME)


def create_app(config: PageConfig, clock: Clock | None = None) -> Starlette:
    """The page as an ASGI application."""
    clock = clock or SystemClock()
    templates = _templates()
    page = _Page(config, clock, templates)
    events = EventRoutes(config.snapshot_path, config.database_path, clock, templates)
    routes = [
        Route("/", page.home),
        Route("/event/{number:int}", events.page),
        Route("/event/{number:int}/curves.csv", events.csv),
        Route("/event/{number:int}/comtrade.zip", events.comtrade),
        Route("/api", page.api),
        Route("/api/status", page.status),
        Route("/api/events", page.events),
        Route("/api/events/{number:int}", page.event),
        Route("/api/waveform", page.waveform),
        Route(MARK_PATH, Marking(config.spool, clock).mark, methods=["POST"]),
        Route("/metrics", page.metrics),
        Route("/healthz", page.healthz),
        Mount("/static", StaticFiles(directory=_FOLDER / "static")),
    ]
    guard = Middleware(Guard, hosts=config.allowed_hosts, token=config.token, clock=clock)
    app = Starlette(
        routes=routes,
        middleware=[guard],
        exception_handlers={HTTPException: _refused, Exception: _broken},
    )
    app.router.redirect_slashes = False  # a redirect would repeat what the client sent
    return app


@cache
def _templates() -> Environment:
    """The files beside this one, compiled once; they do not change while the program runs."""
    environment = Environment(
        loader=FileSystemLoader(_FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["glued"] = glued
    return environment


class _Page:
    """The answers. Plain functions: starlette runs each in a thread, so a slow disk blocks none."""

    def __init__(self, config: PageConfig, clock: Clock, templates: Environment) -> None:
        self._config = config
        self._clock = clock
        self._yardsticks = Yardsticks()
        self._template = templates.get_template("page.html")
        self._api = templates.get_template("api.html")

    def home(self, request: Request) -> Response:
        query = home_query(request.query_params)
        database = self._config.database_path
        stamp = file_stamp(database)  # before reading: what comes meanwhile is asked for again
        reading = take_reading(self._config.snapshot_path, self._clock)
        history = History(query) if query.is_part else read_history(database, query, reading)
        curve = self._yardsticks.of(reading.snapshot, history.listed)
        return HTMLResponse(
            self._template.render(
                view=build_view(reading, history, curve),
                query=query,
                stamp=f"{stamp}.{behind_stamp(reading)}",
                can_mark=self._config.spool is not None,
            )
        )

    def api(self, request: Request) -> Response:
        only_known(request.query_params)
        return HTMLResponse(self._api.render(can_mark=self._config.spool is not None))

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
        if number > LARGEST_ROW_ID:
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
        why = why_stopped(reading)
        return PlainTextResponse(f"{why or 'watching'}\n", 503 if why else 200)


def _refused(request: Request, error: Exception) -> Response:
    if not isinstance(error, HTTPException):
        return _broken(request, error)
    return JSONResponse({"error": error.detail}, error.status_code, error.headers)


def _broken(request: Request, error: Exception) -> Response:
    """Outside the guard, so it brings the headers itself."""
    return PlainTextResponse("the page failed; the measurement is not touched\n", 500, HEADERS)
