"""The only wiring: starts the parts, hands results from stage to stage, ends in good order."""

import os
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from daemon.acquisition import Acquisition, DeviceFault, Fetched
from daemon.clock import SampleClock
from daemon.judge import facts_of, judge
from daemon.live import SHOWN_CYCLES, Fixed, LiveValues, Progress, build_snapshot
from daemon.notify import notify
from daemon.pipeline import Pipeline
from daemon.plan import PipelineSetup
from daemon.profiles import find_profile, scope_warning, user_profile_dir
from daemon.records import Event, Gap, JudgedEvent, LogEntry, LogKind, Output
from daemon.runtime import PageProcess, runtime_folder
from daemon.settings import Settings, settings_snapshot
from daemon.setup import pipeline_setup
from daemon.status import State, write_snapshot
from daemon.store import RunInfo, Store
from daemon.tolerance import Profile
from drivers.clock import Clock
from drivers.errors import SourceEnded, SourceFailed
from drivers.source import SourceInfo

FETCH_TIMEOUT_S = 0.5
SNAPSHOT_S = 1.0
TOUCH_S = 60.0  # how often a run says how far it has got: the most a power cut leaves in doubt
SNAPSHOT_NAME = "status.json"
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class Stop(Protocol):
    """Something that says when to end, such as a threading.Event set by a signal."""

    def is_set(self) -> bool: ...


class Watcher(Protocol):
    """Whoever is told how far a recording has got, such as a progress bar."""

    def advance(self, n_samples: int, n_total: int | None) -> None: ...


@dataclass(frozen=True, slots=True)
class Summary:
    """What a run came to."""

    run_id: int
    database: Path
    n_samples: int
    n_lost: int
    n_events: int


