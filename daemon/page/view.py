"""What the page says, decided here and only laid out in the template."""

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from daemon.archive import EventRow, LogRow
from daemon.page.duration_chart import Curve
from daemon.page.happened import MOST_LOGGED, Happened, History, build_happened
from daemon.page.health import CLOCKS_TO_TRUST, Fact, health_facts
from daemon.page.levels import Level
from daemon.page.live import ChannelView, Scale, channel_views, declared_scale, lasting_band
from daemon.page.reading import Reading
from daemon.page.stopped import NOT_STORING, is_behind
from daemon.page.throttling import read_throttling, throttling_facts
from daemon.page.verdict_shapes import level_of, shape_of
from daemon.page.words import (
    duration_words,
    kind_words,
    lasted_words,
    local_time,
    localised,
    plain_words,
    sentence_case,
    share_words,
    value_words,
    verdict_words,
    waiting_words,
    what_words,
    when_words,
    zone_of,
)
from daemon.status import CaptureStatus, RunStatus, Snapshot, State

_VERDICT_RANKS = {"may_damage": 3, "may_stop": 2, "beyond_limit": 1}
_KIND_RANKS = {"interruption": 3, "dip": 2, "swell": 2, "transient": 1}

SIMULATED = "simulated"  # the driver that measures nothing


@dataclass(frozen=True, slots=True)
class Sentence:
    """One of the three answers at the top."""

    level: Level
    word: str  # says what the colour says
    text: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class EventView:
    """One row of the event list."""

    number: int
    when: str
    is_time_sure: bool  # the clock was synchronised then
    utc: str
    kind: str
    channel: str
    value: str
    value_pct: str
    lasted: str
    level: Level
    shape: str
    meaning: str
    limit: str
    note: str


@dataclass(frozen=True, slots=True)
class LogLine:
    """One entry of the log."""

    when: str
    utc: str
    what: str
    text: str


@dataclass(frozen=True, slots=True)
class PageView:
    """Everything the template needs."""

    title: str
    as_of: str
    as_of_utc: str
    zone: str
    trouble: str  # why the live values cannot be believed; empty while they can
    is_all: bool
    n_smaller: int  # captured, and not serious
    watching: Sentence
    voltage: Sentence
    worst: Sentence
    frequency: str
    unbalance: str  # empty where there are not three phases
    scale: Scale | None
    channels: tuple[ChannelView, ...]
    events: tuple[EventView, ...]
    events_error: str | None
    watched: tuple[Fact, ...]
    health: tuple[Fact, ...]
    snapshot: Snapshot | None
    happened: Happened | None
    log: tuple[LogLine, ...]


def build_view(reading: Reading, history: History, curve: Curve) -> PageView:
    """Put the page into words."""
    snapshot = reading.snapshot
    zone = zone_of(snapshot.site.timezone if snapshot else None)
    now = datetime.fromtimestamp(reading.now_utc_s, zone)
    scale = declared_scale(snapshot, lasting_band(curve)) if snapshot else None
    channels = channel_views(snapshot, scale) if snapshot and scale else ()
    voltage = voltage_sentence(reading, channels)
    open_run_id = snapshot.run.id if snapshot and reading.trouble is None else None
    return PageView(
        title=f"{voltage.word}: {snapshot.site.name}" if snapshot else "no data",
        as_of=f"{now:%H:%M:%S}",
        as_of_utc=f"{now.astimezone(UTC):%Y-%m-%d %H:%M:%S}",
        zone=str(zone),
        trouble=sentence_case(reading.trouble or ""),
        is_all=history.query.is_all,
        n_smaller=max(history.n_captured - history.n_serious, 0),
        watching=watching_sentence(reading, now),
        voltage=voltage,
        worst=_worst_known(reading, worst_sentence(history, now, open_run_id)),
        frequency=value_words(snapshot.frequency_hz, "Hz") if snapshot else "",
        unbalance=_unbalance(snapshot),
        scale=scale,
        channels=channels,
        events=tuple(
            event_view(row, now, open_run_id, history.together.get(row.id, ""))
            for row in history.listed
        ),
        events_error=history.error,
        watched=watched_facts(snapshot, history) if snapshot else (),
        health=(*health_facts(snapshot, now), *throttling_facts(read_throttling()))
        if snapshot
        else (),
        snapshot=snapshot,
        happened=build_happened(history, curve, snapshot, now),
        log=tuple(_log_line(row, now) for row in history.log[:MOST_LOGGED]),
    )


