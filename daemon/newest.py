"""The newest cycles and rms of one channel, for people to look at.

Of samples that wait to be measured both are taken from the samples themselves; what is stored
comes from the measurement that follows.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.evidence import SampleHistory
from daemon.measure.fundamental import Crossings
from daemon.measure.rms import accumulate_energy, window_rms

Floats = NDArray[np.float64]
Cycle = tuple[float, float]  # an upward zero crossing and the period from there, in samples

PHASE_CYCLES = 4  # by which the phase of waiting samples is found
NEWEST_S = 0.3  # of waiting samples are looked at


def newest_upward(crossings: Crossings, before: Cycle | None) -> Cycle | None:
    """The latest upward crossing and its period; `before` where there is none."""
    upward = np.flatnonzero(crossings.is_upward)
    if not len(upward):
        return before
    newest = int(upward[-1])
    return float(crossings.index[newest]), float(crossings.period[newest])


def newest_wave(
    history: SampleHistory, newest: Cycle | None, n_cycles: int, rate_hz: float
) -> Floats:
    """The whole cycles in V up to the one that begins with the newest upward crossing."""
    if newest is None:
        return np.empty(0)
    start, period = newest
    first = start - (n_cycles - 1) * period
    wave = history.cut(first / rate_hz, (start + period) / rate_hz)
    return np.empty(0) if wave is None else wave.volts.astype(np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Waiting:
    """The newest samples of one channel, not measured yet."""

    volts: Floats
    phase_from: Floats  # the same stretch of the channel whose crossings count
    period: float  # of that channel's cycles as measured last, in samples

    def wave(self, n_cycles: int) -> Floats:
        """The newest whole cycles, from an upward crossing on."""
        start = newest_start(self.phase_from, self.period)
        first = max(0, round(start - (n_cycles - 1) * self.period))
        return self.volts[first : round(start + self.period)]

    def rms_v(self) -> float:
        """Over the newest whole cycle."""
        start = np.array([newest_start(self.phase_from, self.period)])
        energy = accumulate_energy(self.volts)
        return float(window_rms(energy, start, np.array([self.period]))[0])


def newest_start(volts: Floats, period: float) -> float:
    """Where the newest whole cycle of the fundamental begins."""
    first = max(0, len(volts) - round(PHASE_CYCLES * period))
    turns = np.arange(first, len(volts)) / period
    phasor = np.exp(-2j * np.pi * turns) @ volts[first:]
    # A sine that begins at place p lies a quarter turn and p behind.
    place = -(np.angle(phasor) / (2 * np.pi) + 0.25) * period
    return float(place + np.floor((len(volts) - 0.5 - period - place) / period) * period)
