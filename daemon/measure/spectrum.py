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
LENGTH_SLACK = 0.001  # share of the window by which its length may differ: half a line at order 50
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


# A tone B that lies x lines off its line c shows there as B sinc(x), and on line k as
#     B sin(pi x) (cot(pi (c + x - k) / n) - j) / n,   n the length of the transform.
# B is the tone's phasor turned by pi x; only its size matters here. The tone's mirror image at -c
# reaches line k likewise, conjugated: of the constants -j and +j twice the imaginary part is left.


@lru_cache(maxsize=16)
def _leak_weight(n_cycles: int, n_orders: int, n_samples: int) -> tuple[Floats, Floats]:
    """How the real and the imaginary part of each order reach the three lines of every order.

    The second half of the rows is for the same parts times x: the cotangent's slope. A tone's
    own lines lie too near for all this, and the fundamental is treated by itself.
    """
    centres, lines = _lines(n_cycles, n_orders)
    turn = np.pi / n_samples
    distance = centres[:, None] - lines
    is_far = np.abs(distance) > 1
    direct = np.divide(1, np.tan(turn * distance), where=is_far, out=np.zeros(distance.shape))
    slope = np.divide(
        -turn, np.sin(turn * distance) ** 2, where=is_far, out=np.zeros(distance.shape)
    )
    mirror = 1 / np.tan(turn * (centres[:, None] + lines))
    direct[0] = slope[0] = mirror[0] = 0
    real = np.concatenate([direct + mirror, slope]) / n_samples
    imaginary = np.concatenate([direct - mirror, slope]) / n_samples
    return real, imaginary


def _lines(n_cycles: int, n_orders: int) -> tuple[Floats, Floats]:
    """The centre line of every order, and the three lines of every order in a row."""
    centres = n_cycles * np.arange(1.0, n_orders + 1)
    return centres, (centres[:, None] + np.array([-1, 0, 1])).ravel()


@lru_cache(maxsize=64)
def _fundamental_leak(
    n_cycles: int, n_orders: int, n_samples: tuple[int, ...]
) -> tuple[Phasors, Phasors]:
    """How the fundamental and its mirror image reach the three lines of every order.

    :returns: for each length in `n_samples` one row.
    """
    _, lines = _lines(n_cycles, n_orders)
    n = np.array(n_samples)[:, None]
    is_own = np.broadcast_to(lines == n_cycles, (len(n), len(lines)))
    tangent = np.tan(np.pi / n * (n_cycles - lines))
    cotangent = np.divide(1, tangent, where=~is_own, out=np.zeros_like(tangent))
    direct = (cotangent - 1j) / n
    direct[is_own] = 0
    mirror = (1 / np.tan(np.pi / n * (n_cycles + lines)) + 1j) / n
    return direct.astype(np.complex128), mirror.astype(np.complex128)