def _unbalance(snapshot: Snapshot | None) -> str:
    u2_pct = None if snapshot is None else snapshot.u2_pct
    return "" if u2_pct is None else value_words(u2_pct, "%")


def _log_line(row: LogRow, now: datetime) -> LogLine:
    when = when_words(local_time(row.start_utc, now.tzinfo or UTC), now, with_seconds=True)
    lasted = "" if row.duration_s is None else f" ({duration_words(row.duration_s)})"
    what = sentence_case(row.kind.replace("_", " "))
    return LogLine(when, row.start_utc, what, f"{localised(row.text, now)}{lasted}")


def watching_sentence(reading: Reading, now: datetime) -> Sentence:
    """Is it watching?"""
    snapshot = reading.snapshot
    if snapshot is None:
        return Sentence(Level.UNKNOWN, "no status", "Not watching, as far as this page can tell.")
    written = when_words(local_time(snapshot.written_utc, now.tzinfo or UTC), now, True)
    if snapshot.state is State.STOPPED:
        return Sentence(Level.ATTENTION, "stopped", f"Not watching: stopped {written}.")
    if reading.trouble:
        text = f"Not watching, as far as this page can tell: {reading.trouble}."
        return Sentence(Level.BAD, "no data", text, f"Last sign of life {written}.")
    if snapshot.state is State.WAITING_FOR_DEVICE:
        fault = localised(snapshot.health.last_fault or "", now)
        return Sentence(Level.BAD, "waiting", "Not watching: waiting for the device.", fault)
    if snapshot.state.value == NOT_STORING:
        waiting = waiting_words(snapshot.health.n_waiting)
        text = f"Measuring, but the database cannot be written: {waiting}."
        fault = localised(snapshot.health.last_fault or "", now)
        return Sentence(Level.BAD, "not storing", text, sentence_case(fault))
    if snapshot.state is State.STARTING:
        return Sentence(Level.UNKNOWN, "starting", "Starting: nothing measured yet.")
    return _watching(snapshot.run, now, is_simulated=snapshot.driver.name == SIMULATED)


def _watching(run: RunStatus, now: datetime, *, is_simulated: bool) -> Sentence:
    since = when_words(local_time(run.started_utc, now.tzinfo or UTC), now)
    what = "Watching a simulation, nothing real," if is_simulated else "Watching"
    text = f"{what} since {since}: {duration_words(round(run.watched_s))}."
    if run.observed_pct >= 99.995:
        return Sentence(Level.GOOD, "watching", text, "Nothing was missed.")
    missed = f"{100 - run.observed_pct:.2f} % of that time was not observed."
    level = Level.GOOD if run.observed_pct >= 99.9 else Level.ATTENTION
    return Sentence(level, "watching", text, missed)


