"""A stretch of samples straight from the driver, for verbs that look at an input before a watch."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.clock import Clock
from drivers.errors import SourceEnded, SourceFailed
from drivers.source import Block, Source, SourceInfo

READ_TIMEOUT_S = 0.5
PATIENCE_S = 5.0  # without a sample for so long, the input counts as silent


@dataclass(frozen=True, slots=True, eq=False)
class Taken:
    """Samples as they came, and when they came."""

    volts: NDArray[np.float64]  # shape (n_samples, n_inputs), at the converter's input
    next_index: NDArray[np.float64]  # after each block
    arrival_s: NDArray[np.float64]  # monotonic time at which each block was there
    n_lost: int


def take(source: Source, info: SourceInfo, duration_s: float, clock: Clock) -> Taken:
    """Read for `duration_s` seconds' worth of samples, or to the end of a recording.

    :raises SourceFailed: nothing comes any more.
    """
    wanted = round(duration_s * info.sample_rate_hz)
    blocks: list[Block] = []
    arrivals: list[float] = []
    n_taken, silent_since_s = 0, clock.monotonic_ns() / 1e9
    while n_taken < wanted:
        try:
            block = source.read(READ_TIMEOUT_S)
        except SourceEnded:
            break
        now_s = clock.monotonic_ns() / 1e9
        if block is not None:
            blocks.append(block)
            arrivals.append(now_s)
            n_taken += len(block.volts)
            silent_since_s = now_s
        elif now_s - silent_since_s > PATIENCE_S:
            raise SourceFailed(f"the input gave no samples for {PATIENCE_S:g} s")
    shape = (0, len(info.inputs))
    return Taken(
        volts=np.concatenate([np.empty(shape), *(block.volts for block in blocks)])[:wanted],
        next_index=np.array([block.first_index + len(block.volts) for block in blocks], float),
        arrival_s=np.array(arrivals, float),
        n_lost=sum(block.n_lost for block in blocks),
    )
