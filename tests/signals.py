"""Known voltages and the way through the pipeline, as the tests use them."""

import math
from collections.abc import Sequence
from dataclasses import fields

import numpy as np

from daemon.measure.channel import Supply
from daemon.measure.grid import SlotGrid, SlotSchedule
from daemon.plan import ChannelSetup, PipelineSetup
from daemon.slow_events import SlowLimits
from daemon.thresholds import VoltageLimits
from tools.streams import Ran as Ran
from tools.streams import blocks as blocks
from tools.streams import run as run
from tools.streams import run_blocks as run_blocks
from tools.waves import MANY_CROSSINGS as MANY_CROSSINGS
from tools.waves import PEAK as PEAK
from tools.waves import STATE_2 as STATE_2
from tools.waves import STATE_3 as STATE_3
from tools.waves import Floats as Floats
from tools.waves import Harmonics as Harmonics
from tools.waves import envelope as envelope
from tools.waves import instants as instants
from tools.waves import supply_wave as supply_wave
from tools.waves import true_rms as true_rms


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


def slots_from(origin_index: float, rate_hz: float) -> SlotSchedule:
    """Slots of every length begin at this sample; the converter's rate is the nominal one."""
    return SlotSchedule(SlotGrid(-math.inf, origin_index, 0, rate_hz))


def flat(record: object) -> list[object]:
    """A record as plain values and bytes, so that equal means equal bit by bit."""
    if isinstance(record, np.ndarray):
        return [record.dtype.str, record.shape, record.tobytes()]
    if isinstance(record, tuple):
        return [flat(part) for part in record]
    if hasattr(record, "__dataclass_fields__"):
        return [flat(getattr(record, field.name)) for field in fields(record)]  # type: ignore[arg-type]
    return [repr(record)]