def voltage_sentence(reading: Reading, views: tuple[ChannelView, ...]) -> Sentence:
    """Is the voltage good now?"""
    snapshot = reading.snapshot
    is_measuring = snapshot is not None and snapshot.state.value in (
        State.WATCHING.value,
        NOT_STORING,
    )
    if snapshot is None or reading.trouble or not is_measuring or not views:
        last = f"Last measured: {_voltages(views)}." if views else ""
        return Sentence(Level.UNKNOWN, "unknown", "Voltage now: unknown.", last)
    lines = tuple(view for view in views if view.is_line) or views
    worst = max(lines, key=lambda view: view.level.rank)
    declared = f"{plain_words(snapshot.supply.nominal_v)} V"
    if len(lines) == 1:
        text = f"Voltage now: {worst.voltage}, {worst.percent} of {declared}: {worst.word}."
        return Sentence(worst.level, worst.word, text)
    odd = ", ".join(f"{view.name} {view.word}" for view in lines if view.level is not Level.GOOD)
    text = f"Voltage now: {_voltages(lines)}, declared {declared}: {odd or worst.word}."
    return Sentence(worst.level, worst.word, text)


def _voltages(views: tuple[ChannelView, ...]) -> str:
    return ", ".join(
        view.voltage if len(views) == 1 else f"{view.name} {view.voltage}" for view in views
    )


def worst_sentence(history: History, now: datetime, open_run_id: int | None) -> Sentence:
    """Did anything serious happen, and when?"""
    if history.error is not None:
        return Sentence(Level.UNKNOWN, "unknown", "Events: cannot be read.", history.error)
    if not history.serious:
        return Sentence(Level.GOOD, "none", "No serious event recorded.", _smaller(history))
    row = max(history.serious, key=_severity)
    zone = now.tzinfo or UTC
    when = when_words(local_time(row.start_utc, zone), now)
    text = f"Worst event: {what_words(row, open_run_id)}, {when}: {verdict_words(row.verdict)}."
    shown, latest = len(history.serious), local_time(history.serious[0].start_utc, zone)
    if history.n_serious > shown:
        detail = f"Worst of the latest {shown} of {history.n_serious} serious events."
    elif shown > 1:
        detail = f"Worst of {shown} serious events; the latest was {when_words(latest, now)}."
    else:
        detail = "The only serious event recorded."
    return Sentence(level_of(row), verdict_words(row.verdict), text, detail)


def _worst_known(reading: Reading, stored: Sentence) -> Sentence:
    """The worst in the database is not the worst found while something still waits."""
    snapshot = reading.snapshot
    if snapshot is None or not is_behind(reading):
        return stored
    n_waiting = snapshot.health.n_waiting
    if n_waiting:
        detail = f"{waiting_words(n_waiting)} to be written: the list below is not complete."
    else:
        detail = "The database cannot be written: the list below may soon be incomplete."
    let_go = snapshot.health.let_go
    detail += f" There was no room to keep {let_go}." if let_go else " Nothing is lost yet."
    level = max(stored.level, Level.ATTENTION, key=lambda one: one.rank)
    if stored.level is Level.GOOD:
        return Sentence(level, "not complete", "No serious event stored so far.", detail)
    text = stored.text.replace("Worst event:", "Worst event stored so far:", 1)
    return Sentence(level, stored.word, text, f"{detail} {stored.detail}".rstrip())


def _smaller(history: History) -> str:
    n_smaller = history.n_captured - history.n_serious
    if n_smaller <= 0:
        return "Nothing smaller was captured either."
    return f"{n_smaller} smaller event{'s were' if n_smaller > 1 else ' was'} captured."


def _severity(row: EventRow) -> tuple[int, int, float, float]:
    """By verdict, then kind, then departure from the declared value, then duration."""
    lasted_s = float("inf") if row.duration_s is None else row.duration_s
    departure = abs(row.value_pct - 100)
    verdict = _VERDICT_RANKS.get(row.verdict or "", 0)
    return verdict, _KIND_RANKS.get(row.kind, 0), departure, lasted_s


