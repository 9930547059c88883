"""Names that published tables give to an event of some depth and duration.

The tables are the classification profiles, and nothing else: those built in give the category of
IEEE 1159 and the cell of the UNIPEDE (DISDIP) grid that is stored with every event. EN 50160 counts
dips in other rows and columns (80, 70, 40 and 5 %; 0.2, 0.5, 1, 5 and 60 s, from memory), so a cell
here is none of its table.
"""

import math
from functools import cache
from typing import Protocol

from daemon.profiles import find_profile
from daemon.records import Kind
from daemon.tolerance import ClassificationProfile

VOLTAGE_KINDS = (Kind.DIP, Kind.SWELL, Kind.INTERRUPTION)
ROUNDING = 1e-9  # a duration counted in cycles must not change sides by a rounding error


class Rectangle(Protocol):
    """What a table looks at: the extreme and the whole duration, None while it is open."""

    @property
    def kind(self) -> Kind: ...
    @property
    def value_pct(self) -> float: ...
    @property
    def duration_s(self) -> float | None: ...


def labels_of(event: Rectangle, frequency_hz: float) -> tuple[str | None, str | None]:
    """Category by IEEE 1159 and cell of the UNIPEDE grid; None where there is none.

    :param frequency_hz: of the supply as declared: some edges are counted in cycles.
    """
    kind, value_pct, duration_s = event.kind, event.value_pct, event.duration_s
    category = ieee_1159_category(kind, value_pct, duration_s, frequency_hz)
    return category, disdip_cell(kind, value_pct, duration_s)


def ieee_1159_category(
    kind: Kind, value_pct: float, duration_s: float | None, frequency_hz: float
) -> str | None:
    """Category such as "momentary dip (sag)"; the standard has no instantaneous interruption."""
    return class_of(_builtin("ieee-1159"), kind, value_pct, duration_s, frequency_hz)


def disdip_cell(kind: Kind, value_pct: float, duration_s: float | None) -> str | None:
    """Cell such as "depth 30-60 % for 1-3 s", of dips and interruptions down to 1 %."""
    profile = _builtin("unipede")
    return class_of(profile, kind, value_pct, duration_s, frequency_hz=50.0)  # no edge in cycles


def class_of(
    profile: ClassificationProfile,
    kind: Kind,
    value_pct: float,
    duration_s: float | None,
    frequency_hz: float,
) -> str | None:
    """Label of the class in which an event lies; None where the profile has none for it.

    A level belongs to the class that begins with it, a duration to the shorter class up to and
    including the edge, as "30 cycles to 3 s" follows "to 30 cycles". The side is ours: no edition
    says on which one an event exactly on an edge lies.

    :param value_pct: residual voltage, or the highest one of a swell.
    """
    if kind not in VOLTAGE_KINDS or duration_s is None:
        return None
    for cell in profile.classes:
        longer_s, at_most_s = cell.span_s(frequency_hz)
        below_pct = math.inf if cell.below_pct is None else cell.below_pct
        is_level = cell.at_least_pct <= value_pct < below_pct
        if is_level and longer_s < duration_s <= at_most_s * (1 + ROUNDING):
            return cell.label
    return None


@cache  # a file of the program: it does not change while that runs
def _builtin(name: str) -> ClassificationProfile:
    profile = find_profile(name, None)
    assert isinstance(profile, ClassificationProfile)
    return profile
