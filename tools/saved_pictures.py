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
    figure = duration_figure(marks, sides[0], sides[1], profile.id if profile else "")
    if words := no_curve_words(profile, supply):
        figure.suptitle(words, x=0.01, ha="left", fontsize=9)
    return figure


def no_curve_words(profile: Profile | None, supply: Supply | None) -> str:
    """Why no limit is drawn over the events; empty where one is."""
    if profile is None:
        return "No limit is drawn: the profile is not known."
    if not isinstance(profile, Limits):
        return f"No limit is drawn: {profile.id} sorts events into classes."
    if not profile.under and not profile.over:
        return f"No limit is drawn: {profile.id} has none for dips, swells and interruptions."
    return "" if supply else "No limit is drawn: the declared voltage is not known."


def curve_words(judged: Judged, profile: Profile | None, supply: Supply | None) -> str:
    """What the points and the line of `judged_figure` are, as far as they are there."""
    why = no_curve_words(profile, supply)
    line = "The line is the limit; beyond it lies the tinted part."
    if not any(event.kind in CURVE_KINDS for event, _ in judged):
        return f"No dip, swell or interruption was kept, so that there is no point. {why or line}"
    points = "Each point is a dip, swell or interruption: its extreme and its whole duration."
    if why:
        return f"{points} {why}"
    return (
        f"{points} {line} Numbers are those of the list. A point beyond the line can be within "
        "the limit, where its shape kept it beyond the level for a shorter time than it lasted."
    )


def _save(figure: Figure, files: PictureFiles) -> None:
    if files.png is not None:
        write_file(files.png, png_file(figure))
    if files.svg is not None:
        write_file(files.svg, svg_file(figure))
