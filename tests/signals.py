"""Mains voltages whose every figure is known beforehand, and the way through the pipeline.

Samples sit at the middle of their intervals: sample n is taken at (n + 1/2) / rate, so an edge at
a whole multiple of 1/rate lies exactly between two samples and belongs to neither. In the
pipeline's numbering, where sample n is the instant n, the time t is the index t x rate - 1/2.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

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

Floats = NDArray[np.float64]
Harmonics = Mapping[float, tuple[float, float]]  # order: (% of the fundamental, degrees)

PEAK = np.sqrt(2)

# IEC 61000-4-30:2008 testing states (from memory of the 2003/2008 editions): harmonics with one
# interharmonic, each at the magnitude and angle the state names.
STATE_2: Harmonics = {3: (10, 0), 5: (5, 0), 29: (5, 0), 7.5: (1, 0)}
STATE_3: Harmonics = {7: (10, 180), 13: (5, 0), 25: (5, 0), 3.5: (1, 0)}
# IEC 61000-4-15 ed. 2, the distorted voltage with many zero crossings (levels from memory); all
# harmonics stand at 180 degrees to the fundamental, which gives it seven crossings a cycle.
MANY_CROSSINGS: Harmonics = {
    order: (percent, 180)
    for order, percent in {
        3: 5, 5: 6, 7: 5, 9: 1.5, 11: 3.5, 13: 3, 17: 2, 19: 1.76, 23: 1.41, 25: 1.27, 29: 1.06,
        31: 0.97,
    }.items()
}  # fmt: skip


def instants(rate_hz: float, duration_s: float) -> Floats:
    """The times in s at which the samples are taken."""
    return np.asarray((np.arange(round(rate_hz * duration_s)) + 0.5) / rate_hz, np.float64)


def supply_wave(
    cycles: Floats, rms_v: ArrayLike = 1.0, harmonics: Harmonics | None = None
) -> Floats:
    """A voltage at the given phases of its fundamental, in cycles; `rms_v` is the fundamental's."""
    volts = np.sin(2 * np.pi * cycles)
    for order, (percent, degrees) in (harmonics or {}).items():
        angle = 2 * np.pi * order * cycles + np.deg2rad(degrees)
        volts += percent / 100 * np.sin(angle)
    return np.asarray(PEAK * np.asarray(rms_v) * volts, np.float64)


def true_rms(rms_v: float, harmonics: Harmonics | None = None) -> float:
    """rms in V over many cycles of a wave of orders that do not repeat."""
    power = sum((percent / 100) ** 2 for percent, _ in (harmonics or {}).values())
    return rms_v * float(np.sqrt(1 + power))


def envelope(time_s: Floats, steps: Iterable[tuple[float, float, float]]) -> Floats:
    """1, and within each (start_s, stop_s) the share given with it."""
    share = np.ones(len(time_s))
    for start_s, stop_s, level in steps:
        first, stop = np.searchsorted(time_s, [start_s, stop_s])
        share[first:stop] = level
    return share


def make_setup(
    rate_hz: float = 16000,
    declared_v: float = 230,
    frequency_hz: int = 50,
    channels: Sequence[str] = ("L1",),
    slow_limits: SlowLimits | None = None,
    slot_origin_index: float = 0,
    dip: float = 90,
    swell: float = 110,
    interruption: float = 5,
    hysteresis: float = 2,
) -> PipelineSetup:
    """A pipeline for volts that need no scaling; one column for each channel."""
    return PipelineSetup(
        sample_rate_hz=rate_hz,
        full_scale_v=1e6,
        supply=Supply(declared_v, frequency_hz),
        channels=tuple(ChannelSetup(name, n, 1.0, 0.0) for n, name in enumerate(channels)),
        limits=VoltageLimits.from_percent(declared_v, dip, swell, interruption, hysteresis),
        slow_limits=slow_limits or SlowLimits(None, None),
        slot_origin_index=slot_origin_index,
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

    @property
    def events(self) -> list[Event]:
        """Each event as it was handed on last, in order of their starts."""
        latest = {event.number: event for event in self.told}
        return sorted(latest.values(), key=lambda event: (event.start_s, event.number))


def run(volts: NDArray[np.floating], setup: PipelineSetup) -> Ran:
    """A whole stream, in one block."""
    return run_blocks(blocks(volts, []), setup)


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


def flat(record: object) -> list[object]:
    """A record as plain values and bytes, so that equal means equal bit by bit."""
    if isinstance(record, np.ndarray):
        return [record.dtype.str, record.shape, record.tobytes()]
    if isinstance(record, tuple):
        return [flat(part) for part in record]
    if hasattr(record, "__dataclass_fields__"):
        return [flat(getattr(record, field.name)) for field in fields(record)]  # type: ignore[arg-type]
    return [repr(record)]
