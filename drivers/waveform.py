"""Parts of a simulated voltage, each a pure function of time.

Nothing here keeps state, so a waveform can be asked for in any order and in any pieces. Phase is
counted in turns (cycles of the fundamental since t = 0); 0 is an upward zero crossing.
"""

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TABLE_POINTS = 1 << 15
WANDER_PERIODS_S = ((8.0, 12.0), (15.0, 30.0), (40.0, 90.0))
WANDER_SHARES = (0.2, 0.3, 0.5)  # the slowest moves most
POOL_SAMPLES = 1 << 17  # far more than the longest stretch asked for
_ALL_BITS = (1 << 64) - 1
FADE_CONSTANTS = 14.0  # exp(-14) = 8e-7: less than one step of a 20 bit converter


@dataclass(frozen=True, slots=True)
class Wander:
    """A slow drift: a sum of sinusoids, each (amplitude, rate in Hz, phase in radians)."""

    terms: tuple[tuple[float, float, float], ...] = ()

    def value_at(self, t_s: Floats) -> Floats:
        """The drift itself, in the unit of the amplitudes."""
        value = np.zeros_like(t_s)
        for amplitude, rate_hz, phase_rad in self.terms:
            value += amplitude * np.sin(2 * np.pi * rate_hz * t_s + phase_rad)
        return value

    def integral_at(self, t_s: Floats) -> Floats:
        """Its integral from 0 to `t_s`, in closed form."""
        integral = np.zeros_like(t_s)
        for amplitude, rate_hz, phase_rad in self.terms:
            moved = math.cos(phase_rad) - np.cos(2 * np.pi * rate_hz * t_s + phase_rad)
            integral += amplitude / (2 * np.pi * rate_hz) * moved
        return integral


@dataclass(frozen=True, slots=True, eq=False)
class EvenDrift:
    """A wander, or its integral, at evenly spaced instants from any moment on.

    By the addition theorem: what depends on the distance from the first instant is computed once,
    and a sum of products is left.
    """

    rates: Floats  # of the terms, in radians a second
    phases_rad: Floats
    weights: NDArray[np.complex128]
    along: Floats  # cosines, then sines of every term's angle since the first instant
    constant: float

    def from_s(self, begin_s: float) -> Floats:
        """The values, the first at `begin_s`."""
        turned = self.weights * np.exp(1j * (self.rates * begin_s + self.phases_rad))
        drift: Floats = np.concatenate([turned.imag, turned.real]) @ self.along
        drift += self.constant
        return drift


def even_drift(wander: Wander, spacing_s: float, count: int, *, is_integral: bool) -> EvenDrift:
    """Prepare `Wander.value_at`, or `Wander.integral_at`, for instants `spacing_s` apart."""
    amplitudes, rates_hz, phases_rad = np.array(wander.terms).reshape(-1, 3).T
    rates = 2 * np.pi * rates_hz
    angles = np.multiply.outer(spacing_s * rates, np.arange(count))
    along = np.concatenate([np.cos(angles), np.sin(angles)])
    if not is_integral:
        return EvenDrift(rates, phases_rad, amplitudes.astype(complex), along, 0.0)
    weights = amplitudes / rates
    constant = float(weights @ np.cos(phases_rad))
    return EvenDrift(rates, phases_rad, (-1j * weights).astype(complex), along, constant)


def seeded_wander(amplitude: float, seed: int, stream: int) -> Wander:
    """A drift that never exceeds `amplitude`; seed and stream choose its periods and phases."""
    if amplitude == 0:
        return Wander()
    generator = np.random.default_rng((seed, stream))
    return Wander(
        tuple(
            (
                amplitude * share,
                1.0 / float(generator.uniform(*periods_s)),
                float(generator.uniform(0.0, 2 * np.pi)),
            )
            for share, periods_s in zip(WANDER_SHARES, WANDER_PERIODS_S, strict=True)
        )
    )


