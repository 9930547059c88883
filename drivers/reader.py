"""What a file format offers to the recording driver: its contents, and the samples in order."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Contents:
    """What a recording holds. Tuples have one entry per column, in the order of the file."""

    sample_rate_hz: float
    n_samples: int
    bits: int  # resolution of the stored values; the significand of a float
    columns: tuple[str, ...]
    full_scale_v: tuple[float, ...]  # largest |volts| the format and its scale can hold
    skew_us: tuple[float, ...]  # sampling delay of each column
    start_utc_s: float | None = None  # of the first sample, seconds since 1970 UTC


class Reader(Protocol):
    """An opened recording, read from its start to its end."""

    @property
    def contents(self) -> Contents:
        """What the recording holds."""
        ...

    def read_v(self, n_samples: int) -> NDArray[np.float32]:
        """The next samples in volts, shape (at most `n_samples`, columns); none at the end.

        A value that the recording marks as missing is not finite.

        :raises SourceFailed: the file can no longer be read.
        """
        ...

    def close(self) -> None:
        """Close the file. Harmless when already closed."""
        ...