def event_view(
    row: EventRow, now: datetime, open_run_id: int | None, together: str = ""
) -> EventView:
    """One event as a row of the list.

    :param together: what other lines went through at the same time.
    """
    zone: tzinfo = now.tzinfo or UTC
    return EventView(
        number=row.id,
        when=when_words(local_time(row.start_utc, zone), now, with_seconds=True),
        is_time_sure=row.clock in CLOCKS_TO_TRUST,
        utc=row.start_utc,
        kind=kind_words(row.kind),
        channel=row.channel,
        value=value_words(row.value, row.unit),
        value_pct=share_words(row),
        lasted=lasted_words(row, open_run_id),
        level=level_of(row),
        shape=shape_of(row),
        meaning=verdict_words(row.verdict),
        limit=row.limit or "",
        note="; ".join(text for text in (together, _note(row)) if text),
    )


def _note(row: EventRow) -> str:
    """What the reader has to know before believing the row."""
    notes = [flag.replace("_", " ") for flag in row.flags]
    if not row.complete and row.duration_s is not None:
        notes.append("one end was not seen")
    return "; ".join(notes)


def watched_facts(snapshot: Snapshot, history: History) -> tuple[Fact, ...]:
    """What is being watched, and what opens an event."""
    supply, driver = snapshot.supply, snapshot.driver
    warning = supply.profile_warning or ""
    fits = Level.ATTENTION if warning else Level.GOOD
    declared = f"{plain_words(supply.nominal_v)} V, {plain_words(supply.frequency_hz)} Hz"
    rate = f"{driver.sample_rate_hz / 1000:.6g} kS/s, {driver.bits} bits"
    seen = (
        f"{rate}; passes up to {driver.bandwidth_hz / 1000:.3g} kHz, faster impulses are not seen"
    )
    return (
        Fact("Site", snapshot.site.name),
        Fact("Circuit", snapshot.site.circuit),
        Fact("Declared supply", declared),
        *_coverage(history),
        Fact("Kept", _kept(snapshot.capture)),
        *_unwatched(snapshot.capture),
        Fact("Compared with", supply.profile_title, warning, fits),
        Fact("Input", driver.name, seen),
    )


def _coverage(history: History) -> tuple[Fact, ...]:
    """How much of the time since the first start was seen."""
    watch = history.watch
    if watch.since_s is None or watch.coverage_pct is None:
        return ()
    whole = duration_words(round(watch.until_s - watch.since_s))
    unseen_s = sum(end - start for start, end in watch.unseen)
    text = f"{watch.coverage_pct:.2f} % of {whole}"
    if unseen_s == 0:
        return (Fact("Coverage", text, "nothing was missed since the first start"),)
    level = Level.GOOD if watch.coverage_pct >= 99.9 else Level.ATTENTION
    return (Fact("Coverage", text, f"{duration_words(unseen_s)} not observed", level),)


def _unwatched(capture: CaptureStatus) -> tuple[Fact, ...]:
    if not capture.unwatched:
        return ()
    return (Fact("Not kept", sentence_case(capture.unwatched), "", Level.ATTENTION),)


def _kept(capture: CaptureStatus) -> str:
    """What opens an event; what is not watched is not named."""
    kept = (
        f"dip (sag) below {plain_words(capture.dip_pct)} %, "
        f"interruption below {plain_words(capture.interruption_pct)} %, "
        f"swell above {plain_words(capture.swell_pct)} % of declared voltage"
    )
    if capture.distortion_pct is not None:
        kept += f"; distortion above {plain_words(capture.distortion_pct)} %"
    if capture.frequency_pct is not None:
        kept += f"; frequency off by more than {plain_words(capture.frequency_pct)} %"
    if capture.transient_pct is not None:
        kept += f"; transients above {plain_words(capture.transient_pct)} % of declared peak"
    if capture.rapid_change_pct is not None:
        kept += f"; rapid voltage changes above {plain_words(capture.rapid_change_pct)} %"
    if capture.flicker_pst is not None:
        kept += f"; flicker above Pst {plain_words(capture.flicker_pst)}"
    if capture.unbalance_pct is not None:
        kept += f"; unbalance above {plain_words(capture.unbalance_pct)} %"
    return kept