class Monitor:
    """One run of the monitor.

    :raises InputError, OptionError: something in the configuration is wrong; nothing was written.
    :raises SourceUnavailable: the device is not there.
    """

    def __init__(self, settings: Settings, clock: Clock, *, with_page: bool) -> None:
        self._settings = settings
        self._clock = clock
        self._profile = find_profile(settings.supply.profile, user_profile_dir())
        self._counts = _Counts()
        with ExitStack() as undo:
            self._acquisition = Acquisition(settings.driver)
            undo.callback(self._acquisition.close)
            self._info = self._acquisition.open()
            self._sample_clock = SampleClock(clock, self._info)
            self._setup = pipeline_setup(settings, self._info)
            self._pipeline = Pipeline(self._setup)
            self._live = LiveValues(self._setup)
            self._fixed = _fixed(settings, self._info, self._setup, self._profile)
            self._store = Store(settings.store.path, settings.site.timezone)
            undo.callback(self._store.close)
            folder = runtime_folder(settings.store.path, os.environ)
            self._snapshot_path = folder / SNAPSHOT_NAME
            self._run_id = self._begin()
            self._page = self._open_page() if with_page else None
            undo.pop_all()

    def run(self, stop: Stop, watcher: Watcher | None = None) -> Summary:
        """Watch until `stop` is set or the recording is over.

        :raises SourceFailed: the sampling process is gone.
        :raises StoreError: the database cannot be written.
        """
        notify("READY=1")
        is_orderly = False
        try:
            self._watch(stop, watcher)
            is_orderly = True
        except SourceFailed as error:
            self._log(LogKind.FAULT, None, None, str(error))
            raise
        finally:
            self._end(is_orderly=is_orderly)
        counts = self._counts
        return Summary(
            self._run_id, self._settings.store.path, counts.measured, counts.lost, counts.events
        )

    def _watch(self, stop: Stop, watcher: Watcher | None) -> None:
        with suppress(SourceEnded):
            while not stop.is_set():
                self._turn(watcher)

    def _turn(self, watcher: Watcher | None) -> None:
        fetched = self._acquisition.fetch(FETCH_TIMEOUT_S)
        if isinstance(fetched, Fetched):
            self._take(fetched)
            if watcher is not None:
                watcher.advance(len(fetched.block.volts), self._info.n_samples)
        elif isinstance(fetched, DeviceFault):
            self._fault(fetched)
        self._housekeeping(is_alive=isinstance(fetched, Fetched))

    def _take(self, fetched: Fetched) -> None:
        block = fetched.block
        stop_index = block.first_index + len(block.volts)
        self._sample_clock.note_arrival(stop_index, fetched.arrival_ns)
        self._counts.measured += len(block.volts)
        self._counts.next_index = stop_index
        self._counts.lag_s = (self._clock.monotonic_ns() - fetched.arrival_ns) / 1e9
        self._keep(self._pipeline.feed(block))

    def _keep(self, out: Output) -> None:
        self._live.take(out)
        numbers = [event.number for event in out.events]
        self._counts.events = max([self._counts.events, *numbers])
        self._counts.lost += sum(gap.n_samples for gap in out.gaps)
        self._store.add(
            self._run_id,
            [self._judged(event) for event in out.events],
            [self._unobserved(gap) for gap in out.gaps],
        )

    def _judged(self, event: Event) -> JudgedEvent:
        supply = self._settings.supply
        judgement = judge(
            facts_of(event), self._profile, supply.nominal_v, float(supply.frequency_hz)
        )
        index = event.start_s * self._info.sample_rate_hz
        return JudgedEvent(
            event, judgement, self._sample_clock.utc_s(index), self._sample_clock.state
        )

    def _unobserved(self, gap: Gap) -> LogEntry:
        start_s = gap.first_index / self._info.sample_rate_hz
        return LogEntry(
            LogKind.UNOBSERVED,
            self._sample_clock.utc_s(gap.first_index),
            start_s,
            gap.n_samples / self._info.sample_rate_hz,
            f"{gap.n_samples} samples were not seen: {gap.cause}",
        )

    def _fault(self, fault: DeviceFault) -> None:
        if fault.text != self._counts.last_fault:
            self._log(LogKind.FAULT, None, None, fault.text)
        self._counts.last_fault = fault.text

    def _log(
        self, kind: LogKind, start_utc_s: float | None, duration_s: float | None, text: str
    ) -> None:
        """Write a log entry that is about no particular sample."""
        when = self._now_utc_s() if start_utc_s is None else start_utc_s
        self._store.add(self._run_id, [], [LogEntry(kind, when, None, duration_s, text)])

    def _begin(self) -> int:
        """Write down the run, and what happened since the one before it."""
        self._store.close_open_events()
        now_s = self._now_utc_s()
        self._counts.started_utc_s = now_s
        info = RunInfo(
            settings_text=settings_snapshot(self._settings),
            started_utc_s=now_s,
            driver=self._settings.driver.name,
            sample_rate_hz=self._info.sample_rate_hz,
            channels=tuple(channel.name for channel in self._setup.channels),
            boot_id=_boot_id(),
            clock=self._sample_clock.state,
        )
        self._run_id = self._store.begin_run(info)
        self._log_absence(now_s)
        self._log(LogKind.STARTED, now_s, None, f"watching through driver {info.driver}")
        return self._run_id

    def _log_absence(self, now_s: float) -> None:
        before = self._store.previous_run()
        if before is None or not self._info.is_live:
            return
        away_s = now_s - before.until_utc_s
        if away_s <= 0:
            self._log(
                LogKind.UNOBSERVED,
                now_s,
                None,
                "the clock is behind the end of the run before: time not seen is not known",
            )
            return
        is_reboot = before.boot_id != _boot_id()
        if is_reboot and not before.stopped:
            cause = "the computer was off or restarting"
        else:
            cause = "the monitor was stopped" if before.stopped else "the monitor broke off"
        self._log(LogKind.UNOBSERVED, before.until_utc_s, away_s, cause)
        if is_reboot and not before.stopped:
            self._log(LogKind.SUPPLY_RETURNED, now_s, None, "the computer's own supply is back")

    def _open_page(self) -> PageProcess:
        self._write_snapshot(State.STARTING)
        return PageProcess(
            self._settings.page, self._snapshot_path, self._settings.store.path.resolve()
        )

    def _housekeeping(self, *, is_alive: bool) -> None:
        now_s = self._clock.monotonic_ns() / 1e9
        if now_s >= self._counts.next_snapshot_s:
            self._counts.next_snapshot_s = now_s + SNAPSHOT_S
            self._every_second(is_alive=is_alive)
        if now_s >= self._counts.next_touch_s:
            self._counts.next_touch_s = now_s + TOUCH_S
            counts = self._counts
            self._store.touch_run(self._run_id, self._until_utc_s(), counts.measured, counts.lost)

    def _every_second(self, *, is_alive: bool) -> None:
        step_s = self._sample_clock.step_s()
        if step_s is not None:
            self._log(LogKind.CLOCK_SET, None, None, f"the clock was set by {step_s:+.3f} s")
        if self._page is not None and self._page.has_just_ended():
            self._log(LogKind.FAULT, None, None, "the status page ended; measuring goes on")
        self._write_snapshot(State.WATCHING if is_alive else State.WAITING_FOR_DEVICE)
        if is_alive:
            notify("WATCHDOG=1")

    def _write_snapshot(self, state: State) -> None:
        counts = self._counts
        progress = Progress(
            run_id=self._run_id,
            started_utc_s=counts.started_utc_s,
            now_utc_s=self._clock.utc_ns() / 1e9,
            measured_s=counts.measured / self._info.sample_rate_hz,
            samples_lost=counts.lost,
            ring_lag_s=counts.lag_s,
            clock_state=self._sample_clock.state,
            last_fault=counts.last_fault,
        )
        waves = self._pipeline.latest_waves(SHOWN_CYCLES)
        write_snapshot(
            self._snapshot_path, build_snapshot(self._fixed, self._live, waves, progress, state)
        )

    def _end(self, *, is_orderly: bool) -> None:
        """Finish what is under way and close everything, whatever made the run end."""
        notify("STOPPING=1")
        self._acquisition.close()
        try:
            self._keep(self._pipeline.finish())
            until_s, counts = self._until_utc_s(), self._counts
            if is_orderly:
                self._log(LogKind.STOPPED, until_s, None, "stopped in good order")
                self._store.end_run(self._run_id, until_s, counts.measured, counts.lost)
            else:
                self._store.touch_run(self._run_id, until_s, counts.measured, counts.lost)
            self._write_snapshot(State.STOPPED)
        finally:
            self._store.close()
            if self._page is not None:
                self._page.close()

    def _now_utc_s(self) -> float:
        """UTC now; for a recording that is not live, of its newest sample."""
        if self._info.is_live:
            return self._clock.utc_ns() / 1e9
        return self._until_utc_s()

    def _until_utc_s(self) -> float:
        return self._sample_clock.utc_s(self._counts.next_index)


@dataclass(slots=True)
class _Counts:
    """What the run keeps count of."""

    measured: int = 0
    lost: int = 0
    events: int = 0
    next_index: int = 0
    lag_s: float = 0.0
    next_snapshot_s: float = 0.0
    next_touch_s: float = 0.0
    started_utc_s: float = 0.0
    last_fault: str | None = None


def _fixed(settings: Settings, info: SourceInfo, setup: PipelineSetup, profile: Profile) -> Fixed:
    supply = settings.supply
    warning = scope_warning(profile, supply.nominal_v, float(supply.frequency_hz))
    return Fixed(settings, info, setup, profile.title, warning)


def _boot_id() -> str:
    try:
        return BOOT_ID.read_text().strip()
    except OSError:
        return "unknown"
