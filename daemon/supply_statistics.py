"""Statistics of one day and channel in a fixed space: histograms of what a supply limit asks for.

Ten-minute values of voltage, distortion, unbalance and flicker, and ten-second values of frequency.
A flagged value (IEC 61000-4-30: a dip, swell, interruption or gap touches its interval) is counted
and left out. Days, and the same day of several runs, are added up; a percentile found from the bins
is within half a bin of the one found from the values.
"""

import math
import struct
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

_MAGIC = b"HCS1"  # the 1 stands for the scales below: new scales, new number
_COUNT_TYPE = "<u4"


class Quantity(StrEnum):
    """What is counted, and its unit."""

    VOLTAGE = "voltage"  # 10-minute rms in % of the declared voltage
    FREQUENCY = "frequency"  # over 10 s, Hz
    DISTORTION = "distortion"  # THD over 10 minutes, %
    UNBALANCE = "unbalance"  # u2 over 10 minutes, %
    FLICKER = "flicker"  # Pst


@dataclass(frozen=True, slots=True)
class Scale:
    """`n_bins` bins of `width`, the first from 0 or above it; what lies higher has one more bin.

    A value on the edge of two bins belongs to the one nearer to the closest of `centres`, so that a
    value exactly on a limit counts as within it.
    """

    first: float
    width: float
    n_bins: int
    centres: tuple[float, ...]

    @property
    def end(self) -> float:
        """The upper edge of the last bin."""
        return self.first + self.width * self.n_bins

    def position(self, value: float) -> int:
        """The bin of a value: 0 for those below the first, n_bins + 1 for those above the last."""
        place = (value - self.first) / self.width
        centre = min(self.centres, key=lambda one: abs(one - value))
        edge = round(place)
        if abs(place - edge) < 1e-6:  # 230 V * 0.9 / 230 V and the like are not exact
            place = edge - 0.5 if value > centre else edge + 0.5
        return min(max(math.floor(place) + 1, 0), self.n_bins + 1)


SCALES = {
    Quantity.VOLTAGE: Scale(0.0, 0.1, 2000, (100.0,)),
    Quantity.FREQUENCY: Scale(40.0, 0.01, 3000, (50.0, 60.0)),
    Quantity.DISTORTION: Scale(0.0, 0.1, 500, (0.0,)),
    Quantity.UNBALANCE: Scale(0.0, 0.05, 400, (0.0,)),
    Quantity.FLICKER: Scale(0.0, 0.05, 400, (0.0,)),
}


