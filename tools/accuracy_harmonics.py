"""Harmonics: rows H, the grouping vectors, and waves of known distortion.

Groups, interharmonic groups and centred subgroups are not measured, so their vectors are left
out; what interharmonics must not do to the harmonic subgroups is in.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from daemon.measure.spectrum import distortion_pct, harmonic_subgroups, measurable_orders
from tools.accuracy_rows import Row, harmonic_limit, worst
from tools.accuracy_supply import LEAD, supply
from tools.streams import DECLARED_V, Wave, plain_setup, run_wave
from tools.wave_shapes import SHAPES, TURN, Shape
from tools.waves import PEAK, Floats, supply_wave

SPELL_S = 0.7  # for each order: one basic interval lies wholly inside
N_ORDERS = 50
EDGE_S = 0.01


def harmonic_rows(rate_hz: int, *, is_quick: bool) -> list[Row]:
    """H1 to H4 and H6, grouping vectors of IEC 61000-4-7, known waves."""
    single = [("H1", 50, 1.0), ("H4", 42.5, 5.0), ("H4", 57.5, 5.0)]
    if not is_quick:
        single += [
            ("H2", 50, 0.9),
            ("H1", 50, 5.0),
            ("H1", 50, 10.0),
            ("H4", 42.5, 1.0),
            ("H4", 57.5, 1.0),
        ]
        single += [("H1", 60, 1.0), ("H4", 51.0, 5.0), ("H4", 69.0, 5.0)]
    rows = [_single_orders(name, rate_hz, hz, percent) for name, hz, percent in single]
    rows += [_interharmonic(rate_hz, order) for order in (7.5, 3.5)]
    rows.append(_fluctuating_fifth(rate_hz))
    rows += [_grouping(rate_hz, vector) for vector in VECTORS]
    return rows + [row for shape in SHAPES for row in _known_wave(rate_hz, shape)]


def _single_orders(name: str, rate_hz: int, hz: float, percent: float) -> Row:
    """One order after the other, each for 0.7 s; the worst of all that the rate can show."""
    nominal_hz = 60 if hz in (51.0, 60.0, 69.0) else 50
    last = measurable_orders(rate_hz, 1.02 * hz)

    def wave(time_s: Floats) -> Floats:
        order = np.minimum(2 + np.floor(time_s / SPELL_S), last)
        turns = hz * time_s + LEAD
        extra = PEAK * DECLARED_V * percent / 100 * np.sin(TURN * order * turns + 1)
        return np.asarray(supply_wave(turns, DECLARED_V) + extra)

    ran = run_wave(wave, (last - 1) * SPELL_S + 0.5, plain_setup(rate_hz, nominal_hz))
    found = {}
    for part in ran.intervals:
        start_s, end_s = part.start_index / rate_hz, part.end_index / rate_hz
        spell = int(start_s // SPELL_S)
        if start_s > spell * SPELL_S + EDGE_S and end_s < (spell + 1) * SPELL_S - EDGE_S:
            found[spell + 2] = float(part.harmonics_pct[min(spell + 1, N_ORDERS - 1)])
    limit = harmonic_limit(percent)
    rows = [
        Row("", rate_hz, percent, found.get(order, math.nan), limit) for order in range(2, last + 1)
    ]
    return worst(f"{name} {percent:g} % of each order, {hz:g} Hz", rows)


def _interharmonic(rate_hz: int, order: float) -> Row:
    """It lies between the subgroups and leaves them at nought."""
    ran = run_wave(supply(50, 100, {order: (1, 30)}), 1.6, plain_setup(rate_hz))
    largest = float(np.nanmax([part.harmonics_pct[1:] for part in ran.intervals]))
    return Row(
        f"H3 1 % at {order * 50:g} Hz in no subgroup", rate_hz, 0, largest, harmonic_limit(0)
    )


def _fluctuating_fifth(rate_hz: int) -> Row:
    """Its side lines are in its subgroup: C sqrt(1 + m^2/2) for a depth m of 10 %."""

    def wave(time_s: Floats) -> Floats:
        turns = 50 * time_s + LEAD
        swing = 1 + 0.1 * np.sin(TURN * turns / 10)
        fifth = 0.06 * PEAK * DECLARED_V * np.sin(TURN * 5 * turns) * swing
        return np.asarray(supply_wave(turns, DECLARED_V) + fifth)

    ran = run_wave(wave, 1.6, plain_setup(rate_hz))
    expected = 6 * math.sqrt(1.005)
    limit = harmonic_limit(6)
    rows = [
        Row("", rate_hz, expected, float(part.harmonics_pct[4]), limit) for part in ran.intervals
    ]
    return worst("H6 fifth, modulated by 10 % at 5 Hz", rows)


@dataclass(frozen=True, slots=True)
class Vector:
    """A signal over ten cycles and one figure of it, in % of 100."""

    name: str
    volts: Callable[[Floats], Floats]
    expected: float
    order: int  # the subgroup; 0: the distortion


def _tones(time_s: Floats, parts: list[tuple[float, float]]) -> Floats:
    return np.asarray(sum(PEAK * rms * np.sin(TURN * hz * time_s) for hz, rms in parts))


def _beside_third(time_s: Floats) -> Floats:
    return _tones(time_s, [(50, 100), (150, 5), (155, 1), (175, 2)])


def _modulated(modulation_hz: float) -> Callable[[Floats], Floats]:
    """A cosine: half a cycle of it is as long above the mean as below."""

    def volts(time_s: Floats) -> Floats:
        swing = 1 + 0.1 * np.cos(TURN * modulation_hz * time_s)
        return np.asarray(_tones(time_s, [(50, 100)]) * swing)

    return volts


# IEC 61000-4-7, clause 5, computed from its formulae on an exact window of ten cycles.
VECTORS = (
    Vector("third with lines beside it: SG3", _beside_third, 5.09902, 3),
    Vector("third with lines beside it: THDS", _beside_third, 5.09902, 0),
    Vector("modulated by 10 % at 5 Hz: SG1", _modulated(5), 100.2497, 1),
    Vector("modulated by 10 % at 10 Hz: SG1", _modulated(10), 100.0, 1),
    Vector("modulated by 10 % at 2.5 Hz: SG1", _modulated(2.5), 100.181, 1),
)
WINDOW_S = 0.2
AROUND = 0.01  # of the window: samples on either side


def _grouping(rate_hz: int, vector: Vector) -> Row:
    n_around = math.ceil(AROUND * WINDOW_S * rate_hz)
    index = np.arange(-n_around, round(WINDOW_S * rate_hz) + n_around)
    volts = vector.volts(np.asarray(index / rate_hz))
    window = (np.array([float(n_around)]), np.array([WINDOW_S * rate_hz]))
    groups = harmonic_subgroups(volts, *window, 10, measurable_orders(rate_hz, 51))
    distortion = float(distortion_pct(groups)[0])
    measured = distortion if vector.order == 0 else float(groups[0, vector.order - 1])
    limit = harmonic_limit(vector.expected)
    return Row(f"grouping, {vector.name}", rate_hz, vector.expected, measured, limit)


SERIES_POINTS = 2**16
SERIES_ORDERS = 70  # 3500 Hz: 8 kS/s can show them
SMALLEST_LINE = 1e-9


def _known_wave(rate_hz: int, shape: Shape) -> list[Row]:
    """The wave's series, cut above what is measured: a sampled jump would fold back."""
    part = run_wave(_series(shape), 1.5, plain_setup(rate_hz)).intervals[2]
    wanted = {
        "THD": (shape.thd_pct, part.thd_pct),
        "h3": (shape.third_pct, float(part.harmonics_pct[2])),
        "h5": (shape.fifth_pct, float(part.harmonics_pct[4])),
    }
    return [
        Row(f"{shape.name}: {what}", rate_hz, expected, measured, harmonic_limit(expected))
        for what, (expected, measured) in wanted.items()
    ]


def _series(shape: Shape) -> Wave:
    cycle = shape.volts((np.arange(SERIES_POINTS) + 0.5) / SERIES_POINTS)
    lines = np.fft.rfft(cycle)[: SERIES_ORDERS + 1] / SERIES_POINTS
    lines[1:] *= 2
    # The first point of the cycle lies half a step after its start.
    angles = np.angle(lines) - np.pi * np.arange(len(lines)) / SERIES_POINTS

    def wave(time_s: Floats) -> Floats:
        angle = TURN * (50 * time_s + LEAD)
        volts = np.zeros(len(time_s))
        for order in np.flatnonzero(np.abs(lines) > SMALLEST_LINE):
            volts += np.abs(lines[order]) * np.cos(order * angle + angles[order])
        return np.asarray(PEAK * DECLARED_V * volts)

    return wave
