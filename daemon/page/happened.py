"""The part of the page that says what happened: timeline, chart, map and list of one filter."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from pathlib import Path

from daemon.archive import SERIOUS, Archive, EventFilter, EventRow, LogRow
from daemon.errors import HalfcycleError
from daemon.page.address import ROWS, HomeQuery
from daemon.page.duration_chart import Curve, DurationChart, build_chart
from daemon.page.reading import Reading
from daemon.page.tally import HourCount, open_tally
from daemon.page.timeline import (
    Choice,
    Timeline,
    TimelineFacts,
    Window,
    build_timeline,
    window_of,
)
from daemon.page.watch_time import NEVER, WatchTime, watch_time
from daemon.page.week_map import WeekMap, build_week_map
from daemon.page.words import kind_words
from daemon.records import Kind
from daemon.recurrence import ADVICE, find_repetition
from daemon.status import Snapshot, State
from daemon.together import words_for_rows

MOST_DRAWN = 500
MOST_LOGGED = 12
MOST_GAPS = 5000


@dataclass(frozen=True, slots=True)
class History:
    """What the database says, or why it says nothing."""

    query: HomeQuery
    serious: tuple[EventRow, ...] = ()  # the latest, at most `MOST_DRAWN`
    n_serious: int = 0  # in the whole database
    n_captured: int = 0  # serious or not
    listed: tuple[EventRow, ...] = ()  # the rows of this page of the list
    n_wanted: int = 0  # that pass the filter
    drawn: tuple[EventRow, ...] = ()  # the latest that pass the filter, for the chart
    in_window: tuple[EventRow, ...] = ()  # likewise, for the timeline
    window: Window | None = None
    counts: tuple[HourCount, ...] = ()
    log: tuple[LogRow, ...] = ()
    watch: WatchTime = NEVER
    together: Mapping[int, str] = field(default_factory=dict)  # beside a listed row, by its id
    error: str | None = None


def read_history(path: Path, query: HomeQuery, reading: Reading) -> History:
    """Everything that the home page needs of the database at `path`."""
    try:
        return _read(path, query, reading)
    except (HalfcycleError, OSError) as error:
        return History(query, error=str(error))


def _read(path: Path, query: HomeQuery, reading: Reading) -> History:
    archive = open_tally(path)
    serious = EventFilter(serious_only=True, limit=MOST_DRAWN)
    snapshot = reading.snapshot
    is_watching = reading.trouble is None and snapshot is not None
    is_watching = is_watching and snapshot is not None and snapshot.state is State.WATCHING
    log = tuple(archive.log(limit=MOST_GAPS))
    watch = watch_time(archive.runs(), log, reading.now_utc_s, is_watching)
    window = window_of(query, watch, reading.now_utc_s)
    drawn = tuple(archive.events(query.wanted(MOST_DRAWN)))
    listed = tuple(archive.events(query.rows()))
    return History(
        query=query,
        serious=_serious(archive, query, drawn),
        n_serious=archive.count(serious),
        n_captured=archive.count(EventFilter()),
        listed=listed,
        n_wanted=archive.count(query.wanted()),
        drawn=drawn,
        in_window=_in_window(archive, query, window, drawn),
        window=window,
        counts=tuple(archive.by_hour(query.kind, not query.is_all)),
        log=log,
        watch=watch,
        together=words_for_rows(archive, listed),
    )


def _serious(
    archive: Archive, query: HomeQuery, drawn: tuple[EventRow, ...]
) -> tuple[EventRow, ...]:
    """The latest serious ones of every kind; those at hand are not asked for again."""
    if query.kind is None and (len(drawn) < MOST_DRAWN or not query.is_all):
        return tuple(row for row in drawn if row.verdict in SERIOUS)
    return tuple(archive.events(EventFilter(serious_only=True, limit=MOST_DRAWN)))


def _in_window(
    archive: Archive, query: HomeQuery, window: Window, drawn: tuple[EventRow, ...]
) -> tuple[EventRow, ...]:
    if len(drawn) < MOST_DRAWN or window.span is None:
        return drawn  # all there are, or the latest of all there are; the drawing takes its part
    wanted = EventFilter(
        kind=query.kind,
        since_utc_s=max(window.start_s, 0.0),
        until_utc_s=window.end_s + 0.001,
        serious_only=not query.is_all,
        limit=MOST_DRAWN,
    )
    return tuple(archive.events(wanted))


@dataclass(frozen=True, slots=True)
class Happened:
    """Pictures and choices of the section."""

    timeline: Timeline
    chart: DurationChart
    week: WeekMap
    scopes: tuple[Choice, ...]
    kinds: tuple[Choice, ...]
    pages: tuple[Choice, ...]
    listed: str  # which rows these are
    limits: str  # what is not drawn because it would be too much
    repeated: str  # whether they come back at fixed times


def build_happened(
    history: History, curve: Curve, snapshot: Snapshot | None, now: datetime
) -> Happened | None:
    """Draw everything; None when the database cannot be read."""
    query, window = history.query, history.window
    if window is None:
        return None
    thresholds = (snapshot.capture.dip_pct, snapshot.capture.swell_pct) if snapshot else ()
    facts = TimelineFacts(history.in_window, history.log, history.watch, thresholds)
    return Happened(
        timeline=build_timeline(facts, window, query, now),
        chart=build_chart(history.drawn, curve, now),
        week=build_week_map(history.counts, history.watch, now.tzinfo or UTC),
        scopes=(
            Choice("Serious ones", query.with_all(False).link(), not query.is_all),
            Choice("All that was captured", query.with_all(True).link(), query.is_all),
        ),
        kinds=_kinds(query),
        pages=_pages(query, history.n_wanted),
        listed=_listed(query, history.n_wanted),
        limits=_limits(history.drawn, history.n_wanted),
        repeated=_repeated(history.drawn, now.tzinfo or UTC),
    )


def _kinds(query: HomeQuery) -> tuple[Choice, ...]:
    every = Choice("Every kind", query.of_kind(None).link(), query.kind is None)
    named = (
        Choice(kind_words(kind), query.of_kind(kind).link(), query.kind is kind) for kind in Kind
    )
    return (every, *named)


def _pages(query: HomeQuery, n_wanted: int) -> tuple[Choice, ...]:
    found = []
    if query.page > 1:
        found.append(Choice("Newer", query.at_page(query.page - 1).link("#list"), name="newer"))
    if query.page * ROWS < n_wanted:
        found.append(Choice("Older", query.at_page(query.page + 1).link("#list"), name="older"))
    return tuple(found)


def _listed(query: HomeQuery, n_wanted: int) -> str:
    if n_wanted <= ROWS and query.page == 1:
        return ""
    first = (query.page - 1) * ROWS + 1
    last = min(query.page * ROWS, n_wanted)
    return f"{first} to {last} of {n_wanted}" if first <= last else f"none; there are {n_wanted}"


def _repeated(drawn: Sequence[EventRow], zone: tzinfo) -> str:
    found = find_repetition(drawn, zone)
    return "" if found is None else f"{found.text}: {found.chance_words}. {ADVICE}."


def _limits(drawn: Sequence[EventRow], n_wanted: int) -> str:
    if len(drawn) >= n_wanted:
        return ""
    return f"The chart shows the latest {len(drawn)} of {n_wanted} events."
