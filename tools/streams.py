"""A known voltage on its way through the pipeline, and everything the pipeline gave for it."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from daemon.measure.channel import Supply
from daemon.pipeline import Pipeline
from daemon.plan import ChannelSetup, PipelineSetup
from daemon.records import (
    BasicInterval,
    Event,
    Gap,
    HalfCycles,
    Output,
    TenMinuteValue,
    TenSecondFrequency,
)
from daemon.slow_events import SlowLimits
from daemon.thresholds import VoltageLimits
from drivers.source import Block
from tools.waves import Floats

Wave = Callable[[Floats], Floats]  # volts at some instants in s: (n,), or (n, n_channels)

DECLARED_V = 230.0
PIECE_S = 5.0  # a long voltage is made and measured in pieces of this length


def plain_setup(
    rate_hz: float,
    frequency_hz: int = 50,
    channels: Sequence[str] = ("L1",),
    interruption_pct: float = 5,
) -> PipelineSetup:
    """230 V that need no scaling, the usual thresholds, no flicker; a column for each channel."""
    return PipelineSetup(
        sample_rate_hz=rate_hz,
        full_scale_v=1e6,
        supply=Supply(DECLARED_V, frequency_hz),
        channels=tuple(ChannelSetup(name, n, 1.0, 0.0) for n, name in enumerate(channels)),
        limits=VoltageLimits.from_percent(DECLARED_V, 90, 110, interruption_pct, 2),
        slow_limits=SlowLimits(None, None),
        lamp_v=None,
    )


@dataclass(frozen=True, slots=True)
class Ran:
    """Everything a pipeline gave for a whole stream."""

    half_cycles: tuple[HalfCycles, ...]  # one for each channel
    intervals: tuple[BasicInterval, ...]
    frequencies: tuple[TenSecondFrequency, ...]
    ten_minute: tuple[TenMinuteValue, ...]
    told: tuple[Event, ...]  # every time an event was handed on
    gaps: tuple[Gap, ...]

    def intervals_pct(self) -> Floats:
        """rms of the basic intervals in % of 230 V."""
        return np.array([part.urms_v for part in self.intervals]) / DECLARED_V * 100

    @property
    def events(self) -> list[Event]:
        """Each event as it was handed on last, in order of their starts."""
        latest = {event.number: event for event in self.told}
        return sorted(latest.values(), key=lambda event: (event.start_s, event.number))


def run(volts: NDArray[np.floating], setup: PipelineSetup) -> Ran:
    """A whole stream, in one block."""
    return run_blocks(blocks(volts, []), setup)


def run_wave(wave: Wave, duration_s: float, setup: PipelineSetup) -> Ran:
    """A voltage given as a function of time, in pieces."""
    return run_blocks(wave_blocks(wave, duration_s, setup.sample_rate_hz), setup)


def wave_blocks(wave: Wave, duration_s: float, rate_hz: float) -> Iterable[Block]:
    """The samples of a voltage given as a function of time."""
    n_samples, piece = round(duration_s * rate_hz), round(PIECE_S * rate_hz)
    for first in range(0, n_samples, piece):
        index = np.arange(first, min(first + piece, n_samples))
        volts = wave(np.asarray((index + 0.5) / rate_hz)).astype(np.float32)
        yield Block(first, volts if volts.ndim == 2 else volts[:, None])


def run_blocks(parts: Iterable[Block], setup: PipelineSetup) -> Ran:
    """A stream block by block."""
    pipeline = Pipeline(setup)
    outputs = [pipeline.feed(part) for part in parts]
    return _collect([*outputs, pipeline.finish()], len(setup.channels))


def blocks(volts: NDArray[np.floating], cuts: Sequence[int], first_index: int = 0) -> list[Block]:
    """The stream cut before each of the sample numbers in `cuts`, counted from its first sample."""
    columns = np.asarray(volts, np.float32)
    if columns.ndim == 1:
        columns = columns[:, None]
    edges = [0, *sorted(cuts), len(columns)]
    return [
        Block(first_index + start, columns[start:stop])
        for start, stop in pairwise(edges)
        if stop > start
    ]


def _collect(outputs: list[Output], n_channels: int) -> Ran:
    halves = [part for output in outputs for part in output.half_cycles]
    return Ran(
        half_cycles=tuple(_joined(halves, number) for number in range(n_channels)),
        intervals=tuple(part for output in outputs for part in output.intervals),
        frequencies=tuple(part for output in outputs for part in output.frequencies),
        ten_minute=tuple(part for output in outputs for part in output.ten_minute),
        told=tuple(part for output in outputs for part in output.events),
        gaps=tuple(part for output in outputs for part in output.gaps),
    )


def _joined(parts: list[HalfCycles], channel: int) -> HalfCycles:
    ours = [part for part in parts if part.channel == channel]
    return HalfCycles(
        channel,
        np.concatenate([part.start_index for part in ours]),
        np.concatenate([part.period for part in ours]),
        np.concatenate([part.urms_v for part in ours]),
    )
