"""From the configuration and what the input can do to what the measurement has to know."""

import math

from daemon.errors import InputError
from daemon.measure.channel import Supply
from daemon.plan import (
    LIVE_FRAME_S,
    ChannelKind,
    ChannelSetup,
    PipelineSetup,
    Wiring,
    recording_frame_s,
)
from daemon.settings import Settings
from daemon.slow_events import SlowLimits
from daemon.thresholds import VoltageLimits
from drivers.registry import find_driver
from drivers.source import SourceInfo

LOWEST_DISTORTION_ORDER = 13  # up to here reaches most of what rectifiers cause (common practice)
BASIC_INTERVAL_S = 0.2
LOWEST_FLICKER_RATE_HZ = 1000.0
LOWEST_RATE_HZ = 600.0  # ten samples a cycle at 60 Hz: below it one-cycle rms means little


def pipeline_setup(
    settings: Settings, info: SourceInfo, slot_origin_index: float = 0.0, slot_origin_s: int = 0
) -> PipelineSetup:
    """Everything the pipeline needs.

    :raises InputError: a channel asks for an input that there is not.
    """
    supply, capture = settings.supply, settings.capture
    if info.sample_rate_hz < LOWEST_RATE_HZ:
        raise InputError(
            f"the input delivers {info.sample_rate_hz:g} samples a second; "
            f"at least {LOWEST_RATE_HZ:g} are needed"
        )
    return PipelineSetup(
        sample_rate_hz=info.sample_rate_hz,
        full_scale_v=info.full_scale_v,
        supply=Supply(supply.nominal_v, supply.frequency_hz),
        channels=_channels(settings, info),
        limits=VoltageLimits.from_percent(
            supply.nominal_v,
            dip=capture.dip_pct,
            swell=capture.swell_pct,
            interruption=capture.interruption_pct,
            hysteresis=capture.hysteresis_pct,
        ),
        slow_limits=SlowLimits(
            distortion_pct=_distortion_pct(settings, info),
            frequency_pct=capture.frequency_pct,
            flicker_pst=capture.flicker_pst,
            unbalance_pct=capture.unbalance_pct,
        ),
        rapid_change_pct=capture.rapid_change_pct,
        # Sampled at the program's own pace, a late sample looks like a transient.
        transient_pct=None if info.jitter_s > 0 else capture.transient_pct,
        lamp_v=_lamp_v(settings, info),
        slot_origin_index=slot_origin_index,
        slot_origin_s=slot_origin_s,
        bandwidth_hz=info.bandwidth_hz,
        frame_s=LIVE_FRAME_S if info.is_live else recording_frame_s(info.sample_rate_hz),
        wiring=Wiring(supply.wiring),
        is_converter=find_driver(settings.driver.name).is_hardware,
        neutral_earth_v=capture.neutral_earth_v,
    )


def _distortion_pct(settings: Settings, info: SourceInfo) -> float | None:
    """The limit, unless the input cannot tell distortion from its own shortcomings.

    An rms error of `jitter_s` in the sampling instant spreads 2 pi f jitter of the fundamental
    evenly over the band; three lines of it fall into each subgroup.
    """
    limit_pct, frequency_hz = settings.capture.distortion_pct, settings.supply.frequency_hz
    if limit_pct is None or info.bandwidth_hz < LOWEST_DISTORTION_ORDER * frequency_hz:
        return None
    orders = min(50.0, info.bandwidth_hz / frequency_hz)
    share_in_subgroups = 3 * orders / (info.sample_rate_hz * BASIC_INTERVAL_S / 2)
    floor_pct = 100 * 2 * math.pi * frequency_hz * info.jitter_s * math.sqrt(share_in_subgroups)
    return limit_pct if floor_pct < limit_pct / 3 else None


def _lamp_v(settings: Settings, info: SourceInfo) -> int | None:
    """The flickermeter's reference lamp; none when the rate cannot show flicker."""
    if info.sample_rate_hz < LOWEST_FLICKER_RATE_HZ:
        return None
    nominal_v = settings.supply.nominal_v
    return settings.supply.lamp_v or (230 if nominal_v > 160 else 120)


def _channels(settings: Settings, info: SourceInfo) -> tuple[ChannelSetup, ...]:
    if settings.channels is None:
        return tuple(ChannelSetup(name, n, 1.0, 0.0) for n, name in enumerate(info.inputs))
    for position, channel in enumerate(settings.channels):
        if channel.input >= len(info.inputs):
            raise InputError(
                f"channels.{position}.input is {channel.input}, but the driver has only "
                f"{len(info.inputs)} input(s), numbered from 0: {', '.join(info.inputs)}"
            )
    return tuple(
        ChannelSetup(
            channel.name,
            channel.input,
            channel.gain_v_per_v,
            channel.offset_v,
            ChannelKind(channel.kind),
        )
        for channel in settings.channels
    )
