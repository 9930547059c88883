"""What the measurement has to know beforehand."""

import math
from dataclasses import dataclass
from enum import StrEnum

from daemon.measure.channel import Supply
from daemon.measure.grid import SlotGrid
from daemon.slow_events import SlowLimits
from daemon.thresholds import VoltageLimits

LIVE_FRAME_S = 1.0
# A recording needs no quick answer, and long frames cost less, as long as they fit the cache.
BULK_FRAME_S = 40.0
BULK_FRAME_SAMPLES = 160_000
# What a live input brings while nothing disturbs needs no quick answer either: measured at once.
BATCH_S = 10.0


def recording_frame_s(sample_rate_hz: float) -> float:
    """The length of the frames in which a recording is measured, in s."""
    return min(BULK_FRAME_S, max(LIVE_FRAME_S, BULK_FRAME_SAMPLES / sample_rate_hz))


class Wiring(StrEnum):
    """What the lines have to do with each other."""

    SINGLE_PHASE = "single_phase"  # each on its own
    SPLIT_PHASE = "split_phase"
    THREE_PHASE = "three_phase"


class ChannelKind(StrEnum):
    """What a channel measures."""

    LINE = "line"  # the supply
    NEUTRAL_TO_EARTH = "neutral_to_earth"


@dataclass(frozen=True, slots=True)
class ChannelSetup:
    """One measured voltage: mains volts = gain x (input volts - offset)."""

    name: str
    column: int  # of the blocks
    gain_v_per_v: float
    offset_v: float
    kind: ChannelKind = ChannelKind.LINE


@dataclass(frozen=True, slots=True)
class PipelineSetup:
    """Everything the measurement has to know beforehand."""

    sample_rate_hz: float
    full_scale_v: float  # at the converter's input
    supply: Supply
    channels: tuple[ChannelSetup, ...]
    limits: VoltageLimits
    slow_limits: SlowLimits
    rapid_change_pct: float | None = None  # of the declared voltage; None: not watched
    transient_pct: float | None = None  # of the declared peak; None: not watched
    lamp_v: int | None = 230  # the flickermeter's reference lamp, 230 or 120; None: no flicker
    slot_origin_index: float = 0.0  # a sample index at which a 10-minute slot begins
    slot_origin_s: int = 0  # that moment, in seconds since 1970 UTC; 0: no clock says
    bandwidth_hz: float = float("inf")  # of the front end: no harmonic beyond it is stated
    frame_s: float = LIVE_FRAME_S  # samples are measured in pieces of this length
    wiring: Wiring = Wiring.SINGLE_PHASE
    is_converter: bool = False  # of hardware: its samples have noise
    neutral_earth_v: float | None = None  # over 150/180 cycles; None: not watched

    @property
    def frames_at_once(self) -> int:
        """So many frames are measured together while nothing disturbs, in bounded memory."""
        samples_per_s = self.sample_rate_hz * len(self.channels)
        batch_s = min(BATCH_S, BULK_FRAME_SAMPLES / samples_per_s)
        return max(1, int(batch_s / self.frame_s))

    @property
    def longest_s(self) -> float:
        """What is measured at once is not longer."""
        return self.frames_at_once * self.frame_s

    @property
    def slot_grid(self) -> SlotGrid:
        """Where the slots lie as far as is known beforehand."""
        rate_hz = self.sample_rate_hz
        return SlotGrid(-math.inf, self.slot_origin_index, self.slot_origin_s, rate_hz)

    @property
    def lines(self) -> tuple[int, ...]:
        """The numbers of the channels that measure the supply; there is at least one."""
        return tuple(
            number
            for number, channel in enumerate(self.channels)
            if channel.kind is ChannelKind.LINE
        )
