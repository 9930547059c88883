"""Where a database comes from: the site, its time zone, and how much of the time was watched."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import tzinfo

from daemon.archive import Archive, RunRow
from daemon.archive_rows import LARGEST
from daemon.page.words import zone_of
from daemon.records import LogKind
from daemon.schema import utc_seconds
from daemon.stored_settings import settings_of, table_of
from tools.monitors import UNNAMED

Span = tuple[float, float]
SILENT_TOO_LONG_S = 600.0  # a run that said nothing for so long has ended without a word

SIMULATED = "simulated"  # the driver that measures nothing


@dataclass(frozen=True, slots=True)
class Site:
    """What the settings of the latest run say; None where they do not."""

    name: str | None
    circuit: str | None
    zone: tzinfo
    nominal_v: float | None
    frequency_hz: float | None


@dataclass(frozen=True, slots=True)
class Watched:
    """How much was seen. Overlapping runs, as of one recording read twice, count once."""

    channels: tuple[str, ...]
    since_utc_s: float
    until_utc_s: float
    watched_s: float
    unobserved_s: float
    n_runs: int


def find_site(archive: Archive) -> Site:
    """The site of the latest run, or one of which nothing is known."""
    runs = archive.runs()
    settings = settings_of(archive, runs[-1].settings_id) if runs else {}
    zone = zone_of(runs[-1].timezone if runs else None)
    site, supply = table_of(settings, "site"), table_of(settings, "supply")
    return Site(
        _text(site.get("name")),
        _text(site.get("circuit")),
        zone,
        number_of(supply, "nominal_v"),
        number_of(supply, "frequency_hz"),
    )


def find_open_run(archive: Archive, now_utc_s: float) -> int | None:
    """The run that goes on now: the latest one, not ended, and heard of a short while ago."""
    runs = archive.runs()
    if not runs or runs[-1].stopped:
        return None
    silent_s = now_utc_s - utc_seconds(runs[-1].until_utc)
    return runs[-1].id if silent_s < SILENT_TOO_LONG_S else None


def number_of(settings: dict[str, object], key: str) -> float | None:
    """A number of a settings snapshot."""
    found = settings.get(key)
    if isinstance(found, int | float) and abs(found) <= LARGEST:
        return float(found)
    return None  # also where it is no number at all


def find_watched(
    archive: Archive,
    since_utc_s: float | None,
    until_utc_s: float | None,
    origin: str | None = None,
) -> Watched | None:
    """What the runs and the log say of the time between the two; None when nothing ran in it.

    :param origin: of this monitor alone, in a database of several that were merged.
    """
    first = 0.0 if since_utc_s is None else since_utc_s
    last = float("inf") if until_utc_s is None else until_utc_s
    ours = [run for run in archive.runs() if origin in (None, run.origin or UNNAMED)]
    runs = [run for run in ours if _clip([_span(run)], first, last)]
    if not runs:
        return None
    ran = _clip(map(_span, runs), first, last)
    our_ids = None if origin is None else {run.id for run in ours}
    unseen = _clip(_unseen(archive, our_ids), first, last)
    unobserved_s = _length(unseen)
    return Watched(
        tuple(dict.fromkeys(name for run in runs for name in run.channels)),
        min(start for start, _ in ran + unseen),
        max(end for _, end in ran + unseen),
        _length(ran + unseen) - unobserved_s,
        unobserved_s,
        len(runs),
    )


def _unseen(archive: Archive, run_ids: set[int] | None) -> Iterator[Span]:
    """What the log calls unobserved, of these runs or of all."""
    for entry in archive.log(LogKind.UNOBSERVED):
        if run_ids is None or entry.run_id in run_ids:
            start = utc_seconds(entry.start_utc)
            yield start, start + (entry.duration_s or 0.0)


def _span(run: RunRow) -> Span:
    start = utc_seconds(run.started_utc)
    return start, max(start, utc_seconds(run.until_utc))


def _clip(spans: Iterable[Span], first: float, last: float) -> list[Span]:
    return [
        (max(start, first), min(end, last)) for start, end in spans if start < last and end >= first
    ]


def _length(spans: Iterable[Span]) -> float:
    total, reached = 0.0, 0.0
    for start, end in sorted(spans):
        total += max(end - max(start, reached), 0.0)
        reached = max(reached, end)
    return total


def _text(value: object) -> str | None:
    return value if isinstance(value, str) else None
