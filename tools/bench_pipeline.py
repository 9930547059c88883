"""What measuring costs: the whole pipeline and each stage, against the least numpy could do.

The floor is what nobody can avoid: scale the samples, square them and sum up, transform each
basic interval once, and take one difference (design bar: at most 3 times that at 16 kS/s).
"""

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from functools import partial, wraps
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daemon import one_channel
from daemon.evidence import SampleHistory
from daemon.measure import channel as channel_meter
from daemon.measure.channel import Supply
from daemon.measure.flicker import FlickerMeter, ShortTermSlots
from daemon.measure.fundamental import FundamentalTracker
from daemon.pipeline import Pipeline
from daemon.plan import LIVE_FRAME_S, ChannelSetup, PipelineSetup, Wiring, recording_frame_s
from daemon.slow_events import SlowLimits
from daemon.thresholds import VoltageLimits
from daemon.transient_events import TransientEvents
from daemon.voltage_events import VoltageEvents
from drivers.source import Block

BAR_RATIO = 3.0
BAR_RATE_HZ = 16_000
REPEATS = 3
# Of signal: several batches, as the first second of a run is measured by itself.
SHORTEST_S, LONGEST_S = 6, 61
N_SAMPLES = 1_000_000
THREE_PHASE = 3  # channels are one supply, with its unbalance; other numbers are single phases
REST = "rest"

# By stage, the functions through which all of it is entered.
STAGES: tuple[tuple[str, tuple[tuple[type | ModuleType, str], ...]], ...] = (
    ("history", ((one_channel, "scaled"), (SampleHistory, "add"))),
    ("fundam.", ((FundamentalTracker, "feed"),)),
    ("rms", ((channel_meter, "accumulate_energy"), (channel_meter, "window_rms"))),
    (
        "spectrum",
        ((channel_meter, "harmonic_subgroups"), (channel_meter, "distortion_pct")),
    ),
    ("limits", ((VoltageEvents, "feed"),)),
    ("transi.", ((TransientEvents, "feed"),)),
    ("flicker", ((FlickerMeter, "feed_energy"), (ShortTermSlots, "feed"))),
)


@dataclass(frozen=True, slots=True)
class PipelineCost:
    """Nanoseconds of processor time per sample and channel."""

    floor_ns: float
    live_ns: float  # as for a live input while nothing disturbs: some seconds at once
    bulk_ns: float  # in longer ones, as for a recording
    stages_ns: dict[str, float]  # of `live_ns`, by the names of `STAGES` and `REST`
    transients_ns: float  # by how much less it is without them
    flicker_ns: float

    @property
    def ratio(self) -> float:
        """Of the live pipeline, to the floor."""
        return self.live_ns / self.floor_ns