def measurable_orders(
    sample_rate_hz: float, frequency_hz: float, bandwidth_hz: float = np.inf
) -> int:
    """The highest harmonic order, up to 50, that this rate and front end can show."""
    highest_hz = min(USABLE_BAND * sample_rate_hz, bandwidth_hz)
    return int(max(1, min(MAX_ORDER, highest_hz // frequency_hz)))


def harmonic_subgroups(
    volts: Floats, start_index: Floats, length: Floats, n_cycles: int, n_orders: int
) -> Floats:
    """rms in V of the harmonic subgroups of several intervals of `n_cycles` each.

    :param volts: samples, reaching a thousandth of `length` beyond the last window.
    :param start_index, length: of each window, in samples.
    :returns: shape (n_intervals, 50); NaN where the rate cannot show an order.
    """
    n_samples = [good_length(round(span)) for span in length.tolist()]
    spectrum = np.empty((len(length), n_orders, 3), np.complex128)
    first_line, stop_line = n_cycles - 1, n_cycles - 1 + n_cycles * n_orders
    for row, (start, n) in enumerate(zip(start_index.tolist(), n_samples, strict=True)):
        first = max(0, min(round(start), len(volts) - n))
        lines = np.fft.rfft(volts[first : first + n])[first_line:stop_line]
        spectrum[row] = lines.reshape(n_orders, n_cycles)[:, :3]
    n_column = np.array(n_samples)[:, None]
    spectrum *= np.sqrt(2) / n_column[:, :, None]
    excess = n_cycles * (n_column / length[:, None] - 1)
    x = excess * np.arange(1, n_orders + 1)
    leaks = _fundamental_leak(n_cycles, n_orders, tuple(n_samples))
    # The weights hardly depend on the length: one in a coarse grid of lengths serves them all.
    typical = round(n_samples[0] / 16) * 16
    weight = _leak_weight(n_cycles, n_orders, typical)
    clean = _without_leakage(spectrum, x, leaks, weight, typical)
    rms = np.full((len(length), MAX_ORDER), np.nan)
    power = clean.real**2 + clean.imag**2
    rms[:, :n_orders] = np.sqrt(power.sum(axis=2))
    return rms


def distortion_pct(subgroups_v: Floats) -> Floats:
    """THDS over the orders that could be measured, in % of the fundamental subgroup.

    NaN where there is no fundamental.
    """
    harmonics = np.sqrt(np.nansum(subgroups_v[:, 1:] ** 2, axis=1))
    fundamental = subgroups_v[:, 0]
    unknown = np.full_like(fundamental, np.nan)
    ratio: Floats = np.divide(harmonics, fundamental, where=fundamental > 0, out=unknown)
    return 100 * ratio


def _without_leakage(
    spectrum: Phasors,
    x: Floats,
    leaks: tuple[Phasors, Phasors],
    weight: tuple[Floats, Floats],
    n_samples: int,
) -> Phasors:
    """Move each harmonic's energy back onto its own line; shape (n_intervals, n_orders, 3).

    :param x: by how many lines each order lies off its line, shape (n_intervals, n_orders).
    """
    flat = spectrum.reshape(len(spectrum), -1)
    sine = np.sin(np.pi * x)
    gain = np.divide(sine, np.pi * x, where=x != 0, out=np.ones_like(x))
    fundamental = _take_out_fundamental(flat, sine[:, 0], gain[:, 0], leaks)
    leaked = _leaked(spectrum[:, :, 1] / gain * sine, x, weight, n_samples)
    # What leaked onto a centre line is no tone and leaks no further: once more, without it.
    tones = (spectrum[:, :, 1] - leaked[:, 1::3]) / gain
    flat -= _leaked(tones * sine, x, weight, n_samples)
    tones = spectrum[:, :, 1] / gain
    source = tones * sine / np.pi
    spectrum[:, 1:, 0] -= (source / (x + 1))[:, 1:]
    spectrum[:, 1:, 2] -= (source / (x - 1))[:, 1:]
    spectrum[:, :, 1] = tones
    spectrum[:, 0, 1] = fundamental
    return spectrum


def _leaked(source: Phasors, x: Floats, weight: tuple[Floats, Floats], n_samples: int) -> Phasors:
    """What the orders above the first put on each other's lines."""
    both = np.concatenate([source, source * x], axis=1)
    leaked = both.real @ weight[0] + 1j * (both.imag @ weight[1])
    leaked.real += source.imag[:, 1:].sum(axis=1, keepdims=True) * (2 / n_samples)
    return leaked


def _take_out_fundamental(
    flat: Phasors, sine: Floats, gain: Floats, leaks: tuple[Phasors, Phasors]
) -> Phasors:
    """Subtract the fundamental and its mirror image from every line; the fundamental."""
    direct, mirror = leaks
    tone = flat[:, 1] / gain
    # Its own mirror image reaches it, by less than a thousandth: once over is enough.
    tone = (flat[:, 1] - np.conj(tone) * sine * mirror[:, 1]) / gain
    source = (tone * sine)[:, None]
    flat -= source * direct + np.conj(source) * mirror
    flat[:, 1] = 0
    return tone
