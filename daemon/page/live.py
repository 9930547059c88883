"""The latest values of each channel, and the scale they are shown on."""

from dataclasses import dataclass

from daemon.page.levels import Level
from daemon.page.words import NOTHING, kind_words, number, ordinal, plain_words, value_words
from daemon.status import CaptureStatus, ChannelStatus, Snapshot


@dataclass(frozen=True, slots=True)
class Scale:
    """The declared voltage band; positions in % of the scale's width."""

    low_pct: float  # of declared voltage, at the left end
    high_pct: float
    band_start: float
    band_width: float
    declared: float
    low_label: str
    declared_label: str
    high_label: str

    def position(self, pct: float) -> float:
        """Where a value in % of declared voltage stands; off the scale means at its end."""
        share = (pct - self.low_pct) / (self.high_pct - self.low_pct)
        return round(100 * min(max(share, 0.01), 0.99), 2)


@dataclass(frozen=True, slots=True)
class ChannelView:
    """One channel, in words."""

    name: str
    level: Level
    word: str
    voltage: str
    percent: str
    marker: float | None  # position on the scale
    is_off_scale: bool
    thd: str
    thd_word: str
    harmonic: str
    crest_factor: str
    open_event: str


def declared_scale(snapshot: Snapshot) -> Scale:
    """From half a band below the dip threshold to half a band above the swell threshold."""
    low, high = snapshot.capture.dip_pct, snapshot.capture.swell_pct
    margin = (high - low) / 2
    span = 2 * (high - low)
    nominal_v = snapshot.supply.nominal_v
    return Scale(
        low_pct=low - margin,
        high_pct=high + margin,
        band_start=100 * margin / span,
        band_width=100 * (high - low) / span,
        declared=round(100 * (100 - low + margin) / span, 2),
        low_label=f"{plain_words(round(low * nominal_v / 100, 1))} V",
        declared_label=f"{plain_words(nominal_v)} V",
        high_label=f"{plain_words(round(high * nominal_v / 100, 1))} V",
    )


def channel_views(snapshot: Snapshot) -> tuple[ChannelView, ...]:
    """Every channel in the order of the configuration."""
    return tuple(_channel_view(snapshot, channel) for channel in snapshot.channels)


def _channel_view(snapshot: Snapshot, channel: ChannelStatus) -> ChannelView:
    level, word = judge_voltage(channel.urms_pct, snapshot.capture)
    scale = declared_scale(snapshot)
    pct = channel.urms_pct
    return ChannelView(
        name=channel.name,
        level=level,
        word=word,
        voltage=value_words(channel.urms_v, "V"),
        percent=value_words(pct, "%"),
        marker=None if pct is None else scale.position(pct),
        is_off_scale=pct is not None and not scale.low_pct <= pct <= scale.high_pct,
        thd=value_words(channel.thd_pct, "%"),
        thd_word=_judge_distortion(channel.thd_pct, snapshot.capture),
        harmonic=_largest_harmonic(channel),
        crest_factor=number(channel.crest_factor, 2),
        open_event="" if channel.open_event is None else kind_words(channel.open_event),
    )


def judge_voltage(pct: float | None, capture: CaptureStatus) -> tuple[Level, str]:
    """The same thresholds that open an event; exactly on a threshold is normal."""
    if pct is None:
        return Level.UNKNOWN, "unknown"
    if pct < capture.interruption_pct:
        return Level.BAD, "interruption: no voltage"
    if pct < capture.dip_pct:
        return Level.BAD, "low: dip (sag)"
    if pct > capture.swell_pct:
        return Level.BAD, "high: swell"
    return Level.GOOD, "normal"


def _judge_distortion(thd_pct: float | None, capture: CaptureStatus) -> str:
    if thd_pct is None or capture.distortion_pct is None:
        return ""
    return "high" if thd_pct > capture.distortion_pct else "normal"


def _largest_harmonic(channel: ChannelStatus) -> str:
    orders = {
        order: pct
        for order, pct in enumerate(channel.harmonics_pct, start=1)
        if order > 1 and pct is not None
    }
    if not orders:
        return NOTHING
    order = max(orders, key=lambda candidate: orders[candidate])
    return f"{ordinal(order)}, {orders[order]:.1f} %"
