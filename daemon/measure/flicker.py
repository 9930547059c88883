"""Flicker as people would see it in a lamp: Pinst, Pst and Plt (IEC 61000-4-15, edition 2).

Coefficients are from memory of IEC 61000-4-15, confirmed by reproducing its response tables.

Squared volts are brought to about 400 values a second by a low-pass that leaves the standard's own
filters undisturbed; those run at that rate, with the impulse responses of their continuous-time
originals.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from daemon.measure.grid import TEN_MINUTES_S, TOUCH, Slot, SlotSchedule
from daemon.measure.iir import from_poles, smoother
from daemon.measure.rms import accumulate_energy
from daemon.measure.rolling import windows

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

SUM_RATE_HZ = 3200  # the low-pass has about as many weights a second
CHAIN_RATE_HZ = 400  # and gives about as many values
TAPS_PER_VALUE = 10  # length of the low-pass, in values it gives: 80 dB from 300 Hz on
AT_ONCE = 16  # values computed together; a divisor of CHUNK
KAISER_BETA = 7.9  # for those 80 dB
SHAPE = (20, 80)  # blocks waited for, and values in a block: about four seconds
CHUNK = SHAPE[0] * SHAPE[1]
PINST_STEP = 4  # one Pinst for this many values: about 100 a second, the standard asks for 50
ADAPTOR_S = 60 / np.log(9)  # step response of the input adaptor: 1 min from 10 % to 90 %
ALIVE_SHARE = 0.01  # of the mean square: below (a tenth of the voltage) the adaptor holds
SMOOTHING_S = 0.3
SETTLING_S = 10.0  # three time constants of the high-pass: e^-6 of what the start adds is left

FULL_SHARE = 0.99  # of a slot that must have been seen, or its value is flagged


@dataclass(frozen=True, slots=True)
class Lamp:
    """Lamp, eye and brain: the weighting filter, and the modulation that gives Pinst 1 at 8.8 Hz.

    `F(s) = k w1 s / (s^2 + 2 lambda s + w1^2) (1 + s/w2) / ((1 + s/w3)(1 + s/w4))`
    """

    gain: float  # k
    lambda_hz: float
    w1_hz: float
    w2_hz: float
    w3_hz: float
    w4_hz: float
    reference_pct: float  # sinusoidal, peak to peak


LAMPS = {
    230: Lamp(1.74802, 4.05981, 9.15494, 2.27979, 1.22535, 21.9, 0.250),
    120: Lamp(1.6357, 4.167375, 9.077169, 2.939902, 1.394468, 17.31512, 0.321),
}
REFERENCE_HZ = 8.8
LOW_PASS_HZ = {50: 35.0, 60: 42.0}  # Butterworth of sixth order
HIGH_PASS_HZ = 0.05  # first order


@dataclass(frozen=True, slots=True, eq=False)
class Sensation:
    """Pinst: 1 is the threshold at which half of all people see the lamp flicker."""

    index: Floats  # of the newest sample in each value, from the start of the run
    pinst: Floats


NOTHING = Sensation(np.empty(0), np.empty(0))


@dataclass(frozen=True, slots=True)
class ShortTerm:
    """Pst of one ten-minute slot."""

    start_index: float
    pst: float
    flagged: bool


class FlickerMeter:
    """One channel's volts in, Pinst out, over one unbroken segment.

    :param sample_rate_hz: from 1 kHz on.
    :param lamp_v: 230 or 120: the reference lamp.
    :param frequency_hz: 50 or 60: the mains.
    :param first_index: run index of the first sample.
    """

    def __init__(
        self, sample_rate_hz: float, lamp_v: int, frequency_hz: int, first_index: int = 0
    ) -> None:
        self._squares = SquareSums(sample_rate_hz)
        rate_hz = self._squares.rate_hz
        self._spacing = PINST_STEP * self._squares.samples_per_value
        poles, residues = chain(lamp_v, frequency_hz)
        self._chain = from_poles(poles, residues, rate_hz, SHAPE)
        self._smoother = smoother(SMOOTHING_S, rate_hz, SHAPE, PINST_STEP)
        self._scale = pinst_scale(lamp_v, frequency_hz)
        self._adaptor = InputAdaptor(rate_hz)
        self._newest = float(first_index + self._squares.reach - 1)  # sample in the latest value
        self._settling = math.ceil(SETTLING_S * rate_hz / CHUNK)  # chunks still to be left out

    @property
    def pinst_rate_hz(self) -> float:
        """Values of Pinst a second."""
        return self._squares.rate_hz / PINST_STEP

    def feed(self, volts: Floats) -> Sensation:
        """Take the next samples; Pinst lies up to four seconds behind them."""
        return self.feed_energy(accumulate_energy(volts))

    def feed_energy(self, energy: Floats) -> Sensation:
        """The same of the running sum of squares of samples, the sum before them in front."""
        square_v2 = self._squares.feed(energy)
        if len(square_v2) == 0:
            return NOTHING
        pinst = self._weigh(square_v2)
        n_left_out = min(self._settling, len(square_v2) // CHUNK)
        self._settling -= n_left_out
        n_left_out *= CHUNK // PINST_STEP
        index: Floats = self._newest + self._spacing * np.arange(1.0, len(pinst) + 1)
        self._newest = float(index[-1])
        return Sensation(index[n_left_out:], pinst[n_left_out:])

    def _weigh(self, square_v2: Floats) -> Floats:
        seen = self._chain.feed(self._adaptor.normalise(square_v2))
        seen *= seen
        return self._scale * self._smoother.feed(seen)


class SquareSums:
    """Mean squares of the voltage in V^2 at about 400 a second, free of what would alias.

    Squares are summed up by a few, and a value is a weighted sum of the sums in ten stretches, one
    for each value. Some values together are one product of all they need with a matrix of weights.
    """

    def __init__(self, sample_rate_hz: float) -> None:
        length = max(1, round(sample_rate_hz / SUM_RATE_HZ))
        self._ratio = max(1, round(sample_rate_hz / length / CHAIN_RATE_HZ))
        self.samples_per_value = length * self._ratio
        self.rate_hz = sample_rate_hz / self.samples_per_value
        self.reach = self.samples_per_value * (TAPS_PER_VALUE - 1)  # into the past of a value
        self._taps = _taps(length, self._ratio)
        self._length = length
        self._n_over = 0  # samples that are no whole sum yet
        self._over_v2 = 0.0  # their squares
        self._sums: list[Floats] = []  # not yet out of the low-pass's reach
        self._n_sums = 0

    def feed(self, energy: Floats) -> Floats:
        """Take the running sum of squares of samples; give the values of the chunks now complete.

        :param energy: the sum before the first sample and up to each; shape (n_samples + 1,).
        """
        sums = self._sums_of(energy)
        self._sums.append(sums)
        self._n_sums += len(sums)
        n_chunks = (self._n_sums // self._ratio - TAPS_PER_VALUE + 1) // CHUNK
        return self._chunks(n_chunks) if n_chunks > 0 else np.empty(0)

    def _sums_of(self, energy: Floats) -> Floats:
        """Sums of squares of `length` samples each; what is over waits."""
        until = energy[self._length - self._n_over :: self._length]
        if len(until) == 0:
            self._n_over += len(energy) - 1
            self._over_v2 += float(energy[-1] - energy[0])
            return until
        sums = np.empty(len(until))
        sums[0] = until[0] - energy[0] + self._over_v2
        np.subtract(until[1:], until[:-1], out=sums[1:])
        self._n_over = (self._n_over + len(energy) - 1) % self._length
        self._over_v2 = float(energy[-1] - until[-1])
        return sums

    def _chunks(self, count: int) -> Floats:
        sums = np.concatenate(self._sums)
        needed, n_given = self._taps.shape
        stretches = windows(sums, needed, n_given * self._ratio)
        self._sums = [sums[count * CHUNK * self._ratio :]]
        self._n_sums = len(self._sums[0])
        used = np.ascontiguousarray(stretches[: count * CHUNK // n_given])
        values: Floats = (used @ self._taps).ravel()
        return values


@lru_cache(maxsize=8)
def _taps(length: int, ratio: int) -> Floats:
    """The low-pass: how much sums of `length` (rows) weigh in some values (columns)."""
    n_taps = TAPS_PER_VALUE * ratio
    place = np.arange(n_taps) - (n_taps - 1) / 2
    taps = np.sinc(place / ratio) * np.kaiser(n_taps, KAISER_BETA)
    taps /= taps.sum() * length
    weights = np.zeros((n_taps + (AT_ONCE - 1) * ratio, AT_ONCE))
    for n in range(AT_ONCE):
        weights[n * ratio : n * ratio + n_taps, n] = taps
    return weights


class InputAdaptor:
    """Slow automatic gain: what stays is how the voltage varies about its own mean square."""

    def __init__(self, rate_hz: float) -> None:
        self._pull = 1 - np.exp(-CHUNK / rate_hz / ADAPTOR_S)
        self._mean_v2 = 0.0  # until there is something to scale to
        self._along = np.arange(1, CHUNK + 1) / CHUNK

    def normalise(self, square_v2: Floats) -> Floats:
        """Squares of some chunks over their slow mean, less one; 0 before any voltage came.

        While the voltage is all but gone the gain is held, so its return is no explosion.
        """
        chunks = square_v2.reshape(-1, CHUNK)
        means_v2 = np.add.reduce(chunks, axis=1) / CHUNK
        slow_v2 = np.array([self._follow(mean_v2) for mean_v2 in means_v2.tolist()])
        normalised: Floats = chunks / (slow_v2[:, :1] + slow_v2[:, 1:] * self._along)
        normalised -= 1
        normalised[slow_v2[:, 0] == np.inf] = 0
        return normalised.ravel()

    def _follow(self, mean_v2: float) -> tuple[float, float]:
        """The slow mean before a chunk, and what it gains in it; infinite while there is none."""
        before_v2 = self._mean_v2 or mean_v2
        if before_v2 <= 0:
            return np.inf, 0.0
        pull = self._pull if mean_v2 > ALIVE_SHARE * before_v2 else 0.0
        self._mean_v2 = before_v2 + pull * (mean_v2 - before_v2)
        return before_v2, self._mean_v2 - before_v2


def chain(lamp_v: int, frequency_hz: int) -> tuple[Phasors, Phasors]:
    """Poles and residues in rad/s of high-pass, low-pass and weighting filter in a row."""
    lamp, turn = LAMPS[lamp_v], 2 * np.pi
    low = turn * LOW_PASS_HZ[frequency_hz]
    butterworth = low * np.exp(1j * np.pi * (2 * np.arange(6) + 7) / 12)
    w1, w2, w3, w4 = (turn * f for f in (lamp.w1_hz, lamp.w2_hz, lamp.w3_hz, lamp.w4_hz))
    damping = turn * lamp.lambda_hz
    swing = np.sqrt(w1**2 - damping**2)
    pair = -damping + 1j * swing * np.array([1, -1])
    poles = np.concatenate([[-turn * HIGH_PASS_HZ], butterworth, pair, [-w3, -w4]])
    others = poles[:, None] - poles
    np.fill_diagonal(others, 1)
    top = low**6 * lamp.gain * w1 * w3 * w4 * poles**2 * (1 + poles / w2)
    return poles, top / others.prod(axis=1)


@lru_cache(maxsize=4)
def pinst_scale(lamp_v: int, frequency_hz: int) -> float:
    """Factor that makes the reference modulation at 8.8 Hz reach Pinst 1 at its highest."""
    poles, residues = chain(lamp_v, frequency_hz)
    s = 2j * np.pi * REFERENCE_HZ
    amplitude = LAMPS[lamp_v].reference_pct / 100 * abs((residues / (s - poles)).sum())
    ripple = 1 / abs(1 + 2 * s * SMOOTHING_S)
    return float(2 / amplitude**2 / (1 + ripple))


# Per cent of the time for which each level is exceeded, and its part in Pst squared.
_PERCENTILES = (
    (0.0314, (0.1,)),
    (0.0525, (0.7, 1.0, 1.5)),
    (0.0657, (2.2, 3.0, 4.0)),
    (0.28, (6.0, 8.0, 10.0, 13.0, 17.0)),
    (0.08, (30.0, 50.0, 80.0)),
)
_QUANTILES = np.array([1 - pct / 100 for _, group in _PERCENTILES for pct in group])
_WEIGHTS = np.array([weight / len(group) for weight, group in _PERCENTILES for _ in group])


def short_term(pinst: Floats) -> float:
    """Pst of the Pinst values of ten minutes."""
    return float(np.sqrt(_WEIGHTS @ np.quantile(pinst, _QUANTILES)))


def long_term(pst: Floats) -> float:
    """Plt of the successive Pst of two hours: the cube root of their mean cube."""
    return float(np.cbrt(np.mean(pst**3)))


class ShortTermSlots:
    """Pst of one channel, by ten-minute slots; keeps at most the 60 000 Pinst of one slot."""

    def __init__(self, pinst_rate_hz: float, schedule: SlotSchedule) -> None:
        self._schedule = schedule
        self._n_whole = FULL_SHARE * TEN_MINUTES_S * pinst_rate_hz
        self._pinst: list[Floats] = []  # of the slot under way
        self._inside_index = 0.0  # of its first Pinst
        self._spans: dict[float, float] = {}  # disturbed spans by their start
        self.newest_index = -math.inf  # slots that end before this sample have been given

    def feed(self, sensation: Sensation, spans: list[tuple[float, float]]) -> list[ShortTerm]:
        """Take Pinst values; give the slots before the one they end in.

        :param spans: dips, swells, interruptions and gaps known now, in samples; an open one
            has no finite end. They flag the slots they touch, and may run ahead of the Pinst.
        """
        index, pinst, values = sensation.index, sensation.pinst, []
        if len(index):
            self.newest_index = float(index[-1])
        self._note(spans)
        while len(index):
            if not self._pinst:
                self._inside_index = float(index[0])
            slot = self._schedule.slot_at(self._inside_index, TEN_MINUTES_S)
            n_inside = int(np.searchsorted(index + TOUCH, slot.end_index))
            self._pinst.append(pinst[:n_inside])
            index, pinst = index[n_inside:], pinst[n_inside:]
            if len(index):
                values += self._close(slot)
        return values

    def _note(self, spans: list[tuple[float, float]]) -> None:
        """One still open has touched what has been seen so far."""
        for start, end in spans:
            self._spans[start] = max(start, self.newest_index) if np.isinf(end) else end

    def _close(self, slot: Slot) -> list[ShortTerm]:
        pinst, self._pinst = np.concatenate(self._pinst), []
        spans, begins, ends = self._spans.items(), slot.start_index, slot.end_index
        is_disturbed = any(start < ends and end > begins for start, end in spans)
        self._spans = {start: end for start, end in spans if end > ends}
        is_flagged = is_disturbed or slot.is_cut or len(pinst) < self._n_whole
        return [ShortTerm(begins, short_term(pinst), is_flagged)]
