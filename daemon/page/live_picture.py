"""The live waveform and the harmonics of one channel, as shapes."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.page.axis import ACROSS, Linear, Tick, curve, thinned
from daemon.page.words import ordinal
from daemon.status import ChannelStatus, Snapshot

HEIGHT = 120
SHOWN_CYCLES = 2
SHOWN_ORDERS = 25  # above these a supply has next to nothing; all 50 are in /api/status
BAR_ORDERS = range(2, SHOWN_ORDERS + 1)
_HEADROOM = 1.25
_LEAST_TOP_PCT = 3.0


@dataclass(frozen=True, slots=True)
class WavePicture:
    """The waveform, and the sine that the declared voltage would be, dotted behind it."""

    path: str
    ideal: str
    levels: tuple[Tick, ...]
    words: str


@dataclass(frozen=True, slots=True)
class Bar:
    """One harmonic; positions in % across, and in pixels."""

    order: int
    left: float
    width: float
    top: float
    height: float
    label: str


@dataclass(frozen=True, slots=True)
class HarmonicPicture:
    """Bars of the orders 2 to `SHOWN_ORDERS`, in % of the fundamental."""

    bars: tuple[Bar, ...]
    levels: tuple[Tick, ...]
    words: str


def wave_picture(snapshot: Snapshot, channel: ChannelStatus) -> WavePicture | None:
    """Two cycles from a rising zero of the fundamental, so that the picture stands still."""
    samples = snapshot.waveform.channels.get(channel.name, ())
    volts = np.array([0.0 if value is None else value for value in samples])
    hz = snapshot.frequency_hz or snapshot.supply.frequency_hz
    period = snapshot.waveform.sample_rate_hz / hz if hz else 0.0
    n_shown = round(SHOWN_CYCLES * period)
    if period < 8 or len(volts) < n_shown:
        return None
    first = min(_rising_zero(volts, period), len(volts) - n_shown)
    shown = volts[first : first + n_shown]
    peak_v = snapshot.supply.nominal_v * math.sqrt(2)
    top_v = max(peak_v * _HEADROOM, 1.05 * float(np.abs(shown).max()))
    height = Linear(-top_v, top_v, HEIGHT, 0)
    places, values = thinned(shown, 160)
    angle = np.linspace(0, 2 * math.pi * SHOWN_CYCLES, 81)
    ideal = [height.at(float(v)) for v in peak_v * np.sin(angle)]
    return WavePicture(
        path=curve(places * ACROSS, [height.at(v) for v in values]),
        ideal=curve(np.linspace(0, ACROSS, 81), ideal),
        levels=tuple(
            Tick(height.at(level), f"{level:+.0f} V" if level else "0")
            for level in (peak_v, 0.0, -peak_v)
        ),
        words=(
            f"Waveform of {channel.name}, two cycles, from {shown.min():.0f} to "
            f"{shown.max():.0f} V; dotted: a pure sine of the declared voltage"
        ),
    )


def _rising_zero(volts: NDArray[np.float64], period: float) -> int:
    """Where the fundamental of the first cycle rises through zero: its phase by correlation."""
    count = round(period)
    turns = 2 * math.pi * np.arange(count) / period
    piece = volts[:count]
    phase = math.atan2(float(piece @ np.cos(turns)), float(piece @ np.sin(turns)))
    return round((-phase % (2 * math.pi)) / (2 * math.pi) * period)


def harmonic_picture(channel: ChannelStatus, limit_pct: float | None) -> HarmonicPicture | None:
    """The harmonics of the latest basic interval.

    :param limit_pct: above which distortion is kept as an event, for nothing but the scale.
    """
    shown = {
        order: channel.harmonics_pct[order - 1] or 0.0
        for order in BAR_ORDERS
        if order <= len(channel.harmonics_pct)
    }
    if not shown:
        return None
    largest_pct = max(shown.values())
    top_pct = float(max(_LEAST_TOP_PCT, limit_pct or 0.0, math.ceil(largest_pct)))
    height = Linear(0.0, top_pct, HEIGHT, 0)
    pitch = 100 / len(BAR_ORDERS)
    bars = []
    for order, pct in shown.items():
        top = height.at(pct)
        left = round((order - 2 + 0.18) * pitch, 2)
        label = str(order) if order % 2 else ""
        bars.append(Bar(order, left, round(0.64 * pitch, 2), top, round(HEIGHT - top, 2), label))
    ranked = sorted(shown, key=lambda order: -shown[order])[:3]
    found = ", ".join(f"{ordinal(order)} {shown[order]:.1f} %" for order in ranked)
    levels = [Tick(height.at(level), f"{level:g} %") for level in (top_pct, top_pct / 2, 0.0)]
    words = f"Harmonics of {channel.name} in % of the fundamental; the largest: {found}"
    return HarmonicPicture(tuple(bars), tuple(levels), words)
