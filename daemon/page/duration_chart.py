"""How deep against how long: each event as a point, and the profile's curve among them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from daemon.archive import EventRow
from daemon.judge import steps_of
from daemon.page.axis import ACROSS, Linear, Logarithmic, Tick, seconds_words
from daemon.page.verdict_shapes import mark_words, rank_of, shape_of
from daemon.page.words import local_time, when_words
from daemon.records import Kind
from daemon.staircase import Step
from daemon.tolerance import ImmunityProfile, Limits, Profile, SupplyProfile

HEIGHT = 300
TOP_PCT = 200.0
SHOWN = (Kind.DIP, Kind.SWELL, Kind.INTERRUPTION, Kind.TRANSIENT)
_SHORTEST_S, _LONGEST_S = 0.001, 1000.0


@dataclass(frozen=True, slots=True)
class Point:
    """One event: x in % across, y in pixels."""

    number: int
    x: float
    y: float
    shape: str
    words: str


@dataclass(frozen=True, slots=True)
class Zone:
    """What a place beyond the curve means, written into it."""

    x: float
    y: float
    text: str


@dataclass(frozen=True, slots=True)
class DurationChart:
    """Everything that is drawn. Paths are `ACROSS` wide and `HEIGHT` high."""

    points: tuple[Point, ...]
    times: tuple[Tick, ...]
    levels: tuple[Tick, ...]
    edges: tuple[str, ...]  # the curve
    areas: tuple[str, ...]  # beyond it
    peak: str  # the envelope for transients
    zones: tuple[Zone, ...]
    words: str


@dataclass(frozen=True, slots=True)
class Curve:
    """The profile on this supply; without one, only the points are drawn."""

    profile: Profile | None
    nominal_v: float
    frequency_hz: float


def build_chart(rows: Sequence[EventRow], curve: Curve, now: datetime) -> DurationChart:
    """Draw the events that have a depth and a duration. `now` is in the zone of the site."""
    placed = [(row, row.duration_s) for row in rows if row.kind in SHOWN and row.duration_s]
    across = _across([duration_s for _, duration_s in placed])
    down = Linear(0.0, TOP_PCT, HEIGHT, 0)
    points = [
        Point(row.id, across.at(duration_s) / 10, down.at(row.value_pct), shape_of(row),
              mark_words(row, _when(row, now)))
        for row, duration_s in sorted(placed, key=lambda pair: rank_of(pair[0]))
    ]  # fmt: skip
    under, over = _steps(curve, Kind.DIP), _steps(curve, Kind.SWELL)
    sides = [(steps, floor) for steps, floor in ((under, 0.0), (over, TOP_PCT)) if steps]
    edges = [_edge(steps, across, down) for steps, _ in sides]
    return DurationChart(
        points=tuple(points),
        times=tuple(
            Tick(across.at(time_s) / 10, seconds_words(time_s), bool(index % 2))
            for index, time_s in enumerate(across.decades())
        ),
        levels=tuple(Tick(down.at(pct), f"{pct:.0f} %") for pct in (200, 150, 100, 50, 0)),
        edges=tuple(edges),
        areas=tuple(
            f"{edge}V{down.at(floor):g}H{_first_x(edge)}Z"
            for edge, (_, floor) in zip(edges, sides, strict=True)
        ),
        peak=_envelope(curve.profile, across, down),
        zones=_zones(curve.profile, bool(under), bool(over)),
        words=_words(len(points), len(rows), curve.profile),
    )


def _across(durations_s: Sequence[float]) -> Logarithmic:
    """Whole decades that hold every event."""
    shortest_s = min([_SHORTEST_S, *durations_s])
    longest_s = max([_LONGEST_S, *durations_s])
    low = max(10.0 ** math.floor(math.log10(shortest_s) + 1e-9), 1e-5)
    return Logarithmic(low, 10.0 ** math.ceil(math.log10(longest_s) - 1e-9), 0, ACROSS)


def _when(row: EventRow, now: datetime) -> str:
    return when_words(local_time(row.start_utc, now.tzinfo or UTC), now, True)


def _steps(curve: Curve, kind: Kind) -> list[Step]:
    """The steps that matter on the way inwards: each borne longer than the one before."""
    if not isinstance(curve.profile, Limits):
        return []
    found: list[Step] = []
    for step in steps_of(curve.profile, kind, curve.nominal_v, curve.frequency_hz):
        if not found or step.time_s > found[-1].time_s:
            found.append(step)
    return found


def _edge(steps: Sequence[Step], across: Logarithmic, down: Linear) -> str:
    """Steps from left to right: level with time, then inwards where the time is over."""
    parts = [f"M0 {down.at(steps[0].level_pct):g}"]
    for place, step in enumerate(steps):
        if math.isinf(step.time_s):
            parts.append(f"H{ACROSS:g}")
            break
        parts.append(f"H{across.at(step.time_s):g}")
        if place + 1 < len(steps):
            parts.append(f"V{down.at(steps[place + 1].level_pct):g}")
    return "".join(parts)


def _first_x(edge: str) -> str:
    return edge[1:].partition(" ")[0]


def _envelope(profile: Profile | None, across: Logarithmic, down: Linear) -> str:
    """For peaks, in % of the declared peak: straight in % over the logarithm of time."""
    if not isinstance(profile, ImmunityProfile) or not profile.peak:
        return ""
    places = [f"{across.at(point.at_most_s):g} {down.at(point.up_to_pct):g}"
              for point in profile.peak if point.at_most_s >= across.low]  # fmt: skip
    return "M" + "L".join(places) if len(places) > 1 else ""


def _zones(profile: Profile | None, has_under: bool, has_over: bool) -> tuple[Zone, ...]:
    found = []
    is_supply = isinstance(profile, SupplyProfile)
    if has_over:
        text = "beyond the supply limit" if is_supply else "may damage equipment"
        found.append(Zone(98, 46, text))
    if has_under:
        text = "beyond the supply limit" if is_supply else "equipment may stop"
        found.append(Zone(98, HEIGHT - 46, text))
    return tuple(found)


def _words(n_drawn: int, n_all: int, profile: Profile | None) -> str:
    plural = "" if n_drawn == 1 else "s"
    left = n_all - n_drawn
    others = f"; {left} without a depth and a duration are not drawn" if left else ""
    curve = f", with the steps of {profile.title}" if isinstance(profile, Limits) else ""
    return f"{n_drawn} event{plural}{curve}{others}"