def measure_pipeline(rate_hz: int, n_channels: int) -> PipelineCost:
    """Everything measured in turns, so that all meet the same neighbours; the least counts."""
    signal_s = min(max(N_SAMPLES // rate_hz, SHORTEST_S), LONGEST_S)
    volts = steady_supply(rate_hz, n_channels, signal_s)
    setup = _setup(rate_hz, n_channels)
    blocks = _blocks(volts, rate_hz)
    clock = _StageClock()
    floor, live, bulk, no_transients, no_flicker, _ = _interleaved(
        partial(_floor, volts, rate_hz),
        partial(_run, blocks, setup),
        partial(_run, blocks, replace(setup, frame_s=recording_frame_s(rate_hz))),
        partial(_run, blocks, replace(setup, transient_pct=None)),
        partial(_run, blocks, replace(setup, lamp_v=None)),
        partial(_run_timed, blocks, setup, clock),
    )
    n = volts.size
    stages = {name: clock.taken_ns[name] / REPEATS / n for name in (*dict(STAGES), REST)}
    whole = sum(stages.values())
    return PipelineCost(
        floor_ns=floor / n,
        live_ns=live / n,
        bulk_ns=bulk / n,
        stages_ns={name: ns / whole * live / n for name, ns in stages.items()},
        transients_ns=(live - no_transients) / n,
        flicker_ns=(live - no_flicker) / n,
    )


def steady_supply(rate_hz: int, n_channels: int, signal_s: int) -> NDArray[np.float32]:
    """A supply with 3 % harmonics, noise and a slowly wandering frequency; shape (n, channels)."""
    t_s = np.arange(signal_s * rate_hz) / rate_hz
    turn = np.arange(n_channels) * (2 * np.pi / 3 if n_channels == THREE_PHASE else 0.0)
    phase = (2 * np.pi * (50 * t_s + 0.02 * np.sin(0.3 * t_s)))[:, None] - turn
    wave = np.sin(phase) + 0.02 * np.sin(5 * phase) + 0.02 * np.sin(7 * phase)
    wave += np.random.default_rng(1).normal(0, 0.001, wave.shape)
    volts: NDArray[np.float32] = (325 * wave).astype(np.float32)
    return volts


class _StageClock:
    """Processor time by stage: of each only what it takes itself, not what it calls of others."""

    def __init__(self) -> None:
        self.taken_ns = dict.fromkeys((*dict(STAGES), REST), 0)
        self._inside = [REST]
        self._since_ns = 0

    def begin(self) -> None:
        self._since_ns = time.thread_time_ns()

    def end(self) -> None:
        self._count()

    def timed(self, stage: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """The same function, its time counted for the stage."""

        @wraps(function)
        def wrapper(*args: Any) -> Any:
            self._count()
            self._inside.append(stage)
            try:
                return function(*args)
            finally:
                self._count()
                self._inside.pop()

        return wrapper

    def _count(self) -> None:
        now_ns = time.thread_time_ns()
        self.taken_ns[self._inside[-1]] += now_ns - self._since_ns
        self._since_ns = now_ns


@contextmanager
def _watched(clock: _StageClock) -> Iterator[None]:
    """Every entrance of a stage timed, until this is left."""
    with ExitStack() as undo:
        for stage, entrances in STAGES:
            for owner, name in entrances:
                function = getattr(owner, name)
                undo.callback(setattr, owner, name, function)
                setattr(owner, name, clock.timed(stage, function))
        yield


def _interleaved(*runs: Callable[[], None]) -> list[float]:
    """Least processor time of each in ns, taken in turns."""
    times: list[list[int]] = [[] for _ in runs]
    for _ in range(REPEATS):
        for run, taken in zip(runs, times, strict=True):
            start = time.process_time_ns()
            run()
            taken.append(time.process_time_ns() - start)
    return [float(min(taken)) for taken in times]


def _floor(volts: NDArray[np.float32], rate: int) -> None:
    interval = rate // 5
    for start in range(0, len(volts), rate):
        for column in range(volts.shape[1]):
            scaled = volts[start : start + rate, column].astype(np.float64) * 1.0
            np.cumsum(scaled * scaled)
            np.diff(scaled)
            for first in range(0, rate - interval + 1, interval):
                np.fft.rfft(scaled[first : first + interval])


def _setup(rate_hz: int, n_channels: int) -> PipelineSetup:
    """With everything watched that is watched by default."""
    is_three_phase = n_channels == THREE_PHASE
    return PipelineSetup(
        sample_rate_hz=float(rate_hz),
        full_scale_v=800.0,
        supply=Supply(230.0, 50),
        channels=tuple(ChannelSetup(f"L{n + 1}", n, 1.0, 0.0) for n in range(n_channels)),
        limits=VoltageLimits.from_percent(230.0, 90, 110, 5, 2),
        slow_limits=SlowLimits(5.0, 1.0, 1.0),
        transient_pct=20.0,
        frame_s=LIVE_FRAME_S,
        wiring=Wiring.THREE_PHASE if is_three_phase else Wiring.SINGLE_PHASE,
    )


def _blocks(volts: NDArray[np.float32], rate_hz: int) -> list[Block]:
    """As drivers hand them on: of 20 ms each. Making them is no part of the pipeline."""
    step = rate_hz // 50
    return [Block(start, volts[start : start + step]) for start in range(0, len(volts), step)]


def _run(blocks: list[Block], setup: PipelineSetup) -> None:
    pipeline = Pipeline(setup)
    for block in blocks:
        pipeline.feed(block)
    pipeline.finish()


def _run_timed(blocks: list[Block], setup: PipelineSetup, clock: _StageClock) -> None:
    with _watched(clock):
        clock.begin()
        _run(blocks, setup)
        clock.end()
