"""Writes a run down: its beginning and end, events with their verdict, gaps, faults.

Measuring never waits for the disk longer than one attempt takes. What cannot be written waits in a
`Backlog` and is tried again every second; when it is written at last, the log says how long that
was not possible. The disk is given as much time between attempts as the last one took, so that a
card that needs seconds for a commit gets fewer, larger ones.
"""

from dataclasses import dataclass
from pathlib import Path

from daemon.appraise import URGENT, Appraiser, Stamp
from daemon.backlog import Backlog
from daemon.clock import SampleClock
from daemon.daily import DailyStatistics, DayStatistics
from daemon.errors import StoreError
from daemon.neutral_earth import log_entry
from daemon.records import (
    Event,
    Gap,
    JudgedEvent,
    LogEntry,
    LogKind,
    NeutralEarthExcursion,
    Output,
)
from daemon.schema import utc_text
from daemon.settings import Settings, settings_snapshot
from daemon.store import PreviousRun, RunInfo, RunProgress, Store
from daemon.tolerance import Profile
from drivers.clock import Clock
from drivers.source import Block, SourceInfo

TOUCH_S = 60.0  # how often a run says how far it has got: the most a power cut leaves in doubt
LAST_ATTEMPTS = 3  # to write what waits before the end
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


@dataclass(frozen=True, slots=True)
class Subject:
    """What is watched."""

    settings: Settings
    info: SourceInfo
    channels: tuple[str, ...]
    profile: Profile


@dataclass(slots=True)
class Account:
    """What became of the samples, and what was found in them."""

    measured: int = 0
    lost: int = 0
    events: int = 0
    next_index: int = 0


@dataclass(frozen=True, slots=True)
class _Trouble:
    """Since when nothing can be written."""

    since_utc_s: float
    text: str


