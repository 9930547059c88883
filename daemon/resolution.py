"""What a sampling rate can show of a transient, stated with every reading.

A sine's peak that falls between two samples is read low by up to 1 - cos(pi f / fs). A triangle
of width w at half height is read low by up to 1 / (2 w fs). Both follow from the shape alone;
what the sensor and the converter's own filter take off comes on top and cannot be seen from here.

Both take it that samples lie on both sides of the peak. A ring that begins at its peak, as where a
capacitor is switched, has none before it: the first sample may come a whole interval later, and the
next lobe is smaller by what has decayed meanwhile.
"""

import math
from dataclasses import dataclass

FULL_LOSS = 0.05  # a peak within 5 % counts as read in full
USABLE_LOSS = 0.10  # within 10 % as usable
NARROWEST_SAMPLES = 2.5  # narrower impulses may fall between samples or vanish in the filter


def sine_loss_share(frequency_hz: float, sample_rate_hz: float) -> float:
    """Largest share of a sine's peak lost between samples; 1 from half the rate on."""
    if frequency_hz >= sample_rate_hz / 2:
        return 1.0
    return 1.0 - math.cos(math.pi * frequency_hz / sample_rate_hz)


def sudden_loss_share(frequency_hz: float, decay_s: float, sample_rate_hz: float) -> float:
    """Largest share of the peak lost of cos(2 pi f t) exp(-t / decay) that begins at t = 0.

    The first sample may be a whole interval late, and then the better of two is read: that one,
    or one at most half an interval beside the peak of the next lobe, half a period later.
    """
    turn, interval_s = math.pi * frequency_hz / sample_rate_hz, 1 / sample_rate_hz
    if frequency_hz >= sample_rate_hz / 4:
        return 1.0
    first = math.cos(2 * turn) * math.exp(-interval_s / decay_s)
    later_s = 0.5 / frequency_hz + interval_s / 2
    return 1.0 - max(first, math.cos(turn) * math.exp(-later_s / decay_s))


def impulse_loss_share(width_s: float, sample_rate_hz: float) -> float:
    """Largest share of a triangle's peak lost between samples; `width_s` at half its height."""
    n_samples = width_s * sample_rate_hz
    return 1.0 if n_samples <= 0.5 else 0.5 / n_samples


@dataclass(frozen=True, slots=True)
class Resolution:
    """Limits of one sampling rate."""

    sample_rate_hz: float
    full_to_hz: float  # oscillations up to here are read within 5 %
    usable_to_hz: float  # up to here within 10 %
    narrowest_s: float  # an impulse narrower than this at half height may be missed
    full_from_s: float  # impulses at least this wide are read within 5 %
    text: str

    def peak_loss_pct(self, width_s: float, oscillation_hz: float | None) -> float:
        """By how many % at most the sampling alone made a transient's deviation read low.

        Of one that rises to its peak; `sudden_loss_share` is for a ring that begins there.
        """
        if oscillation_hz is not None:
            return 100 * sine_loss_share(oscillation_hz, self.sample_rate_hz)
        return 100 * impulse_loss_share(width_s, self.sample_rate_hz)

    def is_resolved(self, width_s: float, oscillation_hz: float | None) -> bool:
        """Whether a transient's size may be quoted; its presence may be in any case."""
        if oscillation_hz is not None:
            return oscillation_hz <= self.usable_to_hz
        return width_s >= self.narrowest_s


def resolution(sample_rate_hz: float) -> Resolution:
    """What samples at this rate can show."""
    full_to_hz = math.acos(1 - FULL_LOSS) / math.pi * sample_rate_hz
    usable_to_hz = math.acos(1 - USABLE_LOSS) / math.pi * sample_rate_hz
    narrowest_s = NARROWEST_SAMPLES / sample_rate_hz
    full_from_s = 0.5 / FULL_LOSS / sample_rate_hz
    text = (
        f"At {sample_rate_hz / 1000:g} kS/s oscillations up to {_frequency(full_to_hz)} are read "
        f"within 5 %, up to {_frequency(usable_to_hz)} within 10 %; impulses from "
        f"{_time(full_from_s)} wide on within 5 %. Impulses narrower than {_time(narrowest_s)} may "
        "be missed, and their size is not known. A peak that is there at once, as where a "
        "capacitor is switched, may be read lower than that. Nothing is claimed about impulses "
        "of a microsecond or less; the sensor and the converter's filter can take off more."
    )
    return Resolution(sample_rate_hz, full_to_hz, usable_to_hz, narrowest_s, full_from_s, text)


def _frequency(frequency_hz: float) -> str:
    # Rounded down: a limit must not promise more than it holds.
    if frequency_hz < 1000:
        return f"{math.floor(frequency_hz / 10) * 10:g} Hz"
    return f"{math.floor(frequency_hz / 100) / 10:g} kHz"


def _time(seconds: float) -> str:
    if seconds >= 1e-3:
        return f"{math.ceil(seconds * 1e5) / 100:g} ms"
    return f"{math.ceil(seconds * 1e6):g} µs"
