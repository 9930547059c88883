"""The watch over time: events as marks at their depth, unobserved time as hatched bands."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from daemon.archive import EventRow, LogRow
from daemon.page.address import SPANS, HomeQuery
from daemon.page.axis import Linear, Tick, time_ticks
from daemon.page.verdict_shapes import mark_words, rank_of, shape_of
from daemon.page.watch_time import WatchTime, clipped
from daemon.page.words import duration_words, local_time, when_words
from daemon.records import Kind, LogKind
from daemon.schema import utc_seconds

HEIGHT = 170
_VOLTS_HEIGHT = 128  # below it a lane for what is no voltage
_LANE = 150
_HIGHEST_PCT = 150.0
_PLACES = 90  # marks that would stand on one another become one
_VOLTAGE = (Kind.DIP, Kind.SWELL, Kind.INTERRUPTION)
_LEAST_BAND = 0.25
SHORTEST_S = 60.0


@dataclass(frozen=True, slots=True)
class Window:
    """What part of the watch is shown, in UTC seconds."""

    span: str | None  # None: the whole watch
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class TimeMark:
    """One event, or the worst of several that stand in one place."""

    number: int
    x: float  # in %
    y: float
    stem: float | None  # where its stem ends: at the declared voltage
    shape: str
    words: str


@dataclass(frozen=True, slots=True)
class Band:
    """Time that was not observed, in % across."""

    x: float
    width: float
    words: str


@dataclass(frozen=True, slots=True)
class Flag:
    """Something a person marked."""

    x: float
    words: str


@dataclass(frozen=True, slots=True)
class Choice:
    """A link that changes what is shown."""

    text: str
    href: str
    is_current: bool = False
    name: str = ""  # by which the script finds it


@dataclass(frozen=True, slots=True)
class Timeline:
    """Everything that is drawn, and the ways to other windows."""

    marks: tuple[TimeMark, ...]
    bands: tuple[Band, ...]
    flags: tuple[Flag, ...]
    ticks: tuple[Tick, ...]
    levels: tuple[Tick, ...]
    thresholds: tuple[float, ...]
    spans: tuple[Choice, ...]
    moves: tuple[Choice, ...]
    words: str


def window_of(query: HomeQuery, watch: WatchTime, now_s: float) -> Window:
    """The window that was asked for; by default the whole watch, up to now."""
    latest_s = now_s if watch.since_s is None else watch.until_s
    if query.span is None:
        since_s = latest_s if watch.since_s is None else watch.since_s
        return Window(None, min(since_s, latest_s - SHORTEST_S), latest_s)
    end_s = float(query.end_s) if query.end_s is not None else latest_s
    return Window(query.span, end_s - SPANS[query.span][0], end_s)


@dataclass(frozen=True, slots=True)
class TimelineFacts:
    """What a timeline is drawn from."""

    rows: Sequence[EventRow]
    log: Sequence[LogRow]
    watch: WatchTime
    thresholds_pct: tuple[float, ...]


def build_timeline(
    facts: TimelineFacts, window: Window, query: HomeQuery, now: datetime
) -> Timeline:
    """Draw the window. `now` is in the zone of the site."""
    zone = now.tzinfo or UTC
    across = Linear(window.start_s, window.end_s, 0, 100)
    height = _height()
    marks = _marks(facts.rows, across, now)
    unseen = clipped(facts.watch.unseen, window.start_s, window.end_s)
    shown = [
        row for row in facts.rows if window.start_s <= utc_seconds(row.start_utc) <= window.end_s
    ]
    return Timeline(
        marks=tuple(marks),
        bands=(
            *_before(facts.watch, across),
            *(_band(span, across) for span in unseen),
        ),
        flags=tuple(_flags(facts.log, window, across, now)),
        ticks=tuple(
            Tick(across.at(at_s), text, bool(index % 2))
            for index, (at_s, text) in enumerate(time_ticks(window.start_s, window.end_s, zone))
        ),
        levels=tuple(Tick(height.at(pct), f"{pct:.0f} %") for pct in (140, 100, 50, 0)),
        thresholds=tuple(height.at(pct) for pct in facts.thresholds_pct),
        spans=_spans(window, query),
        moves=_moves(window, query, facts.watch),
        words=_words(window, len(shown), sum(end - start for start, end in unseen), now),
    )


def _height() -> Linear:
    return Linear(0.0, _HIGHEST_PCT, _VOLTS_HEIGHT, 8)


def _marks(rows: Sequence[EventRow], across: Linear, now: datetime) -> list[TimeMark]:
    """At most one for each place, the worst one, drawn last where it matters most."""
    places: dict[tuple[int, str], list[EventRow]] = {}
    for row in rows:
        at_s = utc_seconds(row.start_utc)
        if across.low <= at_s <= across.high:
            place = round(across.at(at_s) / 100 * _PLACES)
            places.setdefault((place, _lane(row)), []).append(row)
    worst = [(max(found, key=_weight), len(found)) for found in places.values()]
    return [
        _mark(row, n_here, across, now)
        for row, n_here in sorted(worst, key=lambda pair: rank_of(pair[0]))
    ]


def _lane(row: EventRow) -> str:
    if row.kind not in _VOLTAGE:
        return "other"
    return "over" if row.value_pct > 100 else "under"


def _weight(row: EventRow) -> tuple[int, float, float]:
    return rank_of(row), abs(row.value_pct - 100), row.duration_s or 0.0


def _mark(row: EventRow, n_here: int, across: Linear, now: datetime) -> TimeMark:
    height = _height()
    is_voltage = row.kind in _VOLTAGE
    when = when_words(local_time(row.start_utc, now.tzinfo or UTC), now, True)
    more = f"; and {n_here - 1} more here" if n_here > 1 else ""
    return TimeMark(
        number=row.id,
        x=across.at(utc_seconds(row.start_utc)),
        y=height.at(row.value_pct) if is_voltage else _LANE,
        stem=height.at(100.0) if is_voltage else None,
        shape=shape_of(row),
        words=mark_words(row, when) + more,
    )


def _band(span: tuple[float, float], across: Linear) -> Band:
    left, right = across.at(span[0]), across.at(span[1])
    words = f"not observed for {duration_words(round(span[1] - span[0], 2))}"
    return Band(left, round(max(right - left, _LEAST_BAND), 2), words)


def _before(watch: WatchTime, across: Linear) -> tuple[Band, ...]:
    if watch.since_s is None or watch.since_s <= across.low + 1.0:
        return ()
    return (Band(0.0, across.at(watch.since_s), "before the watch began"),)


def _flags(log: Sequence[LogRow], window: Window, across: Linear, now: datetime) -> list[Flag]:
    found = []
    for row in log:
        at_s = utc_seconds(row.start_utc)
        if row.kind is LogKind.MARK and window.start_s <= at_s <= window.end_s:
            when = when_words(datetime.fromtimestamp(at_s, now.tzinfo), now, True)
            found.append(Flag(across.at(at_s), f"marked {when}: {row.text}"))
    return found


def _spans(window: Window, query: HomeQuery) -> tuple[Choice, ...]:
    whole = Choice("Whole watch", query.at_time(None, None).link(), window.span is None)
    return (
        whole,
        *(
            Choice(text, query.at_time(name, query.end_s).link(), name == window.span)
            for name, (_, text) in SPANS.items()
        ),
    )


def _moves(window: Window, query: HomeQuery, watch: WatchTime) -> tuple[Choice, ...]:
    length_s = window.end_s - window.start_s
    found = []
    if watch.since_s is not None and watch.since_s < window.start_s:
        earlier = query.at_time(window.span, window.end_s - length_s / 2)
        found.append(Choice("Earlier", earlier.link(), name="earlier"))
    if query.end_s is not None and window.end_s < watch.until_s:
        later_s = window.end_s + length_s / 2
        later = query.at_time(window.span, None if later_s >= watch.until_s else later_s)
        found.append(Choice("Later", later.link(), name="later"))
    shorter = [name for name, (span_s, _) in SPANS.items() if span_s < length_s]
    longer = [name for name, (span_s, _) in SPANS.items() if span_s > length_s]
    if shorter:
        closer = query.at_time(shorter[-1], query.end_s)
        found.append(Choice("Zoom in", closer.link(), name="in"))
    if longer:
        farther = query.at_time(longer[0], query.end_s)
        found.append(Choice("Zoom out", farther.link(), name="out"))
    return tuple(found)


def _words(window: Window, n_events: int, unseen_s: float, now: datetime) -> str:
    start, end = (datetime.fromtimestamp(at, now.tzinfo) for at in (window.start_s, window.end_s))
    seen = f"; {duration_words(round(unseen_s, 2))} not observed" if unseen_s > 0 else ""
    plural = "" if n_events == 1 else "s"
    return f"{when_words(start, now)} to {when_words(end, now)}: {n_events} event{plural}{seen}"
