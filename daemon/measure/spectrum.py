"""Harmonic subgroups of one basic interval (IEC 61000-4-7, THDS).

The interval lasts a whole number of cycles but hardly ever a whole number of samples. Instead of
resampling it, the transform is taken over the nearest length that transforms quickly, and what
that difference makes each harmonic leak into the other lines is computed in closed form and
taken out. For steady harmonics the result is the one a window of the exact length would give.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from daemon.measure.rolling import windows

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]
Weights = NDArray[np.float32]

MAX_ORDER = 50
LENGTH_SLACK = 0.001  # share of the window by which its length may differ: half a line at order 50
USABLE_BAND = 0.45  # of the sampling rate: above it lies the converter's own filter edge
LINES_AT_ONCE = 12_800  # of some intervals together: what is computed stays in the cache
_SIX = np.ones(6)  # adds up squares of the two parts of three lines
TRANSFORMED = 65_536  # samples transformed at once, for the same reason


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
def _leak_weights(n_cycles: int, n_orders: int, n_samples: int) -> "_LeakWeights":
    """How every order reaches the three lines of every other."""
    centres, lines = _lines(n_cycles, n_orders)
    turn = np.pi / n_samples
    distance = centres[:, None] - lines
    is_far = np.abs(distance) > 1
    direct = np.divide(1, np.tan(turn * distance), where=is_far, out=np.zeros(distance.shape))
    slope = np.divide(
        -turn / np.pi, np.sin(turn * distance) ** 2, where=is_far, out=np.zeros(distance.shape)
    )
    mirror = 1 / np.tan(turn * (centres[:, None] + lines))
    direct[0] = slope[0] = mirror[0] = 0
    real = (np.concatenate([direct + mirror, slope]) / n_samples).astype(np.float32)
    imaginary = (np.concatenate([direct - mirror, slope]) / n_samples).astype(np.float32)
    centre = slice(1, None, 3)
    return _LeakWeights(
        real,
        imaginary,
        np.ascontiguousarray(real[:, centre]),
        np.ascontiguousarray(imaginary[:, centre]),
        2 / n_samples,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _LeakWeights:
    """For the real and the imaginary part of each order; the second half of the rows is for the
    same parts times pi x: the cotangent's slope. A tone's own lines lie too near for all this, and
    the fundamental is treated by itself.

    In single precision: what leaks is at most some hundredths of a harmonic, so that rounding
    changes a result by some 1e-9 of it, and these tables are most of what has to be read.
    """

    real: Weights
    imaginary: Weights
    real_centre: Weights  # the columns of the middle lines only
    imaginary_centre: Weights
    constant: float  # what is left of the constants, on every line

    def on_lines(self, source: Phasors, angle: Floats) -> Phasors:
        """What these parts of the orders put on the three lines of every order."""
        return _leaked(source, angle, self.real, self.imaginary, self.constant)

    def on_centres(self, source: Phasors, angle: Floats) -> Phasors:
        """The same, on the middle line of every order."""
        return _leaked(source, angle, self.real_centre, self.imaginary_centre, self.constant)


def _leaked(
    source: Phasors, angle: Floats, real: Weights, imaginary: Weights, constant: float
) -> Phasors:
    both = np.concatenate([source, source * angle], axis=1)
    leaked = np.empty((len(source), real.shape[1]), np.complex128)
    leaked.real = both.real.astype(np.float32) @ real
    leaked.real += source.imag[:, 1:].sum(axis=1, keepdims=True) * constant
    leaked.imag = both.imag.astype(np.float32) @ imaginary
    return leaked


def _lines(n_cycles: int, n_orders: int) -> tuple[Floats, Floats]:
    """The centre line of every order, and the three lines of every order in a row."""
    centres = n_cycles * np.arange(1.0, n_orders + 1)
    return centres, (centres[:, None] + np.array([-1, 0, 1])).ravel()


@lru_cache(maxsize=1024)
def _fundamental_leak(n_cycles: int, n_orders: int, n_samples: int) -> Phasors:
    """How the fundamental, and its mirror image, reach the three lines of every order."""
    _, lines = _lines(n_cycles, n_orders)
    is_other = lines != n_cycles
    tangent = np.tan(np.pi / n_samples * (n_cycles - lines))
    direct = np.divide(1, tangent, where=is_other, out=np.zeros_like(tangent)) - 1j
    mirror = 1 / np.tan(np.pi / n_samples * (n_cycles + lines)) + 1j
    both: Phasors = np.stack([direct * is_other, mirror]).astype(np.complex128) / n_samples
    return both


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
    rms = np.full((len(length), MAX_ORDER), np.nan)
    at_once = LINES_AT_ONCE // (3 * n_orders)
    for first in range(0, len(length), at_once):
        some = slice(first, first + at_once)
        rms[some, :n_orders] = _subgroups(
            volts, start_index[some], length[some], n_cycles, n_orders
        )
    return rms


def _subgroups(
    volts: Floats, start_index: Floats, length: Floats, n_cycles: int, n_orders: int
) -> Floats:
    n_samples = _good_lengths(length)
    starts = np.clip(np.rint(start_index), 0, len(volts) - n_samples).astype(np.intp)
    lengths = sorted(set(n_samples.tolist()))
    lines = np.empty((len(length), 3 * n_orders), np.complex128)
    for n, rows in _alike(n_samples, lengths):
        # One call for several windows: what prepares a transform of one length is done once.
        transformed = np.fft.rfft(windows(volts, n)[starts[rows]])
        lines[rows] = transformed.take(_line_numbers(n_cycles, n_orders), axis=1)
    spectrum = lines.reshape(-1, n_orders, 3)
    angle = (n_samples / length - 1)[:, None] * _line_angles(n_cycles, n_orders)
    leaks = np.array([_fundamental_leak(n_cycles, n_orders, n) for n in lengths])
    if len(lengths) > 1:  # else one row serves all windows
        leaks = leaks[np.searchsorted(lengths, n_samples)]
    # The weights hardly depend on the length: one in a coarse grid of lengths serves them all.
    weights = _leak_weights(n_cycles, n_orders, round(n_samples[0] / 16) * 16)
    parts = _without_leakage(spectrum, angle, leaks, weights).view(np.float64)
    parts *= parts
    rms: Floats = np.sqrt(parts @ _SIX) * (np.sqrt(2) / n_samples)[:, None]
    return rms


def _good_lengths(length: Floats) -> NDArray[np.intp]:
    """For each of some windows the number of samples to transform."""
    spans = np.rint(length).astype(np.intp)
    n_samples = np.empty_like(spans)
    for span in set(spans.tolist()):  # hardly more than one or two
        n_samples[spans == span] = good_length(span)
    return n_samples


@lru_cache(maxsize=16)
def _line_numbers(n_cycles: int, n_orders: int) -> NDArray[np.intp]:
    return _lines(n_cycles, n_orders)[1].astype(np.intp)


@lru_cache(maxsize=16)
def _line_angles(n_cycles: int, n_orders: int) -> Floats:
    """Pi times the line of each order: times the share by which a window is too long, pi x."""
    return np.pi * n_cycles * np.arange(1.0, n_orders + 1)


def _alike(
    n_samples: NDArray[np.intp], lengths: list[int]
) -> Iterator[tuple[int, NDArray[np.intp]]]:
    """Which windows have the same length, no more of them together than the cache holds."""
    for n in lengths:
        rows = np.flatnonzero(n_samples == n)
        step = max(1, TRANSFORMED // n)
        yield from ((n, rows[at : at + step]) for at in range(0, len(rows), step))


def distortion_pct(subgroups_v: Floats) -> Floats:
    """THDS over the orders that could be measured, in % of the fundamental subgroup.

    NaN where there is no fundamental.
    """
    squares = subgroups_v[:, 1:] ** 2
    squares[np.isnan(squares)] = 0
    fundamental = subgroups_v[:, 0]
    unknown = np.full_like(fundamental, np.nan)
    harmonics = np.sqrt(squares.sum(axis=1))
    ratio: Floats = np.divide(harmonics, fundamental, where=fundamental > 0, out=unknown)
    return 100 * ratio


def _without_leakage(
    spectrum: Phasors, angle: Floats, leaks: Phasors, weights: _LeakWeights
) -> Phasors:
    """Move each harmonic's energy back onto its own line; shape (n_intervals, n_orders, 3).

    What leaks of a line's value v is its tone B = v / sinc(x) times sin(pi x), so v pi x.

    :param angle: pi times the number of lines x by which each order lies off its line, shape
        (n_intervals, n_orders).
    :param leaks: of the fundamental, a row for each interval, or one for all.
    """
    flat = spectrum.reshape(len(spectrum), -1)
    angle = angle + 1e-300  # sin(a) / a is 1 in the end
    gain = np.sin(angle) / angle
    fundamental = _take_out_fundamental(flat, angle[:, 0], gain[:, 0], leaks)
    centre = spectrum[:, :, 1]
    leaked = weights.on_centres(centre * angle, angle)
    # What leaked onto a centre line is no tone and leaks no further: once more, without it.
    flat -= weights.on_lines((centre - leaked) * angle, angle)
    x = angle[:, 1:] / np.pi
    source = centre[:, 1:] * x
    spectrum[:, 1:, 0] -= source * (1 / (x + 1))  # of complex numbers products cost less
    spectrum[:, 1:, 2] -= source * (1 / (x - 1))
    centre *= 1 / gain
    spectrum[:, 0, 1] = fundamental
    return spectrum


def _take_out_fundamental(flat: Phasors, angle: Floats, gain: Floats, leaks: Phasors) -> Phasors:
    """Subtract the fundamental and its mirror image from every line; the fundamental."""
    line = flat[:, 1].copy()
    # Its own mirror image reaches it, by less than a thousandth: once over is enough.
    line -= np.conj(line * angle) * leaks[:, 1, 1]
    source = line * angle
    flat -= source[:, None] * leaks[:, 0]
    flat -= source.conj()[:, None] * leaks[:, 1]
    flat[:, 1] = 0
    tone: Phasors = line / gain
    return tone
