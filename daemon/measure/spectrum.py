"""Harmonic subgroups of one basic interval (IEC 61000-4-7, THDS).

The interval lasts a whole number of cycles but hardly ever a whole number of samples. Instead of
resampling it, the transform is taken over the nearest length that transforms quickly, and what
that difference makes each harmonic leak into the other lines is computed in closed form and
taken out. For steady harmonics the result is the one a window of the exact length would give.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

MAX_ORDER = 50
LENGTH_SLACK = 0.0006  # share of the window by which its length may differ: 0.3 line at order 50
USABLE_BAND = 0.45  # of the sampling rate: above it lies the converter's own filter edge


@lru_cache(maxsize=4096)
def good_length(n_samples: int) -> int:
    """The length next to `n_samples` that transforms fastest: prime factors make it slow."""
    slack = int(n_samples * LENGTH_SLACK)
    return min(
        range(n_samples - slack, n_samples + slack + 1),
        key=lambda n: _factor_cost(n) + 2 * abs(n - n_samples),
    )


def _factor_cost(n: int) -> int:
    cost, factor = 0, 2
    while factor * factor <= n:
        while n % factor == 0:
            cost, n = cost + factor, n // factor
        factor += 1
    return cost + (n if n > 1 else 0)


@lru_cache(maxsize=64)
def _leak_paths(n_cycles: int, n_orders: int) -> tuple[NDArray[np.intp], Floats]:
    """The three lines of each order, and the weight 1/(pi d) with which a tone reaches them.

    d is how far the line lies below the tone. A tone's own three lines lie too near for this.
    """
    centres = n_cycles * np.arange(1, n_orders + 1)
    lines = (centres[:, None] + np.array([-1, 0, 1])).ravel()
    distance = (centres[:, None] - lines).astype(np.float64)
    is_far = np.abs(distance) > 1
    weight = np.divide(1, np.pi * distance, where=is_far, out=np.zeros_like(distance))
    return lines, weight


def measurable_orders(sample_rate_hz: float, frequency_hz: float) -> int:
    """The highest harmonic order, up to 50, that this sampling rate can show."""
    return int(min(MAX_ORDER, USABLE_BAND * sample_rate_hz // frequency_hz))


def harmonic_subgroups(
    volts: Floats, start_index: Floats, length: Floats, n_cycles: int, n_orders: int
) -> Floats:
    """rms in V of the harmonic subgroups of several intervals of `n_cycles` each.

    :param volts: samples, reaching a thousandth of `length` beyond the last window.
    :param start_index, length: of each window, in samples.
    :returns: shape (n_intervals, 50); NaN where the rate cannot show an order.
    """
    lines, weight = _leak_paths(n_cycles, n_orders)
    n_samples = np.array([good_length(round(span)) for span in length.tolist()])
    spectrum = np.empty((len(length), len(lines)), np.complex128)
    for row, (start, n) in enumerate(zip(start_index.tolist(), n_samples.tolist(), strict=True)):
        first = max(0, min(round(start), len(volts) - n))
        spectrum[row] = np.fft.rfft(volts[first : first + n])[lines] * (np.sqrt(2) / n)
    excess = n_cycles * (n_samples / length - 1)
    fundamental = _take_out_fundamental(spectrum, lines, excess, n_samples)
    clean = _without_leakage(spectrum, excess, weight)
    clean[:, 1] = fundamental
    rms = np.full((len(length), MAX_ORDER), np.nan)
    power = clean.real**2 + clean.imag**2
    rms[:, :n_orders] = np.sqrt(power.reshape(len(length), n_orders, 3).sum(axis=2))
    return rms


def distortion_pct(subgroups_v: Floats) -> Floats:
    """THDS over the orders that could be measured, in % of the fundamental subgroup."""
    harmonics = np.sqrt(np.nansum(subgroups_v[:, 1:] ** 2, axis=1))
    fundamental = subgroups_v[:, 0]
    ratio: Floats = np.divide(
        harmonics, fundamental, where=fundamental > 0, out=np.zeros_like(fundamental)
    )
    return 100 * ratio


# A tone A that lies x lines off line c shows on line k as
#     A e^(j pi x) sin(pi x) (cot(pi y / n) - j) / n,   y = c + x - k, n the transform's length:
# close to 1/(pi y) for a small y, and sinc(x) in place of the sine's quotient on line c itself.


def _take_out_fundamental(
    spectrum: Phasors, lines: NDArray[np.intp], excess: Floats, n_samples: NDArray[np.intp]
) -> Phasors:
    """Subtract the fundamental and its mirror image from every line, exactly; its phasors."""
    x, n = excess[:, None], n_samples[:, None]
    place = lines[1] + x
    off_line = np.exp(1j * np.pi * x) * np.sin(np.pi * x)
    mirror = -np.conj(off_line) * (1 / np.tan(-np.pi * (place + lines) / n) - 1j) / n
    y = np.pi * (place - lines) / n
    on_line = np.abs(lines - lines[1]) == 0
    cotangent = np.divide(1, np.tan(y), where=~on_line, out=np.zeros_like(y))
    direct = off_line * (cotangent - 1j) / n
    gain = np.exp(1j * np.pi * x) * np.sinc(x)
    direct[:, on_line] = gain
    tone = spectrum[:, on_line] / gain
    for _ in range(2):  # its own mirror image reaches it, by less than a thousandth
        tone = (spectrum[:, on_line] - np.conj(tone) * mirror[:, on_line]) / gain
    spectrum -= tone * direct + np.conj(tone) * mirror
    phasors: Phasors = tone[:, 0]
    return phasors


def _without_leakage(spectrum: Phasors, excess: Floats, weight: Floats) -> Phasors:
    """Move each harmonic's energy back onto its own line; mirror images are too far to matter."""
    x = excess[:, None] * np.arange(1, len(weight) + 1)
    turn = np.exp(1j * np.pi * x)
    gain, off_line = turn * np.sinc(x), turn * np.sin(np.pi * x)
    centres = slice(1, None, 3)
    leaked = _spread(spectrum[:, centres] / gain * off_line, weight)[:, centres]
    tones = (spectrum[:, centres] - leaked) / gain
    source = tones * off_line
    clean = spectrum - _spread(source, weight)
    clean[:, 0::3] -= source / (np.pi * (x + 1))
    clean[:, centres] = tones
    clean[:, 2::3] -= source / (np.pi * (x - 1))
    return clean


def _spread(source: Phasors, weight: Floats) -> Phasors:
    """`source @ weight` without turning the weights complex, which would double the work."""
    n_rows = len(source)
    both = np.concatenate([source.real, source.imag]) @ weight
    spread: Phasors = both[:n_rows] + 1j * both[n_rows:]
    return spread
