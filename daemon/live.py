"""The latest values, gathered once a second for the status snapshot."""

import shutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daemon import __version__
from daemon.plan import ChannelKind, PipelineSetup
from daemon.records import BasicIntervals, Output, UnbalanceValue
from daemon.ring import RING_S
from daemon.schema import utc_text
from daemon.settings import Settings
from daemon.status import (
    CaptureStatus,
    ChannelStatus,
    DriverStatus,
    HealthStatus,
    RunStatus,
    SiteStatus,
    Snapshot,
    State,
    SupplyStatus,
    WaveformStatus,
)
from daemon.three_phase import is_three_phase
from daemon.unwatched import unwatched_words
from drivers.source import SourceInfo

SHOWN_CYCLES = 3
THERMAL_ZONE = Path("/sys/class/thermal/thermal_zone0/temp")
CLOCK_TEXT = {
    "synchronised": "synchronised with a time source",
    "free": "not synchronised: times may be off by as much as the computer's clock is",
    "recording": "times come from the recording or its start",
}


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the run has got."""

    run_id: int
    started_utc_s: float
    now_utc_s: float
    measured_s: float  # of samples
    samples_lost: int
    ring_lag_s: float
    clock_state: str
    last_fault: str | None
    n_waiting: int = 0  # events and log entries that the database has not taken yet
    let_go: str = ""  # what this run had no room to keep, in words


class LiveValues:
    """Remembers the newest measurement of every channel."""

    def __init__(self, setup: PipelineSetup) -> None:
        self._setup = setup
        count = len(setup.channels)
        self._urms_v: list[float | None] = [None] * count
        self._thd_pct: list[float | None] = [None] * count
        self._harmonics: list[tuple[float, ...]] = [()] * count
        self._frequency_hz: float | None = None
        self._unbalance: UnbalanceValue | None = None
        self._open: dict[int, tuple[str, str]] = {}  # event number: channel, kind

    def take(self, out: Output) -> None:
        """Take what a block brought."""
        for half_cycles in out.half_cycles:
            if len(half_cycles.urms_v):
                self._urms_v[half_cycles.channel] = float(half_cycles.urms_v[-1])
        for intervals in out.basic:
            self._take_intervals(intervals)
        if out.unbalance and not np.isnan(out.unbalance[-1].u2_pct):
            self._unbalance = out.unbalance[-1]
        for event in out.events:
            if event.duration_s is None and not event.complete:
                self._open[event.number] = (event.channel, event.kind.value)
            else:
                self._open.pop(event.number, None)

    def _take_intervals(self, intervals: BasicIntervals) -> None:
        thd_pct = float(intervals.thd_pct[-1])
        self._thd_pct[intervals.channel] = None if np.isnan(thd_pct) else thd_pct
        harmonics_pct = np.round(intervals.harmonics_pct[-1], 3)
        self._harmonics[intervals.channel] = tuple(harmonics_pct.tolist())
        undisturbed_hz = intervals.frequency_hz[~intervals.flagged]
        if intervals.channel == 0 and len(undisturbed_hz):
            hz = float(undisturbed_hz[-1])
            self._frequency_hz = None if np.isnan(hz) else hz

    def take_waiting(self, urms_v: list[float]) -> None:
        """Take the newest rms of every channel from before it is measured; empty: nothing waits."""
        self._urms_v[: len(urms_v)] = urms_v

    def channels(self, waves: list[NDArray[np.float64]]) -> tuple[ChannelStatus, ...]:
        """One status for each channel."""
        declared_v = self._setup.supply.declared_v
        open_kinds = dict(self._open.values())
        statuses = []
        for number, channel in enumerate(self._setup.channels):
            urms = self._urms_v[number]
            is_line = channel.kind is ChannelKind.LINE
            statuses.append(
                ChannelStatus(
                    name=channel.name,
                    urms_v=urms,
                    urms_pct=None if urms is None or not is_line else 100 * urms / declared_v,
                    thd_pct=self._thd_pct[number],
                    crest_factor=_crest_factor(waves[number]),
                    harmonics_pct=tuple(
                        None if np.isnan(value) else value for value in self._harmonics[number]
                    ),
                    open_event=open_kinds.get(channel.name),
                    kind=channel.kind.value,
                )
            )
        return tuple(statuses)

    @property
    def has_values(self) -> bool:
        """Whether every channel was measured."""
        return all(urms_v is not None for urms_v in self._urms_v)

    @property
    def frequency_hz(self) -> float | None:
        """Of the newest undisturbed basic interval of the first channel."""
        return self._frequency_hz

    @property
    def unbalance(self) -> UnbalanceValue | None:
        """Of the newest basic interval in which three phases turned."""
        return self._unbalance


@dataclass(frozen=True, slots=True)
class Fixed:
    """The part of the snapshot that does not change during a run."""

    settings: Settings
    info: SourceInfo
    setup: PipelineSetup
    profile_title: str
    profile_warning: str | None


def build_snapshot(
    fixed: Fixed,
    live: LiveValues,
    waves: list[NDArray[np.float64]],
    progress: Progress,
    state: State,
) -> Snapshot:
    """Everything the status page shows that is not in the database."""
    settings = fixed.settings
    site, capture, supply = settings.site, settings.capture, settings.supply
    names = [channel.name for channel in fixed.setup.channels]
    return Snapshot(
        version=__version__,
        written_utc=utc_text(progress.now_utc_s),
        state=state,
        site=SiteStatus(site.name, site.circuit, site.timezone),
        supply=SupplyStatus(
            supply.nominal_v,
            supply.frequency_hz,
            supply.profile,
            fixed.profile_title,
            fixed.profile_warning,
        ),
        capture=CaptureStatus(
            capture.dip_pct,
            capture.swell_pct,
            capture.interruption_pct,
            fixed.setup.slow_limits.distortion_pct,
            capture.frequency_pct,
            fixed.setup.transient_pct,
            capture.rapid_change_pct,
            capture.flicker_pst if fixed.setup.lamp_v is not None else None,
            capture.unbalance_pct if is_three_phase(fixed.setup) else None,
            unwatched_words(settings, fixed.info, fixed.setup),
        ),
        driver=DriverStatus(
            settings.driver.name,
            fixed.info.sample_rate_hz,
            fixed.info.bits,
            fixed.info.bandwidth_hz,
        ),
        run=_run_status(progress, fixed.info.sample_rate_hz),
        channels=live.channels(waves),
        frequency_hz=live.frequency_hz,
        waveform=WaveformStatus(
            fixed.info.sample_rate_hz,
            {
                name: tuple(np.round(wave, 2).tolist())
                for name, wave in zip(names, waves, strict=True)
            },
        ),
        health=_health(settings.store.path, progress),
        u2_pct=None if live.unbalance is None else live.unbalance.u2_pct,
        u0_pct=None if live.unbalance is None else live.unbalance.u0_pct,
    )


def _run_status(progress: Progress, sample_rate_hz: float) -> RunStatus:
    lost_s = progress.samples_lost / sample_rate_hz
    whole_s = progress.measured_s + lost_s
    return RunStatus(
        id=progress.run_id,
        started_utc=utc_text(progress.started_utc_s),
        watched_s=whole_s,
        observed_pct=100.0 * progress.measured_s / whole_s if whole_s else 100.0,
    )


def _health(database: Path, progress: Progress) -> HealthStatus:
    return HealthStatus(
        samples_lost=progress.samples_lost,
        ring_fill_pct=min(100.0, 100.0 * progress.ring_lag_s / RING_S),
        clock=progress.clock_state,
        clock_text=CLOCK_TEXT[progress.clock_state],
        disk_free_mb=_disk_free_mb(database.parent),
        database_mb=_size_mb(database),
        temperature_c=_temperature_c(),
        last_fault=progress.last_fault,
        n_waiting=progress.n_waiting,
        let_go=progress.let_go,
    )


def _disk_free_mb(folder: Path) -> float:
    try:
        return shutil.disk_usage(folder).free / 1e6
    except OSError:  # the folder is gone, as with a disk that was pulled out
        return 0.0


def _size_mb(database: Path) -> float:
    try:
        return database.stat().st_size / 1e6
    except OSError:
        return 0.0


def _temperature_c() -> float | None:
    try:
        return int(THERMAL_ZONE.read_text()) / 1000
    except (OSError, ValueError):
        return None


def _crest_factor(wave: NDArray[np.float64]) -> float | None:
    rms = float(np.sqrt(np.mean(wave**2))) if len(wave) else 0.0
    return float(np.abs(wave).max()) / rms if rms > 0 else None
