"""When to ask a converter whether it is still set up.

A converter whose answers carry no check word says nothing when its line sticks or floats, or when
it has reset itself and scales anew; only its registers show it, and asking takes bus time. These
are samples that a mains voltage hardly gives, so they are asked about before anybody sees them. A
real dip is asked about as well, which does no harm.
"""

import numpy as np
from numpy.typing import NDArray

LARGEST_STEP = 0.5  # of full scale, from one sample to the next
SAME_RMS = 1.25  # from one block to the next, as a factor


class Plausible:
    """Looks at each block of samples once."""

    def __init__(self, full_scale_v: float) -> None:
        self._full_scale_v = full_scale_v
        self._before_v: NDArray[np.float64] | None = None

    def is_odd(self, volts: NDArray[np.float64]) -> bool:
        """Whether samples of shape (n, n_inputs) stand still, leap, or differ in size from those
        before."""
        rms_v = np.std(volts, axis=0)
        before_v, self._before_v = self._before_v, rms_v
        if before_v is None or np.any(np.ptp(volts, axis=0) == 0.0):
            return True
        leaps = np.abs(np.diff(volts, axis=0)) > LARGEST_STEP * self._full_scale_v
        is_other = (rms_v > SAME_RMS * before_v) | (before_v > SAME_RMS * rms_v)
        return bool(leaps.any() or is_other.any())
