"""An input that stands still where the supply would be in order: no event shows it.

A voltage that stands at 0 reads as an interruption and one beyond the limits as a swell; their
events are called doubtful (`doubt.py`). One that stands at 230 V has the rms value of a sound
supply. Mains swings through zero, so it is the sensor or the converter, and the supply was not
seen. (Common practice, no source.)
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from daemon.measure.channel import Supply
from daemon.records import Finding

STILL = 0.02  # of declared voltage, from the lowest to the highest sample
LOOK_S = 0.2  # one cycle is looked at in so much time
CYCLES_PER_LOOK = 1.25  # a whole cycle, at any frequency the mains may have


class StandingInput:
    """Looks at the samples of one channel; says when they stand still and when that is over."""

    def __init__(self, channel: str, sample_rate_hz: float, supply: Supply, least_v: float) -> None:
        """:param least_v: a constant voltage below it is an event of its own."""
        self._channel = channel
        self._rate_hz = sample_rate_hz
        self._still_v = STILL * supply.declared_v
        self._least_v = least_v
        self._cycle = round(CYCLES_PER_LOOK * sample_rate_hz / supply.frequency_hz)
        self._step = round(LOOK_S * sample_rate_hz)
        self._since: int | None = None  # the first sample of the first look that stood still

    def feed(self, first_index: int, volts: NDArray[np.float64]) -> Iterator[Finding]:
        """Take one frame, in V of the mains."""
        starts = np.arange(0, len(volts) - self._cycle + 1, self._step)
        is_suspect = self._may_stand(volts, starts)
        if self._since is None and not is_suspect.any():
            return
        for start, is_worth_it in zip(starts.tolist(), is_suspect.tolist(), strict=True):
            look = volts[start : start + self._cycle]
            is_standing = is_worth_it and float(np.ptp(look)) <= self._still_v
            yield from self._judge(first_index + start, float(look[0]), is_standing=is_standing)

    def finish(self, next_index: int) -> Iterator[Finding]:
        """The segment is over."""
        yield from self._judge(next_index, 0.0, is_standing=False)

    def _may_stand(
        self, volts: NDArray[np.float64], starts: NDArray[np.int64]
    ) -> NDArray[np.bool_]:
        """By two samples of each cycle looked at, so nearly never; and for next to nothing."""
        first_v, later_v = volts[starts], volts[starts + self._cycle // 4]
        is_high = np.abs(first_v) >= self._least_v
        found: NDArray[np.bool_] = is_high & (np.abs(later_v - first_v) <= self._still_v)
        return found

    def _judge(self, index: int, volts: float, *, is_standing: bool) -> Iterator[Finding]:
        if is_standing and self._since is None:
            self._since = index
            yield self._finding(None, f"stands still at {volts:.0f} V", "is not seen meanwhile")
        elif not is_standing and self._since is not None:
            duration_s = (index - self._since) / self._rate_hz
            what = f"stood still for {duration_s:.1f} s"
            yield self._finding(duration_s, what, "was not seen meanwhile")
            self._since = None

    def _finding(self, duration_s: float | None, what: str, unseen: str) -> Finding:
        start_s = (self._since or 0) / self._rate_hz
        text = (
            f"{self._channel}: the input {what}: it is the sensor or the converter, "
            f"and the supply {unseen}"
        )
        return Finding(start_s, duration_s, text)
