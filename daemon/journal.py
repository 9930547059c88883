"""Writes a run down: its beginning and end, events with their verdict, gaps, faults.

Measuring never waits for the disk longer than one attempt takes. What cannot be written waits in a
`Backlog` and is tried again every second; when it is written at last, the log says how long that
was not possible. The disk is given as much time between attempts as the last one took, so that a
card that needs seconds for a commit gets fewer, larger ones.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from daemon.appraise import Appraiser, is_warned_of
from daemon.archive import SERIOUS
from daemon.backlog import Backlog
from daemon.clock import SampleClock, Sleep, TieChange
from daemon.correction import Correction
from daemon.daily import DailyStatistics, DayStatistics
from daemon.errors import StoreError
from daemon.records import Event, JudgedEvent, LogEntry, LogKind, Output
from daemon.rescue import Leftover, write_rescue
from daemon.rescue_files import rest_words, take_back_all
from daemon.run_history import absence, boot_id, changes, unseen_before
from daemon.service_log import tell, told
from daemon.settings import Settings, settings_snapshot
from daemon.stamping import Stamper, change_words
from daemon.store import PreviousRun, RunInfo, RunProgress, Store
from daemon.tolerance import Profile
from daemon.trouble import Trouble
from daemon.unwatched import started_words
from drivers.clock import Clock
from drivers.source import Block, SourceInfo

# How often a run says how far it has got: the most a power cut leaves in doubt.
# Each costs a card two to eight blocks of 4 kB, the file system's own included (measured); 10 MB
# a day are allowed.
TOUCH_S = 240.0
LAST_ATTEMPTS = 3  # to write what waits before the end


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
    waiting: int = 0  # of these the newest, whose results are still to come
    lost: int = 0
    events: int = 0
    last_serious: int = 0  # the number of the newest event that is serious
    next_index: int = 0


class Journal:
    """Everything that is written about one run."""

    def __init__(
        self,
        store: Store,
        clock: Clock,
        times: SampleClock,
        subject: Subject,
        rescue_places: tuple[Path, ...] = (),
    ) -> None:
        """
        :param rescue_places: where to put what cannot be written in the end, the best place first.
        """
        self._store = store
        self._clock = clock
        self._times = times
        self._stamper = Stamper(times, subject.info.sample_rate_hz)
        self._subject = subject
        self._rescue_places = rescue_places
        self._appraiser = Appraiser(subject.settings, subject.info, subject.profile)
        self._backlog = Backlog()
        settings = subject.settings
        self._daily = DailyStatistics(
            subject.channels, settings.supply.nominal_v, settings.site.timezone
        )
        self._days: dict[tuple[str, str], DayStatistics] = {}  # changed and not written yet
        self._trouble: Trouble | None = None
        self._is_thinned = False
        self._next_write_s = 0.0
        self._next_touch_s = 0.0
        self.account = Account()
        self._started_index = 0.0
        self._before: PreviousRun | None = None
        self._is_absence_known = True
        self._correction = Correction(store, self._stamper, self._daily)
        self.last_fault: str | None = None
        self._last_logged: str | None = None

    @property
    def run_id(self) -> int:
        return self._store.run_id

    @property
    def started_utc_s(self) -> float:
        """When the run began, as the database has it."""
        return self._store.started_utc_s

    @property
    def n_waiting(self) -> int:
        """Events and log entries that are not written yet."""
        return self._backlog.n_waiting

    @property
    def let_go(self) -> str:
        """What this run had no room to keep, in words; empty: nothing was lost."""
        thinned = "what mattered least (store.keep_mb)" if self._is_thinned else ""
        return ", ".join(filter(None, [self._backlog.let_go_in_all.words(), thinned]))

    @property
    def is_storing(self) -> bool:
        """Whether the database takes what it is given."""
        return self._trouble is None

    def begin(self) -> None:
        """Write down the run, and what happened since the one before it.

        :raises StoreError: the database cannot be written.
        """
        remarks = take_back_all(self._store, self._rescue_places)
        self._store.close_open_events()
        self._started_index = self._now_index()
        settings = self._subject.settings
        info = RunInfo(
            settings_text=settings_snapshot(settings),
            started_utc_s=self._best_start_utc_s(),
            driver=settings.driver.name,
            sample_rate_hz=self._subject.info.sample_rate_hz,
            channels=self._subject.channels,
            boot_id=boot_id(),
            clock=self._times.state,
        )
        entries = self._since_run_before(info.settings_text)
        faults = [text for text in (self._store.remark, *remarks) if text]
        entries += [self._entry(LogKind.FAULT, text) for text in faults]
        entries.append(self._entry(LogKind.STARTED, started_words(settings, self._subject.info)))
        self._store.begin_run(info, told(entries))

    def _since_run_before(self, settings_text: str) -> list[LogEntry]:
        if not self._subject.info.is_live or self._is_recording:
            return []
        before = self._before = self._store.previous_run()
        if before is None:
            return []
        self._is_absence_known = self._best_start_utc_s() > before.until_utc_s
        entries = [self._stamper.placed(one) for one in absence(before, self._best_start_utc_s())]
        return entries + [self._entry(kind, text) for kind, text in changes(before, settings_text)]

    def count(self, block: Block) -> None:
        """These samples have come; `Account.waiting` of them are still to be measured."""
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
        serious = [one.event.number for one in judged if one.judgement.verdict in SERIOUS]
        self.account.last_serious = max([self.account.last_serious, *serious])
        entries = (
            [self._stamper.unseen(gap) for gap in out.gaps]
            + [self._stamper.found(found) for found in out.findings]
            + [self._warning(one) for one in judged if is_warned_of(one)]
        )
        self._put(judged, entries)

    def log(self, kind: LogKind, text: str) -> None:
        """Write down something that is about no particular sample."""
        self._put([], [self._entry(kind, text)])

    def write(self, entries: list[LogEntry]) -> None:
        """Write down entries made elsewhere by the wall clock, such as marks."""
        self._put([], [self._stamper.placed(entry) for entry in entries])

    def clock_changed(self, change: TieChange) -> None:
        """Write down that the clock was set; what was stamped before gets better stamps."""
        text = change_words(change)
        if not text:
            return
        entries = [self._entry(LogKind.CLOCK_SET, text)]
        if change.is_correction:
            self._backlog.restamp(self._stamper)
            before = self._before
            unseen_since_s = None if before is None else before.until_utc_s
            self._correction.begin(self._started_index, unseen_since_s)
            if before is not None and not self._is_absence_known:
                self._is_absence_known = self._best_start_utc_s() > before.until_utc_s
                late = [unseen_before(before, self._best_start_utc_s())]
                entries += late if self._is_absence_known else []
        self._put([], entries)

    def slept(self, sleep: Sleep) -> None:
        """Write down that the computer saw nothing because it was suspended."""
        self._put([], [self._stamper.asleep(sleep)])

    def commit(self) -> None:
        """Write everything now, as before a power cut."""
        self._try(is_due=True)

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
            index, text = account.next_index, "stopped in good order"
            self._backlog.put([], [self._stamper.entry(LogKind.STOPPED, index, text)])
        for _ in range(LAST_ATTEMPTS):
            if self._try(is_due=True):
                break
            self._clock.sleep_s(1.0)
        while self._correction.is_under_way and self._try(is_due=False):
            pass
        if self._trouble is not None:
            self._save_rest(self._trouble, is_orderly=is_orderly)
        if is_orderly:
            self._store.end_run(self.run_id, until_s, account.measured, account.lost)

    def _save_rest(self, trouble: Trouble, *, is_orderly: bool) -> NoReturn:
        n_waiting = self.n_waiting
        self._note_recovery(trouble)
        rest = self._backlog.everything
        left = Leftover(rest.events, rest.log, list(self._days.values()))
        rescued = self._store.packed(left, self._progress(), is_orderly=is_orderly)
        path = write_rescue(self._rescue_places, rescued)
        raise StoreError(f"{trouble.text}; {rest_words(path, n_waiting, self._rescue_places)}")

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
            self._trouble = None  # what fails from here on is another
            self._write_backlog()
        self._correction.go_on()
        if self._correction.rename_days():
            self._days.clear()
            self._note_days(self._daily.finish())
        if is_due:
            self._store.add(self.run_id, [], [], self._progress(), list(self._days.values()))
            self._days.clear()
        now_index = self._now_index()
        start_s = now_index / self._subject.info.sample_rate_hz
        if self._store.thin(self._times.utc_s(now_index), start_s):
            self._is_thinned = True
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
        if done := self._store.reopen():
            self._backlog.put([], [self._entry(LogKind.FAULT, done)])

    def _note_days(self, days: list[DayStatistics]) -> None:
        self._days |= {(day.day, day.channel): day for day in days}

    def _note_trouble(self, text: str) -> None:
        before = self._trouble
        index = self._now_index() if before is None else before.since_index
        since_s = self._now_s() if before is None else before.since_s
        self._trouble = Trouble(index, since_s, text)
        let_go = self._backlog.let_go_untold.words()
        self.last_fault = self._trouble.words(self._times.utc_s(index), let_go)
        if before is None:
            tell(self.last_fault)

    def _note_recovery(self, trouble: Trouble) -> None:
        since_index, now_index = trouble.since_index, self._now_index()
        text = self.last_fault = trouble.words_after(
            self._times.utc_s(since_index),
            self._times.utc_s(now_index),
            self._backlog.take_let_go().words(),
        )
        duration_s = self._now_s() - trouble.since_s
        entry = self._stamper.entry(LogKind.FAULT, since_index, text, duration_s)
        self._backlog.put([], [entry])

    def _judged(self, event: Event, at_once: list[Event]) -> JudgedEvent:
        together = [other for other in at_once if other.group == event.group]
        stamp = self._stamper.stamp(event.start_s * self._subject.info.sample_rate_hz)
        judged = self._appraiser.appraise(event, together, stamp)
        return self._stamper.judged_again(judged)

    def _warning(self, judged: JudgedEvent) -> LogEntry:
        """Someone may come to harm: said in the log and on the page, whatever the verdict."""
        event = judged.event
        text = f"look at this at once: {judged.cause} ({event.channel}); {judged.evidence}"
        self.last_fault = text
        return self._stamper.entry_at(LogKind.FAULT, event.start_s, text, event.duration_s)

    def _entry(self, kind: LogKind, text: str) -> LogEntry:
        """About this moment, and no particular sample."""
        return self._stamper.entry(kind, self._now_index(), text)

    def _progress(self) -> RunProgress:
        """What a power cut cannot take any more: what waits to be measured would be lost."""
        account = self.account
        until_s = self._times.utc_s(account.next_index - account.waiting)
        return RunProgress(until_s, account.measured - account.waiting, account.lost)

    def _now_s(self) -> float:
        return self._clock.monotonic_ns() / 1e9

    @property
    def _is_recording(self) -> bool:
        return self._times.state == "recording"

    def _now_index(self) -> float:
        """The sample of this moment; of a recording the newest one."""
        return self.account.next_index if self._is_recording else self._times.now_index

    def _best_start_utc_s(self) -> float:
        """By what is known now."""
        return self._times.utc_s(self._started_index)

    def _until_utc_s(self) -> float:
        return self._times.utc_s(self.account.next_index)