class Histogram:
    """Counts of values in the bins of one scale, and of those flagged."""

    def __init__(self, scale: Scale) -> None:
        self._scale = scale
        self.counts: NDArray[np.int64] = np.zeros(scale.n_bins + 2, np.int64)
        self.n_flagged = 0

    def add(self, value: float, flagged: bool = False) -> None:
        """Count one value; what is not a finite number counts as flagged."""
        if flagged or not math.isfinite(value):
            self.n_flagged += 1
        else:
            self.counts[self._scale.position(value)] += 1

    def merge(self, other: "Histogram") -> None:
        """Count all that another one of the same scale has counted."""
        self.counts += other.counts
        self.n_flagged += other.n_flagged

    @property
    def n_values(self) -> int:
        """How many values were counted, those flagged left out."""
        return int(self.counts.sum())

    def percentile(self, percent: float) -> float | None:
        """The percentile of the values, linear between neighbours, as numpy has it.

        Each value is taken for the middle of its bin, so the result is within half a bin, as long
        as no value lies outside the scale. None without values.
        """
        if self.n_values == 0:
            return None
        ends = np.cumsum(self.counts)
        place = (self.n_values - 1) * percent / 100
        low, high = (
            self._middle(int(np.searchsorted(ends, order, side="right")))
            for order in (math.floor(place), math.ceil(place))
        )
        return low + (high - low) * (place - math.floor(place))

    def _middle(self, position: int) -> float:
        inside = min(max(position - 0.5, 0.0), float(self._scale.n_bins))
        return self._scale.first + self._scale.width * inside

    def share_within_pct(self, low: float | None, high: float | None) -> float | None:
        """The share of the values from `low` to `high`, both included, in %; None without values.

        Exact for limits on the edge of a bin; elsewhere the values of that one bin are taken to be
        spread evenly over it.
        """
        if self.n_values == 0:
            return None
        below = 0.0 if low is None else self._n_below(low)
        up_to = float(self.n_values) if high is None else self._n_below(high)
        return 100 * max(up_to - below, 0.0) / self.n_values

    def _n_below(self, level: float) -> float:
        place = min(max((level - self._scale.first) / self._scale.width, 0.0), self._scale.n_bins)
        edge = round(place)
        if abs(place - edge) < 1e-6:
            return float(self.counts[: edge + 1].sum())
        whole = math.floor(place)
        part = (place - whole) * float(self.counts[whole + 1])
        return float(self.counts[: whole + 1].sum()) + part

    def pack(self) -> bytes:
        """The counts as bytes of a fixed length."""
        counts = np.concatenate([[self.n_flagged], self.counts])
        return bytes(np.minimum(counts, 0xFFFF_FFFF).astype(_COUNT_TYPE).tobytes())

    @classmethod
    def unpack(cls, scale: Scale, data: bytes) -> "Histogram":
        """The inverse of `pack`."""
        counts: NDArray[np.int64] = np.frombuffer(data, _COUNT_TYPE).astype(np.int64)
        found = cls(scale)
        found.n_flagged, found.counts = int(counts[0]), counts[1:]
        return found


class SupplyStatistics:
    """The histograms of every quantity, of one channel over one day or more."""

    def __init__(self) -> None:
        self._histograms = {quantity: Histogram(scale) for quantity, scale in SCALES.items()}

    def add(self, quantity: Quantity, value: float, flagged: bool = False) -> None:
        """Count one value, in the unit that `Quantity` names."""
        self._histograms[quantity].add(value, flagged)

    def of(self, quantity: Quantity) -> Histogram:
        """The histogram of one quantity."""
        return self._histograms[quantity]

    def merge(self, other: "SupplyStatistics") -> None:
        """Count all that another one has counted."""
        for quantity, histogram in self._histograms.items():
            histogram.merge(other.of(quantity))

    def to_bytes(self) -> bytes:
        """Everything counted, as it is stored: about 1 kB for a day, by the test of this."""
        packed = b"".join(histogram.pack() for histogram in self._histograms.values())
        return _MAGIC + struct.pack("<I", zlib.crc32(packed)) + zlib.compress(packed, 9)

    @classmethod
    def from_bytes(cls, data: bytes) -> "SupplyStatistics":
        """The inverse of `to_bytes`.

        :raises ValueError: not statistics, of another version, or damaged.
        """
        if data[:4] != _MAGIC or len(data) < 8:
            raise ValueError("these are no statistics of this version")
        size = sum(4 * (scale.n_bins + 3) for scale in SCALES.values())
        try:
            packed = zlib.decompressobj().decompress(data[8:], size + 1)
        except zlib.error as error:
            raise ValueError("the statistics are damaged") from error
        if len(packed) != size or zlib.crc32(packed) != struct.unpack("<I", data[4:8])[0]:
            raise ValueError("the statistics are damaged")
        found, at = cls(), 0
        for quantity, scale in SCALES.items():
            end = at + 4 * (scale.n_bins + 3)
            found._histograms[quantity] = Histogram.unpack(scale, packed[at:end])
            at = end
        return found


def total(parts: Iterable[SupplyStatistics]) -> SupplyStatistics:
    """Several days, or runs, as one."""
    found = SupplyStatistics()
    for part in parts:
        found.merge(part)
    return found
