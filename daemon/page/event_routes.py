"""The page of one event, and its files."""

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from jinja2 import Environment
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from daemon.errors import HalfcycleError, InputError
from daemon.page.event_files import event_comtrade, event_csv
from daemon.page.one_event import Place, build_event_page
from daemon.page.query import LARGEST_ROW_ID, only_known
from daemon.page.reading import Reading, take_reading
from daemon.page.tally import Tally, open_tally
from daemon.page.words import zone_of
from daemon.page.yardstick import USUAL_HZ, USUAL_V
from drivers.clock import Clock

File = tuple[str, bytes]


class EventRoutes:
    """Answers about one event; 404 when there is none, 503 when the database cannot be read."""

    def __init__(
        self, snapshot_path: Path, database_path: Path, clock: Clock, templates: Environment
    ) -> None:
        self._snapshot_path = snapshot_path
        self._database_path = database_path
        self._clock = clock
        self._template = templates.get_template("event.html")

    def page(self, request: Request) -> Response:
        """The event for people."""
        reading = take_reading(self._snapshot_path, self._clock)

        def build(archive: Tally, number: int) -> Response:
            found = build_event_page(archive, number, _place(reading))
            return HTMLResponse(self._template.render(event=found, snapshot=reading.snapshot))

        return self._answer(request, build)

    def csv(self, request: Request) -> Response:
        """Its curves as CSV."""
        return self._answer(
            request,
            lambda archive, number: _download(
                event_csv(archive, archive.event(number)), "text/csv; charset=utf-8"
            ),
        )

    def comtrade(self, request: Request) -> Response:
        """Its samples as COMTRADE."""
        return self._answer(
            request,
            lambda archive, number: _download(
                event_comtrade(archive, archive.event(number)), "application/zip"
            ),
        )

    def _answer(self, request: Request, build: Callable[[Tally, int], Response]) -> Response:
        only_known(request.query_params)
        number: int = request.path_params["number"]
        if number > LARGEST_ROW_ID:
            raise HTTPException(404, "there is no such event")
        try:
            archive = open_tally(self._database_path)
        except (HalfcycleError, OSError) as error:
            raise HTTPException(503, str(error)) from error
        try:
            return build(archive, number)
        except InputError as error:
            raise HTTPException(404, str(error)) from error
        except (HalfcycleError, OSError) as error:
            raise HTTPException(503, str(error)) from error


def _place(reading: Reading) -> Place:
    snapshot = reading.snapshot
    zone = zone_of(snapshot.site.timezone if snapshot else None)
    return Place(
        zone=zone,
        now=datetime.fromtimestamp(reading.now_utc_s, zone),
        nominal_v=snapshot.supply.nominal_v if snapshot else USUAL_V,
        frequency_hz=snapshot.supply.frequency_hz if snapshot else USUAL_HZ,
        open_run_id=snapshot.run.id if snapshot and reading.trouble is None else None,
    )


def _download(file: File | None, media_type: str) -> Response:
    if file is None:
        raise HTTPException(404, "no samples of this event were kept")
    name, content = file
    ascii_name = name.encode("ascii", "replace").decode().replace("?", "-")
    headers = {"Content-Disposition": f'attachment; filename="{ascii_name}"'}
    return Response(content, media_type=media_type, headers=headers)
