"""The only wiring: starts the parts, hands results from stage to stage, ends in good order."""

import os
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from daemon.acquisition import CLOSE_TIMEOUT_S, DeviceFault, Fetched
from daemon.clock import SampleClock
from daemon.errors import InputError
from daemon.front_panel import FrontPanel
from daemon.indicators import WatchState, open_board
from daemon.journal import Journal, Subject
from daemon.live import SHOWN_CYCLES, Fixed, LiveValues, Progress, build_snapshot
from daemon.notify import notify
from daemon.opening import Opening, open_input
from daemon.pipeline import Pipeline
from daemon.profiles import find_profile, scope_warning, user_profile_dir
from daemon.records import LogKind, Output
from daemon.rescue_files import rescue_places
from daemon.runtime import PageProcess
from daemon.runtime_folder import open_runtime_folder
from daemon.settings import Settings
from daemon.setup import pipeline_setup
from daemon.slot_clock import SlotClock
from daemon.spool import SHUTDOWN, SPOOL_NAME, read_spool
from daemon.status import State, write_snapshot
from daemon.store import Store
from daemon.tolerance import Profile
from daemon.vigil import Vigil
from drivers.clock import Clock
from drivers.errors import SourceEnded, SourceFailed

FETCH_TIMEOUT_S = 0.5
SNAPSHOT_S = 1.0
SNAPSHOT_NAME = "status.json"
WITH_BUTTON = "marked with the button"
POWER_LOST = "the computer's own supply is lost; watching goes on for as long as its battery lasts"
POWER_RETURNED = "the computer's own supply is back; its battery bridged the time"


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

    :raises InputError, OptionError: something in the configuration is wrong, or another monitor
        writes to the same database; nothing was written.
    :raises SourceUnavailable: the device is not there.
    :raises StoreError: the database cannot be written at the start.
    """

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        *,
        with_page: bool,
        opening: Opening | None = None,
    ) -> None:
        """
        :param opening: of this database and input, begun already; it is closed with this.
        """
        self._settings = settings
        self._clock = clock
        self._lag_s = self._next_snapshot_s = 0.0
        self._is_shutdown = self._has_shown = False
        with ExitStack() as undo:
            opening = opening or open_input(settings)
            undo.callback(opening.close)
            self._claim, self._acquisition = opening.claim, opening.acquisition
            self._panel = FrontPanel(open_board(settings.gpio))
            undo.callback(self._panel.close)
            profile = _profile(settings)  # while the sampler starts
            self._info = self._acquisition.open()
            self._sample_clock = SampleClock(clock, self._info)
            self._vigil = Vigil(clock.monotonic_ns() / 1e9)
            origin_index = self._sample_clock.slot_origin_index
            origin_s = self._sample_clock.slot_origin_s
            setup = pipeline_setup(settings, self._info, origin_index, origin_s)
            self._slot_clock = SlotClock(self._sample_clock, setup.sample_rate_hz, setup.slot_grid)
            self._pipeline = Pipeline(setup)
            self._live = LiveValues(setup)
            supply = settings.supply
            warning = scope_warning(profile, supply.nominal_v, float(supply.frequency_hz))
            self._fixed = Fixed(settings, self._info, setup, profile.title, warning)
            channels = tuple(channel.name for channel in setup.channels)
            subject = Subject(settings, self._info, channels, profile)
            self._runtime = open_runtime_folder(settings.store.path, os.environ)
            undo.callback(self._runtime.close)
            self._folder = self._runtime.path
            keep_bytes = settings.store.keep_mb * 1_000_000
            store = Store(settings.store.path, settings.site.timezone, keep_bytes)
            places = rescue_places(settings.store.path, self._folder)
            self._journal = Journal(store, clock, self._sample_clock, subject, places)
            undo.callback(self._journal.close)
            self._journal.begin()
            self._page = self._open_page() if with_page else None
            undo.pop_all()

    def run(self, stop: Stop, watcher: Watcher | None = None) -> Summary:
        """Watch until `stop` is set or the recording is over.

        :raises SourceFailed: the sampling process is gone.
        :raises StoreError: at the end not everything could be written; a recording is not waited
            for, its end comes at once.
        """
        notify("READY=1")
        is_orderly = False
        try:
            self._watch(stop, watcher)
            is_orderly = True
        except SourceFailed as error:
            self._journal.fault(str(error))
            raise
        finally:
            self._end(is_orderly=is_orderly)
        account = self._journal.account
        return Summary(
            self._journal.run_id,
            self._settings.store.path,
            account.measured,
            account.lost,
            account.events,
        )

    def _watch(self, stop: Stop, watcher: Watcher | None) -> None:
        with suppress(SourceEnded):
            while not (stop.is_set() or self._is_shutdown):
                self._turn(watcher)
            self._acquisition.stop()
            while (fetched := self._acquisition.fetch(CLOSE_TIMEOUT_S)) is not None:
                if isinstance(fetched, Fetched):
                    self._take(fetched)

    def _turn(self, watcher: Watcher | None) -> None:
        fetched = self._acquisition.fetch(FETCH_TIMEOUT_S)
        if isinstance(fetched, Fetched):
            self._take(fetched)
            if watcher is not None:
                watcher.advance(len(fetched.block.volts), self._info.n_samples)
        elif isinstance(fetched, DeviceFault):
            self._journal.fault(fetched.text)
        now_s = self._clock.monotonic_ns() / 1e9
        self._vigil.hear(fetched, now_s)
        if self._panel.is_due(now_s):
            self._look_at_panel(now_s)
        is_first = self._live.has_values and not self._has_shown  # somebody may be waiting
        if is_first or now_s >= self._next_snapshot_s:
            self._has_shown = self._live.has_values
            self._next_snapshot_s = now_s + SNAPSHOT_S
            self._every_second(now_s)

    def _take(self, fetched: Fetched) -> None:
        block = fetched.block
        if block.first_index > self._journal.account.next_index:
            self._sample_clock.note_gap()
        self._sample_clock.note_arrival(block.first_index + len(block.volts), fetched.arrival_ns)
        self._journal.count(block)
        self._lag_s = (self._clock.monotonic_ns() - fetched.arrival_ns) / 1e9
        grid = self._slot_clock.look(block.first_index)
        if grid is not None:
            self._pipeline.take_grid(grid)
        self._keep(self._pipeline.feed(block))

    def _keep(self, out: Output) -> None:
        self._journal.account.waiting = self._pipeline.n_waiting
        self._live.take(out)
        self._journal.keep(out)

    def _every_second(self, now_s: float) -> None:
        change = self._sample_clock.look()
        if change is not None:
            self._journal.clock_changed(change)
        sleep = self._sample_clock.take_sleep()
        if sleep is not None:
            self._journal.slept(sleep)
        if self._page is not None and self._page.has_just_ended():
            self._journal.fault("the status page ended; measuring goes on")
        self._journal.write(read_spool(self._folder / SPOOL_NAME))
        self._journal.every_second()
        self._write_snapshot(self._state(now_s))
        if self._vigil.is_well(now_s):
            notify("WATCHDOG=1")

    def _look_at_panel(self, now_s: float) -> None:
        state = self._state(now_s)
        has_fault = state is not State.WATCHING
        serious = self._journal.account.last_serious
        try:
            actions = self._panel.look(WatchState(True, serious, has_fault), now_s)
        except SourceFailed as error:  # measuring is worth more than a light
            self._journal.fault(str(error))
            return
        for _ in range(actions.n_marks):
            self._journal.log(LogKind.MARK, WITH_BUTTON)
        if actions.power_lost:
            self._journal.fault(POWER_LOST)
            self._journal.commit()
        if actions.power_returned:
            self._journal.log(LogKind.SUPPLY_RETURNED, POWER_RETURNED)
        if actions.is_shutdown:
            self._journal.log(LogKind.MARK, SHUTDOWN)
            self._is_shutdown = True

    def _state(self, now_s: float) -> State:
        if not self._vigil.has_samples(now_s):
            return State.WAITING_FOR_DEVICE
        return State.WATCHING if self._journal.is_storing else State.NOT_STORING

    def _open_page(self) -> PageProcess:
        self._write_snapshot(State.STARTING)
        return PageProcess(
            self._settings.page,
            self._folder / SNAPSHOT_NAME,
            self._settings.store.path.resolve(),
        )

    def _write_snapshot(self, state: State) -> None:
        account = self._journal.account
        progress = Progress(
            run_id=self._journal.run_id,
            started_utc_s=self._journal.started_utc_s,
            now_utc_s=self._clock.utc_ns() / 1e9,
            measured_s=account.measured / self._info.sample_rate_hz,
            samples_lost=account.lost,
            ring_lag_s=self._lag_s,
            clock_state=self._sample_clock.state,
            last_fault=self._journal.last_fault,
            n_waiting=self._journal.n_waiting,
            let_go=self._journal.let_go,
        )
        waves = self._pipeline.latest_waves(SHOWN_CYCLES)
        self._live.take_waiting(self._pipeline.waiting_rms())
        snapshot = build_snapshot(self._fixed, self._live, waves, progress, state)
        try:
            write_snapshot(self._folder / SNAPSHOT_NAME, snapshot)
        except OSError as error:  # measuring is worth more than being looked at
            self._journal.fault(f"the status cannot be written: {error.strerror}")

    def _end(self, *, is_orderly: bool) -> None:
        """Finish what is under way and close everything, whatever made the run end."""
        notify("STOPPING=1")
        self._acquisition.close()
        self._panel.close()
        try:
            self._keep(self._pipeline.finish())
            self._journal.end(is_orderly=is_orderly)
            self._write_snapshot(State.STOPPED)
        finally:
            self._journal.close()
            if self._page is not None:
                self._page.close()
            self._runtime.close()
            self._claim.close()


def _profile(settings: Settings) -> Profile:
    try:
        return find_profile(settings.supply.profile, user_profile_dir())
    except InputError as error:
        raise InputError(f"supply.profile: {error}") from error