@dataclass(frozen=True, slots=True)
class Harmonic:
    """One harmonic: amplitude relative to the fundamental, phase against its sine."""

    order: int
    ratio: float
    phase_rad: float

    def value_at(self, turns: Floats) -> Floats:
        """Instantaneous value for a fundamental of amplitude 1."""
        return self.ratio * np.sin(2 * np.pi * self.order * turns + self.phase_rad)


@dataclass(frozen=True, slots=True, eq=False)
class CycleTable:
    """One cycle in 32768 points with straight lines between them.

    The error of a straight line is at most step**2 / 8 times the second derivative: 4.6e-9 of the
    amplitude for the fundamental, order**2 times that of a harmonic's own amplitude.
    """

    points: NDArray[np.complex128]  # the value at each, and the step to the next as imaginary part

    def value_at(self, turns: Floats) -> Floats:
        """Instantaneous value, shape of `turns`, for a fundamental of amplitude 1."""
        fraction = turns * TABLE_POINTS
        whole = np.floor(fraction)
        fraction -= whole
        number = whole.astype(np.int64)
        number &= TABLE_POINTS - 1
        point = self.points.take(number)  # both parts of a point are fetched at once
        fraction *= point.imag
        fraction += point.real
        return fraction


def cycle_table(harmonics: tuple[Harmonic, ...], dc_ratio: float) -> CycleTable:
    """Fundamental, harmonics and a constant part, for a fundamental of amplitude 1."""
    turns = np.arange(TABLE_POINTS + 1) / TABLE_POINTS
    cycle = np.sin(2 * np.pi * turns) + dc_ratio
    for harmonic in harmonics:
        cycle += harmonic.value_at(turns)
    return CycleTable(cycle[:-1] + 1j * np.diff(cycle))


@dataclass(frozen=True, slots=True)
class Converter:
    """Rounds to the nearest of 2**bits codes and clips at the ends of the range."""

    bits: int
    full_scale_v: float

    @property
    def step_v(self) -> float:
        """One code in volts."""
        return self.full_scale_v / float(1 << (self.bits - 1))

    def volts(self, analogue_v: Floats) -> Floats:
        """What the codes stand for; overwrites `analogue_v`."""
        limit = 1 << (self.bits - 1)
        analogue_v *= 1.0 / self.step_v
        np.rint(analogue_v, out=analogue_v)
        np.clip(analogue_v, -limit, limit - 1, out=analogue_v)
        analogue_v *= self.step_v
        return analogue_v


@dataclass(frozen=True, slots=True, eq=False)
class NoisePool:
    """White Gaussian noise, drawn once. To draw every sample anew would cost a third of it all."""

    first_v: NDArray[np.float32]
    second_v: NDArray[np.float32]

    def stretch(self, key: int, n_samples: int) -> NDArray[np.float32]:
        """Some noise that depends on nothing but `key`: the sum of a stretch of either half."""
        place = _mixed(key)
        n_places = len(self.first_v) - n_samples
        first, second = (place >> 32) % n_places, (place & 0xFFFF_FFFF) % n_places
        total: NDArray[np.float32] = (
            self.first_v[first : first + n_samples] + (self.second_v[second : second + n_samples])
        )
        return total


def noise_pool(seed: int, rms_v: float) -> NoisePool:
    """Noise of this rms, the same for the same seed."""
    generator = np.random.Generator(np.random.Philox(key=seed))
    halves = generator.standard_normal((2, POOL_SAMPLES), dtype=np.float32)
    halves *= np.float32(rms_v / math.sqrt(2.0))
    return NoisePool(halves[0], halves[1])


def _mixed(key: int) -> int:
    """64 bits over which a small number is spread: the last steps of the SplitMix64 generator."""
    mixed = (key + 1) * 0x9E37_79B9_7F4A_7C15 & _ALL_BITS
    mixed = (mixed ^ mixed >> 30) * 0xBF58_476D_1CE4_E5B9 & _ALL_BITS
    mixed = (mixed ^ mixed >> 27) * 0x94D0_49BB_1331_11EB & _ALL_BITS
    return mixed ^ mixed >> 31


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """The stretch of one input's waveform that a disturbance works on; arrays of one length."""

    elapsed_s: Floats  # since the disturbance began
    turns: Floats  # phase of this input's fundamental
    peak_v: Floats  # amplitude of the undisturbed fundamental
    volts: Floats


