"""One line of the accuracy table: what was expected, what was measured, what is allowed."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

ROUNDING = 1e-9  # of a count that has to be exact


class Grade(StrEnum):
    """How well a limit is known."""

    MEMORY = "from memory of the standard"
    LIKELY = "from memory of the standard, less sure"
    OWN = "our own aim, in no standard"


@dataclass(frozen=True, slots=True)
class Limit:
    """The largest difference allowed. A width of 0: the figure has to be exact."""

    width: float
    unit: str
    source: str
    grade: Grade

    @property
    def text(self) -> str:
        """Where it comes from."""
        return f"{self.source} ({self.grade})"

    def at(self, width: float) -> "Limit":
        """The same rule, worked out for another value."""
        return replace(self, width=width)


@dataclass(frozen=True, slots=True)
class Row:
    """One case at one sampling rate. A measured NaN: there was no value."""

    case: str
    rate_hz: int
    expected: float
    measured: float
    limit: Limit

    @property
    def share(self) -> float:
        """How much of the limit was used; beyond 1 the case failed."""
        away = abs(self.measured - self.expected)
        if not np.isfinite(away):
            return np.inf
        if self.limit.width == 0:
            return 0.0 if away <= ROUNDING else np.inf
        return away / self.limit.width

    @property
    def is_within(self) -> bool:
        return self.share <= 1


def worst(case: str, rows: Sequence[Row]) -> Row:
    """The row that used most of its limit, under the name of all of them."""
    farthest = max(rows, key=lambda row: row.share)
    return replace(farthest, case=f"{case}: worst of {len(rows)}" if len(rows) > 1 else case)


_A = "IEC 61000-4-30 class A"
FREQUENCY = Limit(0.010, "Hz", f"{_A}, power frequency", Grade.MEMORY)
MAGNITUDE = Limit(0.1, "%", f"{_A}, magnitude, of declared voltage", Grade.MEMORY)
EVENT_MAGNITUDE = Limit(0.2, "%", f"{_A}, dips and swells, of declared voltage", Grade.MEMORY)
EVENT_DURATION = Limit(1.0, "cycles", f"{_A}, duration: half a cycle at each end", Grade.MEMORY)
RAPID_CHANGE = Limit(0.2, "%", f"{_A}, rapid voltage change, of declared voltage", Grade.LIKELY)
UNBALANCE = Limit(0.15, "%", f"{_A}, unbalance, absolute", Grade.MEMORY)
HARMONIC = Limit(
    0.0, "%", "IEC 61000-4-7 class I: 5 %, or 0.05 % of nominal below 1 %", Grade.MEMORY
)
PST = Limit(0.05, "Pst", "IEC 61000-4-15 ed. 2, table 5", Grade.MEMORY)
PINST = Limit(0.08, "Pinst", "IEC 61000-4-15 ed. 2, tables 1 and 2", Grade.MEMORY)
EXACT = Limit(0.0, "", "exact: a count", Grade.OWN)


def harmonic_limit(percent: float) -> Limit:
    """Class I for a harmonic of so many % of the nominal voltage."""
    return HARMONIC.at(0.05 * percent if percent >= 1 else 0.05)
