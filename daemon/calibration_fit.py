"""What a steady voltage tells about a channel: gain, offset, linearity, noise, effective bits.

Each second is described by a constant and a sine with its harmonics, fitted by least squares with
the frequency found as well (the sine fit of IEEE Std 1057, clause numbers from memory, with
harmonics added). What the fit leaves over is noise.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.calibration import Level
from daemon.errors import InputError

Floats = NDArray[np.float64]

PIECE_S = 1.0
MOST_ORDERS = 50
USABLE_BAND = 0.45  # of the sampling rate
FREQUENCY_ROUNDS = 4
SCALE_SLACK = 0.06  # supplies are within 10 % of nominal most of the time; ratios lie further apart
MOST_LINEARITY_PCT = 1.0  # of the reading; sensors keep well below (common practice, no source)
MOST_UNCERTAINTY_PCT = 5.0  # k = 2; half the usual distance from nominal to a dip's threshold

RATIOS = (
    (2.0, "twice"),
    (0.5, "half"),
    (math.sqrt(2), "1.41 times (a peak value taken for rms?)"),
    (1 / math.sqrt(2), "0.71 times (rms taken for a peak value?)"),
    (2 * math.sqrt(2), "2.83 times (peak to peak taken for rms?)"),
    (math.sqrt(3), "1.73 times (phase to phase instead of phase to neutral?)"),
    (1 / math.sqrt(3), "0.58 times (phase to neutral instead of phase to phase?)"),
    (4.0, "four times"),
    (0.25, "a quarter of"),
    (1000.0, "a thousand times (millivolts?)"),
    (0.001, "a thousandth of (kilovolts?)"),
)


@dataclass(frozen=True, slots=True)
class SineFit:
    """One piece of signal as constant, harmonics and rest."""

    offset_v: float
    frequency_hz: float
    harmonics_rms_v: tuple[float, ...]  # from the first order on
    rest_rms_v: float

    @property
    def rms_v(self) -> float:
        return math.hypot(*self.harmonics_rms_v)

    @property
    def distortion_pct(self) -> float:
        first, *others = self.harmonics_rms_v
        return 100 * math.hypot(*others) / first if others else 0.0


@dataclass(frozen=True, slots=True)
class Result:
    """What all levels of a channel together give."""

    gain_v_per_v: float
    offset_v: float
    linearity_pct: float | None
    noise_v: float  # mains volts rms at the highest level
    residual_distortion_pct: float
    effective_bits: float


def measure_level(
    volts: Floats, sample_rate_hz: float, nominal_hz: float, reference_v: float
) -> Level:
    """One level from at least two seconds at the converter's input.

    :param volts: shape (n,), a whole record without lost samples.
    :raises InputError: there is no sine near the nominal frequency in it.
    """
    size = round(PIECE_S * sample_rate_hz)
    pieces = [volts[n : n + size] for n in range(0, len(volts) - size + 1, size)]
    if len(pieces) < 2:
        raise InputError("a level needs at least two seconds of samples without a gap")
    fits = [fit_sine(piece, sample_rate_hz, nominal_hz) for piece in pieces]
    rms = np.array([fit.rms_v for fit in fits])
    if not float(np.mean([fit.rest_rms_v for fit in fits])) < 0.5 * float(rms.mean()):
        raise InputError(
            f"there is no steady sine near {nominal_hz:g} Hz on this input; check the sensor, the "
            "number of the input and supply.frequency_hz"
        )
    return Level(
        reference_v=reference_v,
        input_rms_v=float(rms.mean()),
        input_offset_v=float(np.mean([fit.offset_v for fit in fits])),
        input_noise_v=float(np.sqrt(np.mean([fit.rest_rms_v**2 for fit in fits]))),
        frequency_hz=float(np.mean([fit.frequency_hz for fit in fits])),
        distortion_pct=float(np.mean([fit.distortion_pct for fit in fits])),
        repeatability_pct=float(100 * rms.std(ddof=1) / rms.mean() / math.sqrt(len(fits))),
        duration_s=len(fits) * PIECE_S,
    )


def fit_sine(volts: Floats, sample_rate_hz: float, nominal_hz: float) -> SineFit:
    """Least squares of a constant, a sine and its harmonics.

    The frequency is refined by the phase that the two halves of the record differ in.
    """
    frequency_hz = _coarse_frequency(volts, sample_rate_hz, nominal_hz)
    for _ in range(FREQUENCY_ROUNDS):
        frequency_hz = _better_frequency(volts, sample_rate_hz, frequency_hz, nominal_hz)
    n_orders = max(1, min(MOST_ORDERS, int(USABLE_BAND * sample_rate_hz / frequency_hz)))
    angle = 2 * np.pi * frequency_hz / sample_rate_hz * np.arange(len(volts))
    columns = [np.ones(len(volts))]
    for order in range(1, n_orders + 1):
        columns += [np.cos(order * angle), np.sin(order * angle)]
    design = np.stack(columns, axis=1)
    # normal equations: the columns are nearly orthogonal over whole cycles
    weights = np.linalg.solve(design.T @ design, design.T @ volts)
    rest = volts - design @ weights
    freedom = max(len(volts) - len(weights), 1)
    sizes = np.hypot(weights[1::2], weights[2::2]) / math.sqrt(2)
    return SineFit(
        float(weights[0]), frequency_hz, tuple(sizes.tolist()), math.sqrt(rest @ rest / freedom)
    )


def _coarse_frequency(volts: Floats, rate_hz: float, nominal_hz: float) -> float:
    """The largest line within a fifth of nominal: right to half a line, which refining needs."""
    lines = np.abs(np.fft.rfft((volts - volts.mean()) * np.hanning(len(volts))))
    first, last = (round(share * nominal_hz * len(volts) / rate_hz) for share in (0.8, 1.2))
    return float((first + np.argmax(lines[first : last + 1])) * rate_hz / len(volts))


def _better_frequency(volts: Floats, rate_hz: float, guess_hz: float, nominal_hz: float) -> float:
    half = len(volts) // 2
    window = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(half) + 0.5) / half)
    turn = np.exp(-2j * np.pi * guess_hz / rate_hz * np.arange(2 * half))
    mixed = (volts[: 2 * half] - volts.mean()) * turn
    first, second = mixed[:half] @ window, mixed[half:] @ window
    if abs(first) == 0.0 or abs(second) == 0.0:
        return guess_hz
    change_hz = float(np.angle(second / first)) / (2 * np.pi * half / rate_hz)
    return float(np.clip(guess_hz + change_hz, 0.8 * nominal_hz, 1.2 * nominal_hz))


def fit_levels(levels: tuple[Level, ...], full_scale_v: float) -> Result:
    """One gain for all levels: a straight line through zero.

    Each level counts alike in per cent (weights 1 / reference squared), so that linearity is the
    largest deviation from the line in % of the reading. The offset is the mean of the levels'.
    Effective bits compare noise with that of an ideal converter, whose step is rounded with
    step / sqrt(12) rms (IEEE Std 1057): the distortion of the supply is left out of it.
    """
    ratios = np.array([level.input_rms_v / level.reference_v for level in levels])
    gain = float(ratios.sum() / (ratios @ ratios))
    highest = max(levels, key=lambda level: level.reference_v)
    noise_v = max(highest.input_noise_v, full_scale_v * 2.0**-40)
    return Result(
        gain_v_per_v=gain,
        offset_v=float(np.mean([level.input_offset_v for level in levels])),
        linearity_pct=float(100 * np.max(np.abs(gain * ratios - 1))) if len(levels) > 1 else None,
        noise_v=gain * highest.input_noise_v,
        residual_distortion_pct=highest.distortion_pct,
        effective_bits=math.log2(2 * full_scale_v / (noise_v * math.sqrt(12))),
    )


def scale_doubts(
    reference_v: float, nominal_v: float | None, former_v: float | None
) -> tuple[str, ...]:
    """What looks like a wrong scale, one sentence each; empty when nothing does.

    :param nominal_v: the declared voltage; None when the level was set to something else on
        purpose.
    :param former_v: what the channel's present gain makes of the same input; None without one.
    """
    doubts = []
    if nominal_v is not None:
        words = _ratio_words(reference_v / nominal_v)
        if words:
            doubts.append(
                f"the meter's {reference_v:g} V are {words} supply.nominal_v ({nominal_v:g} V)"
            )
    if former_v:
        words = _ratio_words(reference_v / former_v)
        if words:
            doubts.append(
                f"the meter's {reference_v:g} V are {words} what the present gain gives "
                f"({former_v:.4g} V)"
            )
    return tuple(doubts)


def level_doubts(
    levels: tuple[Level, ...], linearity_pct: float | None, uncertainty_pct: float
) -> tuple[str, ...]:
    """What is wrong between the levels, one sentence naming them; empty when nothing is.

    :param uncertainty_pct: of the gain, expanded (k = 2).
    """
    named = ", ".join(f"{one.reference_v:g} V ({one.input_rms_v:.6g} V in)" for one in levels)
    if linearity_pct is not None and linearity_pct > MOST_LINEARITY_PCT:
        return (
            f"the levels {named} do not fit one gain: they lie up to {linearity_pct:.3g} % from it",
        )
    if uncertainty_pct > MOST_UNCERTAINTY_PCT:
        return (f"the gain from {named} is uncertain by {uncertainty_pct:.2g} % (k = 2)",)
    return ()


def _ratio_words(ratio: float) -> str | None:
    near = [words for value, words in RATIOS if abs(ratio / value - 1) <= SCALE_SLACK]
    if near:
        return near[0]
    return None if 0.75 < ratio < 1.35 else f"{ratio:.3g} times"