class Shape(Protocol):
    """What a disturbance does to a waveform from its start until `length_s` later."""

    @property
    def length_s(self) -> float:
        """How long it has any effect."""
        ...

    def volts(self, part: Part) -> Floats:
        """The disturbed waveform."""
        ...


@dataclass(frozen=True, slots=True)
class Steps:
    """Constant factors one after another, each (duration in seconds, factor)."""

    levels: tuple[tuple[float, float], ...]
    jump_turns: float = 0.0  # phase shift while it lasts

    @property
    def length_s(self) -> float:
        return math.fsum(duration_s for duration_s, _ in self.levels)

    def factor_at(self, elapsed_s: Floats) -> Floats:
        """The factor in force."""
        edges_s = np.cumsum([duration_s for duration_s, _ in self.levels])[:-1]
        factors = np.array([factor for _, factor in self.levels])
        return factors[np.searchsorted(edges_s, elapsed_s, side="right")]

    def volts(self, part: Part) -> Floats:
        return part.volts * self.factor_at(part.elapsed_s)


@dataclass(frozen=True, slots=True)
class Recovery:
    """An abrupt fall, held for a while, then an exponential return: a motor that starts."""

    residual: float
    hold_s: float
    time_constant_s: float

    @property
    def length_s(self) -> float:
        return self.hold_s + FADE_CONSTANTS * self.time_constant_s

    def factor_at(self, elapsed_s: Floats) -> Floats:
        """1 - (1 - residual) exp(-(t - hold) / time constant)."""
        fading_s = np.maximum(elapsed_s - self.hold_s, 0.0)
        return 1.0 - (1.0 - self.residual) * np.exp(-fading_s / self.time_constant_s)

    def volts(self, part: Part) -> Floats:
        return part.volts * self.factor_at(part.elapsed_s)


@dataclass(frozen=True, slots=True)
class Impulse:
    """A raised-cosine pulse added to the waveform, `width_s` wide at half its height."""

    peak_v: float
    width_s: float

    @property
    def length_s(self) -> float:
        return 2.0 * self.width_s

    def volts(self, part: Part) -> Floats:
        turn = part.elapsed_s / self.length_s
        return part.volts + 0.5 * self.peak_v * (1.0 - np.cos(2 * np.pi * turn))


@dataclass(frozen=True, slots=True)
class Ringing:
    """A decaying cosine added to the waveform: it begins at its peak, as a switched bank does."""

    peak_v: float
    frequency_hz: float
    decay_s: float

    @property
    def length_s(self) -> float:
        return FADE_CONSTANTS * self.decay_s

    def volts(self, part: Part) -> Floats:
        envelope = self.peak_v * np.exp(-part.elapsed_s / self.decay_s)
        return part.volts + envelope * np.cos(2 * np.pi * self.frequency_hz * part.elapsed_s)


@dataclass(frozen=True, slots=True)
class ExtraHarmonics:
    """Harmonics that come and go."""

    harmonics: tuple[Harmonic, ...]
    length_s: float

    def volts(self, part: Part) -> Floats:
        extra = np.zeros_like(part.turns)
        for harmonic in self.harmonics:
            extra += harmonic.value_at(part.turns)
        return part.volts + part.peak_v * extra


@dataclass(frozen=True, slots=True)
class Notches:
    """Equal notches, evenly spaced in each cycle, the first half a spacing after the crossing."""

    depth: float
    width_turns: float
    per_cycle: int
    length_s: float

    def volts(self, part: Part) -> Floats:
        place = (part.turns * self.per_cycle - 0.5) % 1.0
        inside = place < self.width_turns * self.per_cycle
        return np.where(inside, part.volts * (1.0 - self.depth), part.volts)
