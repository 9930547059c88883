"""Is it the supply that fell silent, or the way to it?

A dead mains circuit and a sensor that came off look alike: no alternating voltage. What gives the
input away, over a whole cycle:

  * it stands at its limit, or at any constant voltage: a sensor for alternating voltage gives
    none, so it is the input that fails (a stuck converter, a lost bias, a cut wire);
  * not even the converter's own noise is left: the exact same code over and over. A coarse
    converter with a quiet sensor may do that on a dead circuit as well.

The first two are certain, the third is not; all are called doubtful, because the supply was not
seen either way. Noise without any mains says nothing, and is taken for an interruption: an open
input with a good bias looks the same. (Common practice, no source.)
"""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from daemon.records import Waveform

AT_LIMIT = "doubtful_input_at_its_limit"
CONSTANT = "doubtful_constant_voltage"
NO_NOISE = "doubtful_no_noise"
STILL = 0.01  # of declared voltage, rms without the constant part
LEAST_CONSTANT = 0.05  # of declared voltage: more than any sensor's offset
LIMIT = 0.999  # of full scale
SAME_CODE = 1e-6  # of full scale: below the noise of any converter, above the rounding of float32
STEPS = 8  # windows begun in a cycle


@dataclass(frozen=True, slots=True)
class FrontEnd:
    """What stands before the samples of a channel."""

    full_scale_v: float  # mains volts at which the input clips
    is_converter: bool = False  # of hardware, which has noise; a simulation or recording may not


def doubts(
    pieces: list[Waveform], span: tuple[float, float], declared_v: float, cycle: int, end: FrontEnd
) -> tuple[str, ...]:
    """Why the samples within a span of indices may not be the mains; empty when they may.

    :param cycle: samples in a cycle; at least so many must show the same.
    """
    reasons = [
        reason
        for piece in pieces
        if (reason := _doubt(_within(piece, span), declared_v, cycle, end)) is not None
    ]
    return tuple(reason for reason in (AT_LIMIT, CONSTANT, NO_NOISE) if reason in reasons)[:1]


def _within(piece: Waveform, span: tuple[float, float]) -> NDArray[np.float64]:
    first, stop = (max(0, int(index) - piece.first_index) for index in span)
    return piece.volts[first:stop].astype(np.float64)


def _doubt(volts: NDArray[np.float64], declared_v: float, cycle: int, end: FrontEnd) -> str | None:
    if len(volts) < cycle:
        return None
    windows = sliding_window_view(volts, cycle)[:: max(1, cycle // STEPS)]
    constant_v = np.abs(windows.mean(axis=1))
    is_still = windows.std(axis=1) <= STILL * declared_v
    if np.any(is_still & (constant_v >= LIMIT * end.full_scale_v)):
        return AT_LIMIT
    if np.any(is_still & (constant_v > LEAST_CONSTANT * declared_v)):
        return CONSTANT
    is_same = np.ptp(windows, axis=1) <= SAME_CODE * end.full_scale_v
    return NO_NOISE if end.is_converter and np.any(is_same) else None