class Journal:
    """Everything that is written about one run."""

    def __init__(self, store: Store, clock: Clock, times: SampleClock, subject: Subject) -> None:
        self._store = store
        self._clock = clock
        self._times = times
        self._subject = subject
        self._appraiser = Appraiser(subject.settings, subject.info, subject.profile)
        self._backlog = Backlog()
        settings = subject.settings
        self._daily = DailyStatistics(
            subject.channels, settings.supply.nominal_v, settings.site.timezone
        )
        self._days: dict[tuple[str, str], DayStatistics] = {}  # changed and not written yet
        self._trouble: _Trouble | None = None
        self._next_write_s = 0.0
        self._next_touch_s = 0.0
        self.account = Account()
        self.started_utc_s = 0.0
        self.last_fault: str | None = None
        self._last_logged: str | None = None

    @property
    def run_id(self) -> int:
        return self._store.run_id

    @property
    def n_waiting(self) -> int:
        """Events and log entries that are not written yet."""
        return self._backlog.n_waiting

    @property
    def is_storing(self) -> bool:
        """Whether the database takes what it is given."""
        return self._trouble is None

    def begin(self) -> None:
        """Write down the run, and what happened since the one before it.

        :raises StoreError: the database cannot be written.
        """
        self._store.close_open_events()
        self.started_utc_s = self._now_utc_s()
        settings = self._subject.settings
        info = RunInfo(
            settings_text=settings_snapshot(settings),
            started_utc_s=self.started_utc_s,
            driver=settings.driver.name,
            sample_rate_hz=self._subject.info.sample_rate_hz,
            channels=self._subject.channels,
            boot_id=_boot_id(),
            clock=self._times.state,
        )
        run_id = self._store.begin_run(info)
        before = self._store.previous_run() if self._subject.info.is_live else None
        entries = [] if before is None else _absence(before, self.started_utc_s)
        remark = self._store.remark
        if remark:
            entries.append(LogEntry(LogKind.FAULT, self.started_utc_s, None, None, remark))
        text = f"watching through driver {info.driver}"
        entries.append(LogEntry(LogKind.STARTED, self.started_utc_s, None, None, text))
        self._store.add(run_id, [], entries)

    def count(self, block: Block) -> None:
        """These samples are measured."""
        self.account.measured += len(block.volts)
        self.account.next_index = block.first_index + len(block.volts)

    def keep(self, out: Output) -> None:
        """Write down what a block brought, or have it wait.

        :raises StoreError: a recording cannot be stored; a live input goes on.
        """
        numbers = [event.number for event in out.events]
        self.account.events = max([self.account.events, *numbers])
        self.account.lost += sum(gap.n_samples for gap in out.gaps)
        self._note_days(self._daily.take(out, self._times))
        judged = [self._judged(event, out.events) for event in out.events]
        self._put(
            judged,
            [self._unobserved(gap) for gap in out.gaps]
            + [self._neutral_earth(found) for found in out.neutral_earth]
            + [self._warning(one) for one in judged if _is_warned_of(one)],
        )

    def log(self, kind: LogKind, text: str) -> None:
        """Write down something that is about no particular sample."""
        self._put([], [LogEntry(kind, self._now_utc_s(), None, None, text)])

    def write(self, entries: list[LogEntry]) -> None:
        """Write down entries made elsewhere, such as marks."""
        self._put([], entries)

    def fault(self, text: str) -> None:
        """Write down a fault; the same one again only after another."""
        self.last_fault = text
        if text != self._last_logged:
            self._last_logged = text
            self.log(LogKind.FAULT, text)

    def every_second(self) -> None:
        """Try again what waits, say how far the run has got, keep the database within its limit."""
        if self._now_s() < self._next_write_s:
            return
        is_due = self._now_s() >= self._next_touch_s
        if self._try(is_due=is_due) and is_due:
            self._next_touch_s = self._now_s() + TOUCH_S

    def end(self, *, is_orderly: bool) -> None:
        """Write everything that still waits.

        :raises StoreError: not all of it could be written.
        """
        account, until_s = self.account, self._until_utc_s()
        self._note_days(self._daily.finish())
        if is_orderly:
            entry = LogEntry(LogKind.STOPPED, until_s, None, None, "stopped in good order")
            self._backlog.put([], [entry])
        for _ in range(LAST_ATTEMPTS):
            if self._try(is_due=True):
                break
            self._clock.sleep_s(1.0)
        if self._trouble is not None:
            raise StoreError(
                f"{self._trouble.text}; {self.n_waiting} events and log entries that were still "
                "to be written are lost"
            )
        if is_orderly:
            self._store.end_run(self.run_id, until_s, account.measured, account.lost)

    def close(self) -> None:
        """Let go of the database. Harmless the second time."""
        self._store.close()

    def _put(self, events: list[JudgedEvent], log: list[LogEntry]) -> None:
        self._backlog.put(events, log)
        if self._backlog.n_waiting and self.is_storing and self._now_s() >= self._next_write_s:
            self._try(is_due=False)

    def _try(self, *, is_due: bool) -> bool:
        """Write what waits; whether that went well."""
        began_s = self._now_s()
        try:
            self._recover()
            self._write(is_due=is_due)
        except StoreError as error:
            if not self._subject.info.is_live:
                raise
            self._note_trouble(str(error))
        ended_s = self._now_s()
        self._next_write_s = ended_s + (ended_s - began_s)
        return self.is_storing

    def _write(self, *, is_due: bool) -> None:
        self._write_backlog()
        if self._trouble is not None:
            self._note_recovery(self._trouble)
            self._write_backlog()
            self._trouble = None
        if is_due:
            self._store.add(self.run_id, [], [], self._progress())
            self._store.put_statistics(self.run_id, list(self._days.values()))
            self._days.clear()
        if self._store.thin(self._now_utc_s()):
            self.last_fault = "store.keep_mb is reached: what matters least is let go"

    def _write_backlog(self) -> None:
        while self._backlog.n_waiting:
            batch = self._backlog.batch()
            is_last = batch.count == self._backlog.n_waiting
            progress = self._progress() if is_last else None  # it tells of gaps in the last one
            self._store.add(self.run_id, batch.events, batch.log, progress)
            self._backlog.done(batch)

    def _recover(self) -> None:
        """See that the database is where it was; put it there if it is not."""
        if self._trouble is None:
            self._store.check_place()
            return
        done = self._store.reopen()
        if done:
            entry = LogEntry(LogKind.FAULT, self._now_utc_s(), None, None, done)
            self._backlog.put([], [entry])

    def _note_days(self, days: list[DayStatistics]) -> None:
        self._days |= {(day.day, day.channel): day for day in days}

    def _note_trouble(self, text: str) -> None:
        since_s = self._now_utc_s() if self._trouble is None else self._trouble.since_utc_s
        self._trouble = _Trouble(since_s, text)
        self.last_fault = f"since {utc_text(since_s)} nothing can be stored: {text}"

    def _note_recovery(self, trouble: _Trouble) -> None:
        now_s = self._now_utc_s()
        let_go = self._backlog.take_let_go().words()
        text = (
            f"from {utc_text(trouble.since_utc_s)} to {utc_text(now_s)} nothing could be stored: "
            f"{trouble.text}; "
            + (f"there was no room to keep {let_go}" if let_go else "nothing was lost by it")
        )
        self.last_fault = text
        duration_s = max(now_s - trouble.since_utc_s, 0.0)
        entry = LogEntry(LogKind.FAULT, trouble.since_utc_s, None, duration_s, text)
        self._backlog.put([], [entry])

    def _judged(self, event: Event, at_once: list[Event]) -> JudgedEvent:
        together = [other for other in at_once if other.group == event.group]
        index = event.start_s * self._subject.info.sample_rate_hz
        stamp = Stamp(self._times.utc_s(index), self._times.state_at(index))
        return self._appraiser.appraise(event, together, stamp)

    def _neutral_earth(self, found: NeutralEarthExcursion) -> LogEntry:
        return log_entry(
            found, self._times.utc_s(found.start_s * self._subject.info.sample_rate_hz)
        )

    def _warning(self, judged: JudgedEvent) -> LogEntry:
        """Someone may come to harm: said in the log and on the page, whatever the verdict."""
        event = judged.event
        text = f"look at this at once: {judged.cause} ({event.channel}); {judged.evidence}"
        self.last_fault = text
        return LogEntry(LogKind.FAULT, judged.start_utc_s, event.start_s, event.duration_s, text)

    def _unobserved(self, gap: Gap) -> LogEntry:
        rate_hz = self._subject.info.sample_rate_hz
        return LogEntry(
            LogKind.UNOBSERVED,
            self._times.utc_s(gap.first_index),
            gap.first_index / rate_hz,
            gap.n_samples / rate_hz,
            f"{gap.n_samples} samples were not seen: {gap.cause}",
        )

    def _progress(self) -> RunProgress:
        return RunProgress(self._until_utc_s(), self.account.measured, self.account.lost)

    def _now_s(self) -> float:
        return self._clock.monotonic_ns() / 1e9

    def _now_utc_s(self) -> float:
        """UTC now; for a recording that is not live, of its newest sample."""
        if self._subject.info.is_live:
            return self._clock.utc_ns() / 1e9
        return self._until_utc_s()

    def _until_utc_s(self) -> float:
        return self._times.utc_s(self.account.next_index)


def _is_warned_of(judged: JudgedEvent) -> bool:
    """Once for a group: its first event stands for the others."""
    event = judged.event
    return URGENT in event.flags and event.number == event.group


def _absence(before: PreviousRun, now_s: float) -> list[LogEntry]:
    """What there is to say of the time between two live runs."""
    away_s = now_s - before.until_utc_s
    if away_s <= 0:
        text = "the clock is behind the end of the run before: time not seen is not known"
        return [LogEntry(LogKind.UNOBSERVED, now_s, None, None, text)]
    is_power_cut = before.boot_id != _boot_id() and not before.stopped
    if is_power_cut:
        cause = "the computer was off or restarting"
    else:
        cause = "the monitor was stopped" if before.stopped else "the monitor broke off"
    entries = [LogEntry(LogKind.UNOBSERVED, before.until_utc_s, None, away_s, cause)]
    if is_power_cut:
        text = "the computer's own supply is back"
        entries.append(LogEntry(LogKind.SUPPLY_RETURNED, now_s, None, None, text))
    return entries


def _boot_id() -> str:
    try:
        return BOOT_ID.read_text().strip()
    except OSError:
        return "unknown"
