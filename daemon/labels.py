"""Names that published tables give to an event of some depth and duration.

All edges are half-open, and the side is ours: no edition says on which side an event exactly on
an edge lies. Durations belong to the shorter class up to and including the edge, as "30 cycles
to 3 s" follows "to 30 cycles". Voltages: see each table.

Tables from memory of IEEE 1159 (2009, 2019) and of the UNIPEDE survey (DISDIP), as EN 50160 has
it; voltages in % of the declared one.
"""

import math
from dataclasses import dataclass

from daemon.records import Kind

VOLTAGE_KINDS = (Kind.DIP, Kind.SWELL, Kind.INTERRUPTION)
HALF_CYCLE = 0.5
ROUNDING = 1e-9  # a duration counted in cycles must not change sides by a rounding error
INSTANTANEOUS_CYCLES = 30
MOMENTARY_S = 3.0
TEMPORARY_S = 60.0
INTERRUPTION_PCT = 10.0  # IEEE 1159: below this it is an interruption
# Highest swell that the table has for each time; above it the event has no name there.
SWELL_UP_TO_PCT = {"instantaneous": 180.0, "momentary": 140.0, "temporary": 120.0}
UNDERVOLTAGE_FROM_PCT = 80.0
OVERVOLTAGE_UP_TO_PCT = 120.0


def ieee_1159_category(
    kind: Kind, value_pct: float, duration_s: float, frequency_hz: float
) -> str | None:
    """Category of a dip, swell or interruption; None where the table has none for it.

    A dip is below 90 % and from 10 % on; exactly 10 % is a sag, exactly 90 % and 110 % are no
    event. A swell may reach 180, 140 and 120 % (included) as it lasts longer; an undervoltage
    goes down to 80 % (included). What exceeds these is in no category, nor is less than half a
    cycle. There is no instantaneous interruption: all up to 3 s are momentary.

    :param value_pct: residual voltage, or the highest one of a swell.
    """
    if kind not in VOLTAGE_KINDS or duration_s * frequency_hz < HALF_CYCLE - ROUNDING:
        return None
    if value_pct < INTERRUPTION_PCT:
        return _interruption(duration_s)
    period = _period(duration_s, frequency_hz)
    if value_pct < 90:
        return _sag(period, value_pct)
    return _swell(period, value_pct) if value_pct > 110 else None


def _period(duration_s: float, frequency_hz: float) -> str | None:
    """Name of the time an event lasts; None for more than a minute."""
    if duration_s * frequency_hz <= INSTANTANEOUS_CYCLES + ROUNDING:
        return "instantaneous"
    if duration_s <= MOMENTARY_S:
        return "momentary"
    return "temporary" if duration_s <= TEMPORARY_S else None


def _interruption(duration_s: float) -> str:
    if duration_s <= MOMENTARY_S:
        return "momentary interruption"
    return "temporary interruption" if duration_s <= TEMPORARY_S else "sustained interruption"


def _sag(period: str | None, value_pct: float) -> str | None:
    if period is not None:
        return f"{period} sag"
    return "undervoltage" if value_pct >= UNDERVOLTAGE_FROM_PCT else None


def _swell(period: str | None, value_pct: float) -> str | None:
    if period is not None:
        return f"{period} swell" if value_pct <= SWELL_UP_TO_PCT[period] else None
    return "overvoltage" if value_pct <= OVERVOLTAGE_UP_TO_PCT else None


@dataclass(frozen=True, slots=True)
class DisdipCell:
    """A cell of the table in which surveys count dips."""

    residual: str
    duration: str

    def __str__(self) -> str:
        return f"{self.residual}, {self.duration}"


# From this residual voltage on, up to below the row before.
DISDIP_ROWS = (
    (80.0, "90 to 80 %"),
    (70.0, "80 to 70 %"),
    (40.0, "70 to 40 %"),
    (5.0, "40 to 5 %"),
    (-math.inf, "below 5 %"),
)
# Up to and including this duration, from above the column before.
DISDIP_COLUMNS = (
    (0.2, "10 to 200 ms"),
    (0.5, "0.2 to 0.5 s"),
    (1.0, "0.5 to 1 s"),
    (5.0, "1 to 5 s"),
    (60.0, "5 to 60 s"),
)
DISDIP_FROM_S = 0.01


def disdip_cell(kind: Kind, value_pct: float, duration_s: float) -> DisdipCell | None:
    """Cell of a dip or interruption of 10 ms to 60 s, both included, below 90 %; else None.

    Exactly 80, 70, 40 and 5 % belong to the row above, the milder one.
    """
    is_counted = kind in (Kind.DIP, Kind.INTERRUPTION) and value_pct < 90
    if not is_counted or not DISDIP_FROM_S <= duration_s <= DISDIP_COLUMNS[-1][0]:
        return None
    row = next(name for from_pct, name in DISDIP_ROWS if value_pct >= from_pct)
    column = next(name for up_to_s, name in DISDIP_COLUMNS if duration_s <= up_to_s)
    return DisdipCell(row, column)
