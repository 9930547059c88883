"""The latest values of each channel, and the scale they are shown on."""

from dataclasses import dataclass

from daemon.judge import steps_of
from daemon.page.duration_chart import Curve
from daemon.page.levels import Level
from daemon.page.live_picture import HarmonicPicture, WavePicture, harmonic_picture, wave_picture
from daemon.page.words import NOTHING, kind_words, number, ordinal, plain_words, value_words
from daemon.records import Kind
from daemon.status import CaptureStatus, ChannelStatus, Snapshot
from daemon.tolerance import Limits

LINE = "line"


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
    extra: str = ""

    def position(self, pct: float) -> float:
        """Where a value in % of declared voltage stands; off the scale means at its end."""
        share = (pct - self.low_pct) / (self.high_pct - self.low_pct)
        return round(100 * min(max(share, 0.01), 0.99), 2)


@dataclass(frozen=True, slots=True)
class ChannelView:
    """One channel, in words."""

    name: str
    is_line: bool  # it carries the declared voltage
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
    wave: WavePicture | None
    harmonics: HarmonicPicture | None


def declared_scale(snapshot: Snapshot, band_pct: tuple[float, float] | None = None) -> Scale:
    """From half a band below the band to half a band above it.

    :param band_pct: what the profile bears for ever; without one, what opens no event.
    """
    kept = (snapshot.capture.dip_pct, snapshot.capture.swell_pct)
    low, high = band_pct or kept
    margin = (high - low) / 2
    span = 2 * (high - low)
    nominal_v = snapshot.supply.nominal_v
    low_label, high_label, kept_low, kept_high = (
        f"{plain_words(round(pct * nominal_v / 100, 1))} V" for pct in (low, high, *kept)
    )
    is_same = (low_label, high_label) == (kept_low, kept_high)
    return Scale(
        low_pct=low - margin,
        high_pct=high + margin,
        band_start=100 * margin / span,
        band_width=100 * (high - low) / span,
        declared=round(100 * (100 - low + margin) / span, 2),
        low_label=low_label,
        declared_label=f"{plain_words(nominal_v)} V",
        high_label=high_label,
        extra="" if is_same else f"Events are kept below {kept_low} and above {kept_high}.",
    )


def lasting_band(curve: Curve) -> tuple[float, float] | None:
    """What the profile bears for ever on this supply, in % of declared voltage."""
    if not isinstance(curve.profile, Limits):
        return None
    levels = []
    for kind in (Kind.DIP, Kind.SWELL):
        steps = steps_of(curve.profile, kind, curve.nominal_v, curve.frequency_hz)
        levels += [step.level_pct for step in steps[-1:]]
    if len(levels) != 2 or not levels[0] < 100 < levels[1]:
        return None
    return levels[0], levels[1]


def channel_views(snapshot: Snapshot, scale: Scale) -> tuple[ChannelView, ...]:
    """Every channel in the order of the configuration."""
    return tuple(_channel_view(snapshot, channel, scale) for channel in snapshot.channels)


def _channel_view(snapshot: Snapshot, channel: ChannelStatus, scale: Scale) -> ChannelView:
    is_line = channel.kind == LINE
    level, word = Level.GOOD, channel.kind.replace("_", " ")
    if is_line:
        level, word = judge_voltage(channel.urms_pct, snapshot.capture)
    pct = channel.urms_pct
    return ChannelView(
        name=channel.name,
        is_line=is_line,
        level=level,
        word=word,
        voltage=value_words(channel.urms_v, "V"),
        percent=value_words(pct, "%") if is_line else "",
        marker=None if pct is None else scale.position(pct),
        is_off_scale=pct is not None and not scale.low_pct <= pct <= scale.high_pct,
        thd=value_words(channel.thd_pct, "%"),
        thd_word=_judge_distortion(channel.thd_pct, snapshot.capture),
        harmonic=_largest_harmonic(channel),
        crest_factor=number(channel.crest_factor, 2),
        open_event="" if channel.open_event is None else kind_words(channel.open_event),
        wave=wave_picture(snapshot, channel),
        harmonics=harmonic_picture(channel, snapshot.capture.distortion_pct),
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
