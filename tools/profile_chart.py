"""A tolerance profile drawn in characters: bands of voltage over a logarithmic axis of time.

Each row is the band between two of the profile's own levels, so that every step is seen however
near to the next it is; the height says nothing. A column stands for rectangles of its duration.
"""

import math
from collections.abc import Callable, Sequence
from itertools import pairwise

from daemon.staircase import envelope_pct
from daemon.tolerance import ClassificationProfile, Described, ImmunityProfile, Limits, Profile
from daemon.tolerance_steps import Over, Under

KEYS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789"
_STOPS, _HARMS, _PARTLY, _WITHIN = "░", "▓", "·", " "
_SHORTEST_S, _LONGEST_S = 1e-3, 10.0
_WIDEST = 100


def profile_chart(profile: Profile, width: int) -> list[str]:
    """Lines of at most `width` columns; none where the profile has no levels of voltage."""
    if isinstance(profile, ClassificationProfile):
        return _drawn(_cell_levels(profile), _cell_times(profile), _classes_mark(profile), width)
    if not (profile.under or profile.over):
        return []
    lines = _drawn(_levels(profile), _times(profile), _limits_mark(profile), width)
    return [*lines, f"{' ' * _LABEL}{_legend(profile)}"]


_LABEL = 16


def nominal_of(profile: Described) -> float:
    """The voltage that levels in V are drawn in per cents of."""
    return (profile.applies_to.nominal_v or (230.0,))[0]


def frequency_of(profile: Described) -> float:
    """The frequency by which cycles become seconds in drawings."""
    return float((profile.applies_to.frequency_hz or (50,))[0])


def level_pct(step: Under | Over, nominal_v: float) -> float:
    """The level of a step in % of the nominal voltage."""
    level, unit = step.level
    return level if unit == "%" else 100 * level / nominal_v


def time_span(times_s: Sequence[float]) -> tuple[float, float]:
    """Whole decades that show all these times and a good deal beyond them."""
    finite = [time_s for time_s in times_s if 0 < time_s < 1e6]
    low = math.floor(math.log10(min([_SHORTEST_S, *finite])) + 1e-9)
    high = math.ceil(math.log10(max([_LONGEST_S, *(3 * time_s for time_s in finite)])) - 1e-9)
    return 10.0**low, 10.0**high


Mark = Callable[[float, float], str]
"""The character for a voltage in % and a duration in s."""


def _drawn(
    levels: Sequence[float], span_s: tuple[float, float], mark: Mark, width: int
) -> list[str]:
    columns = min(width, _WIDEST) - _LABEL
    low, high = (math.log10(edge) for edge in span_s)
    times_s = [10 ** (low + (high - low) * (n + 0.5) / columns) for n in range(columns)]
    lines = [_time_axis(span_s, columns)]
    top = levels[-1]
    rows = [(f"above {top:.4g} %", top * 1.2)]
    for lower, upper in reversed(list(pairwise(levels))):
        rows.append((f"{lower:.4g}-{upper:.4g} %", (lower + upper) / 2))
    for label, middle_pct in rows:
        cells = "".join(mark(middle_pct, time_s) for time_s in times_s)
        lines.append(f"{label:>{_LABEL - 2}} │{cells}".rstrip())
    return lines


def _time_axis(span_s: tuple[float, float], columns: int) -> str:
    low, high = (round(math.log10(edge)) for edge in span_s)
    cells = [" "] * (columns + _LABEL)
    for decade in range(low, high + 1):
        label = f"{10.0**decade:g} s" if decade >= 0 else f"{10.0 ** (decade + 3):g} ms"
        place = _LABEL + round((decade - low) / (high - low) * columns)
        place = min(place, len(cells) - len(label))
        if cells[place - 1] != " ":
            continue  # no room for the last one
        cells[place : place + len(label)] = label
    return "".join(cells).rstrip()


def _levels(profile: Limits) -> list[float]:
    nominal_v = nominal_of(profile)
    found = {level_pct(step, nominal_v) for step in profile.under}
    found |= {level_pct(step, nominal_v) for step in profile.over}
    if isinstance(profile, ImmunityProfile):
        found |= {point.up_to_pct for point in profile.peak}
    return sorted(found | {0.0, 100.0})


def _times(profile: Limits) -> tuple[float, float]:
    frequency_hz = frequency_of(profile)
    times = [step.time_s(frequency_hz) for step in (*profile.under, *profile.over)]
    if isinstance(profile, ImmunityProfile):
        times += [point.at_most_s for point in profile.peak]
    return time_span(times)


def _limits_mark(profile: Limits) -> Mark:
    nominal_v, frequency_hz = nominal_of(profile), frequency_of(profile)
    under = [(level_pct(step, nominal_v), step.time_s(frequency_hz)) for step in profile.under]
    over = [(level_pct(step, nominal_v), step.time_s(frequency_hz)) for step in profile.over]
    points = profile.peak if isinstance(profile, ImmunityProfile) else ()
    is_supply = not isinstance(profile, ImmunityProfile)
    harms = _STOPS if is_supply else _HARMS

    def mark(value_pct: float, time_s: float) -> str:
        if value_pct < 100:
            borne_s = max((time for level, time in under if level <= value_pct), default=0.0)
            if under and time_s > borne_s:
                return _STOPS
            is_partly = is_supply and any(value_pct < level for level, _ in under)
            return _PARTLY if is_partly else _WITHIN
        if points and time_s <= points[-1].at_most_s:
            return harms if value_pct > envelope_pct(points, time_s) else _WITHIN
        borne_s = max((time for level, time in over if level >= value_pct), default=0.0)
        if over and time_s > borne_s:
            return harms
        is_partly = is_supply and any(value_pct > level for level, _ in over)
        return _PARTLY if is_partly else _WITHIN

    return mark


def _legend(profile: Limits) -> str:
    if not isinstance(profile, ImmunityProfile):
        partly = f", {_PARTLY} for a part of the means" if _has_shares(profile) else ""
        return f"{_STOPS} beyond the limit{partly}"
    parts = [f"{_STOPS} may stop"] if profile.under else []
    parts += [f"{_HARMS} may be damaged"] if profile.over or profile.peak else []
    if profile.peak:
        parts.append(f"by its peak up to {1000 * profile.peak[-1].at_most_s:g} ms")
    return ", ".join(parts)


def _has_shares(profile: Limits) -> bool:
    return len(profile.under) > 1 or len(profile.over) > 1


def _cell_levels(profile: ClassificationProfile) -> list[float]:
    edges = {cell.at_least_pct for cell in profile.classes}
    edges |= {cell.below_pct for cell in profile.classes if cell.below_pct is not None}
    return sorted(edges | {0.0})


def _cell_times(profile: ClassificationProfile) -> tuple[float, float]:
    frequency_hz = frequency_of(profile)
    return time_span([time for cell in profile.classes for time in cell.span_s(frequency_hz)])


def _classes_mark(profile: ClassificationProfile) -> Mark:
    frequency_hz = frequency_of(profile)
    cells = [
        (cell.at_least_pct, cell.below_pct or math.inf, *cell.span_s(frequency_hz))
        for cell in profile.classes
    ]

    def mark(value_pct: float, time_s: float) -> str:
        for key, (low, high, longer_s, at_most_s) in zip(KEYS, cells, strict=False):
            if low <= value_pct < high and longer_s < time_s <= at_most_s:
                return key
        return _WITHIN

    return mark
