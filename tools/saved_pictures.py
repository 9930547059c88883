"""Pictures of stored events, as files."""

from collections.abc import Sequence

from matplotlib.figure import Figure

from daemon.archive import Archive, EventRow
from daemon.event_record import write_file
from daemon.judge import is_serious, steps_of
from daemon.profiles import Profile
from daemon.records import Judgement, Kind
from daemon.schema import utc_seconds
from daemon.tolerance import Limits
from tools.drawing import Mark, png_file, svg_file
from tools.picture_files import PictureFiles
from tools.pictures import CurveStep, duration_figure, event_figure
from tools.report_events import picture_of
from tools.verdicts import Supply, known_supplies

CURVE_KINDS = (Kind.DIP, Kind.SWELL, Kind.INTERRUPTION)
Judged = Sequence[tuple[EventRow, Judgement]]


def save_event(archive: Archive, event: EventRow, files: PictureFiles) -> None:
    """The waveform and the rms trace of one event."""
    supply = known_supplies(archive).get(event.run_id)
    _save(event_figure(picture_of(archive, event, supply)), files)


def save_judged(
    judged: Judged, profile: Profile | None, supply: Supply | None, files: PictureFiles
) -> None:
    """All dips, swells and interruptions against the limits of a profile."""
    _save(judged_figure(judged, profile, supply), files)


def judged_figure(judged: Judged, profile: Profile | None, supply: Supply | None) -> Figure:
    """Magnitude over duration; serious events carry their numbers."""
    marks = [
        Mark(
            utc_seconds(event.start_utc), event.duration_s, event.value_pct, found.verdict,
            str(event.id) if is_serious(found.verdict) else "",
        )
        for event, found in judged
        if event.kind in CURVE_KINDS
    ]  # fmt: skip
    sides: list[list[CurveStep]] = [[], []]
    if isinstance(profile, Limits) and supply is not None:
        sides = [
            [
                CurveStep(step.level_pct, step.time_s)
                for step in steps_of(profile, kind, supply.nominal_v, supply.frequency_hz)
            ]
            for kind in (Kind.DIP, Kind.SWELL)
        ]
    return duration_figure(marks, sides[0], sides[1], profile.id if profile else "")


def _save(figure: Figure, files: PictureFiles) -> None:
    if files.png is not None:
        write_file(files.png, png_file(figure))
    if files.svg is not None:
        write_file(files.svg, svg_file(figure))
