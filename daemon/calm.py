"""Whether samples can wait to be measured: while nothing disturbs, measuring is cheaper in batches.

This decides only when something is measured, never what comes out. So it may be rough: where it
errs, a value or an event comes some seconds later than it could.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.plan import ChannelSetup, PipelineSetup
from daemon.thresholds import VoltageLimits

Floats32 = NDArray[np.float32]

PIECES = 2  # of a cycle: half cycles tell no less than whole ones, and a short dip fills one
SAMPLES = 20  # of each piece are looked at: rms hardly needs more
RISE_SHARE = 0.5  # of the threshold of transients: a peak that is higher by this does not wait
CLEARANCE = 0.01  # of a limit: so near it, an rms value over the true period may be beyond


@dataclass(frozen=True, slots=True)
class _Limits:
    """Of the sum of squares of a piece of one line, in V^2 at the input, as everything here."""

    column: int
    offset_v: float
    least_v2: float
    most_v2: float


class Calm:
    """Looks at the frames of one segment before they are measured.

    :param setup: whose lines are watched.
    """

    def __init__(self, setup: PipelineSetup) -> None:
        self._step, self._per_piece = _looked_at(setup.sample_rate_hz / setup.supply.frequency_hz)
        lines = [setup.channels[number] for number in setup.lines]
        self._lines = [self._limits_of(line, setup.limits) for line in lines]
        pct = np.inf if setup.transient_pct is None else setup.transient_pct
        rise_v = RISE_SHARE * pct / 100 * np.sqrt(2) * setup.supply.declared_v
        self._rise_v = float(rise_v / max(abs(line.gain_v_per_v) for line in lines))
        self.begin()

    def begin(self) -> None:
        """A new segment starts."""
        self._was_calm = False
        self._range_v = (-np.inf, np.inf)  # of the frame before, at the input

    def look(self, volts: Floats32) -> bool:
        """Whether neither this frame nor the one before holds a dip, a swell or an interruption.

        What happens at the very end of a frame is found with the next one, so that one does not
        wait either. Of transients those are seen that rise above the wave's own peak.

        :param volts: shape (n_samples, n_inputs), at the converter's input.
        """
        is_higher = self._rises(volts)
        was_calm, self._was_calm = self._was_calm, self._is_within(volts) and not is_higher
        return was_calm and self._was_calm

    def _limits_of(self, line: ChannelSetup, limits: VoltageLimits) -> _Limits:
        # For a sum of squares there is no sign of the gain.
        scale = self._per_piece / line.gain_v_per_v**2
        least_v2 = scale * (limits.dip_v * (1 + CLEARANCE)) ** 2
        most_v2 = scale * (limits.swell_v * (1 - CLEARANCE)) ** 2
        return _Limits(line.column, line.offset_v, least_v2, most_v2)

    def _is_within(self, volts: Floats32) -> bool:
        """Whether each half of a nominal cycle is clear of the limits on every line."""
        n_pieces = len(volts) // (self._step * self._per_piece)
        some = volts[: n_pieces * self._step * self._per_piece : self._step]
        for line in self._lines:
            wave = some[:, line.column]
            if line.offset_v:
                wave = wave - np.float32(line.offset_v)
            pieces = wave.reshape(n_pieces, self._per_piece)
            squares = np.einsum("ij,ij->i", pieces, pieces)
            if squares.min() < line.least_v2 or squares.max() > line.most_v2:
                return False
        return True

    def _rises(self, volts: Floats32) -> bool:
        """Whether the highest or the lowest of all samples lies well beyond that before."""
        low_before, high_before = self._range_v
        self._range_v = low, high = float(volts.min()), float(volts.max())
        return low < low_before - self._rise_v or high > high_before + self._rise_v


def _looked_at(cycle: float) -> tuple[int, int]:
    """Every how manyth sample is looked at, and how many of them are a piece.

    :param cycle: samples in a nominal one.
    """
    piece = cycle / PIECES
    most = max(1, round(piece / SAMPLES))
    steps = range(most, most // 2, -1)
    step = min(steps, key=lambda step: abs(step * round(piece / step) - piece))
    return step, max(1, round(piece / step))
