"""What a scenario holds, as data: the events that measuring its samples should find.

The values come from the scenario's parameters, not from samples. Entries of a timeline are taken
one by one: where two overlap on one input, the truth of both is off. Stuck inputs are not listed:
what the held value looks like is chance.
"""

import math
from dataclasses import dataclass

import numpy as np

from drivers.scenario import Scenario
from drivers.timeline import Entry, Timeline, harmonics_of
from drivers.waveform import (
    ExtraHarmonics,
    Floats,
    Harmonic,
    Impulse,
    Notches,
    Recovery,
    Ringing,
    Shape,
    Steps,
)

LEVEL_POINTS = 65  # the drift over one constant factor is looked at in this many places
CROSSING_STEPS = 4  # the drift moves a crossing by parts in a thousand; each step gains as much


@dataclass(frozen=True, slots=True)
class Thresholds:
    """When something counts as an event, in % of nominal (transients: of its peak)."""

    dip_pct: float = 90.0
    swell_pct: float = 110.0
    interruption_pct: float = 5.0
    hysteresis_pct: float = 2.0
    distortion_pct: float = 5.0
    frequency_pct: float = 1.0
    transient_pct: float = 20.0


@dataclass(frozen=True, slots=True)
class TrueEvent:
    """One disturbance on one input.

    `value` is the extreme one-cycle rms in V for dip, swell and interruption, the peak deviation in
    V for transient, the total harmonic distortion in % for distortion, and the frequency in Hz for
    frequency (drift left out, listed for the first input alone). The duration of an impulse is its
    width, that of a ringing its decay time.
    """

    kind: str
    input_name: str
    start_s: float
    duration_s: float
    value: float


def truth(
    scenario: Scenario, until_s: float, thresholds: Thresholds | None = None
) -> tuple[TrueEvent, ...]:
    """Every event that starts before `until_s`, in order of start and input."""
    judge = _Judge(scenario, Timeline.of(scenario, 1.0), thresholds or Thresholds())
    events = [*judge.frequency_events(until_s)]
    for entry in judge.timeline.disturbances:
        for start_s in entry.starts(judge.timeline.grid, 0.0, until_s):
            events += judge.events(entry, start_s)
    return tuple(sorted(events, key=lambda event: (event.start_s, event.input_name)))


@dataclass(frozen=True, slots=True)
class _Found:
    kind: str
    start_s: float
    duration_s: float
    value: float


@dataclass(frozen=True, slots=True)
class _Judge:
    scenario: Scenario
    timeline: Timeline
    thresholds: Thresholds

    def events(self, entry: Entry, start_s: float) -> list[TrueEvent]:
        """The same event on each input it touches, or nothing."""
        found = None if entry.shape is None else self._found(entry.shape, start_s)
        if found is None:
            return []
        names = [self.scenario.supply.inputs[column] for column in entry.columns]
        return [
            TrueEvent(found.kind, name, found.start_s, found.duration_s, found.value)
            for name in names
        ]

    def frequency_events(self, until_s: float) -> list[TrueEvent]:
        """Excursions beyond the threshold, on the first input."""
        supply, grid = self.scenario.supply, self.timeline.grid
        limit_hz = self.thresholds.frequency_pct / 100.0 * supply.frequency_hz
        return [
            TrueEvent(
                kind="frequency",
                input_name=supply.inputs[0],
                start_s=excursion.schedule.start_s(number),
                duration_s=excursion.length_s,
                value=supply.frequency_hz + excursion.offset_hz,
            )
            for excursion in grid.excursions
            if abs(excursion.offset_hz) >= limit_hz
            for number in excursion.schedule.numbers(0.0, until_s, excursion.length_s)
            if excursion.schedule.start_s(number) < until_s
        ]

    def _found(self, shape: Shape, start_s: float) -> _Found | None:
        match shape:
            case Steps():
                return self._steps(shape, start_s)
            case Recovery():
                return self._recovery(shape, start_s)
            case ExtraHarmonics():
                thd_pct = 100.0 * distortion(self._harmonics, shape.harmonics)
                if thd_pct <= self.thresholds.distortion_pct:
                    return None
                return _Found("distortion", start_s, shape.length_s, thd_pct)
            case Impulse():
                return self._transient(shape.peak_v, start_s, shape.width_s)
            case Ringing():
                return self._transient(shape.peak_v, start_s, shape.decay_s)
            case Notches():
                peak_v = shape.depth * self._peak_v * _deepest(shape)
                return self._transient(peak_v, start_s, shape.length_s)
            case _:
                return None

    def _transient(self, peak_v: float, start_s: float, duration_s: float) -> _Found | None:
        if abs(peak_v) < self.thresholds.transient_pct / 100.0 * self._peak_v:
            return None
        return _Found("transient", start_s, duration_s, abs(peak_v))

    def _steps(self, shape: Steps, start_s: float) -> _Found | None:
        """Opens at the first level beyond a threshold, closes at the first one well back."""
        opened_s = edge_s = start_s
        extreme_v: float | None = None
        for duration_s, factor in shape.levels:
            level_v = self._extreme_v(factor, edge_s, edge_s + duration_s)
            if extreme_v is None and self._is_beyond(level_v):
                opened_s, extreme_v = edge_s, level_v
            elif extreme_v is not None and self._is_back(level_v, extreme_v):
                break
            elif extreme_v is not None:
                extreme_v = self._worse(extreme_v, level_v)
            edge_s += duration_s
        if extreme_v is None:
            return None
        return _Found(self._kind(extreme_v), opened_s, edge_s - opened_s, extreme_v)

    def _recovery(self, shape: Recovery, start_s: float) -> _Found | None:
        factor = lowest_cycle(shape, 1.0 / self.scenario.supply.frequency_hz)
        lowest_v = self._extreme_v(factor, start_s, start_s + shape.hold_s)
        if not self._is_beyond(lowest_v):
            return None
        limits = self.thresholds
        back_v = (limits.dip_pct + limits.hysteresis_pct) / 100.0 * self._nominal_v
        elapsed_s = shape.hold_s
        for _ in range(CROSSING_STEPS):
            back = back_v / float(self._rms_v(1.0, np.array([start_s + elapsed_s]))[0])
            if back >= 1.0:  # the supply itself is too low to end a dip
                return _Found(self._kind(lowest_v), start_s, math.inf, lowest_v)
            elapsed_s = recovery_time_s(shape, back)
        return _Found(self._kind(lowest_v), start_s, elapsed_s, lowest_v)

    @property
    def _nominal_v(self) -> float:
        return self.scenario.supply.nominal_v

    @property
    def _peak_v(self) -> float:
        return math.sqrt(2.0) * self._nominal_v

    @property
    def _harmonics(self) -> tuple[Harmonic, ...]:
        return harmonics_of(self.scenario.supply.harmonics)

    def _rms_v(self, factor: float, t_s: Floats) -> Floats:
        """Rms of everything the converter sees while the supply is at `factor`."""
        supply = self.scenario.supply
        shape = 1.0 + distortion(self._harmonics) ** 2 + (supply.dc_pct / 100.0) ** 2
        level = supply.magnitude_pct / 100.0 * (1.0 + self.timeline.level.value_at(t_s))
        noise_v = supply.noise_pct / 100.0 * self._nominal_v
        supplied_v = factor * level * self._nominal_v * math.sqrt(shape)
        rms_v: Floats = np.hypot(supplied_v, noise_v)
        return rms_v

    def _extreme_v(self, factor: float, from_s: float, to_s: float) -> float:
        values_v = self._rms_v(factor, np.linspace(from_s, to_s, LEVEL_POINTS))
        return float(values_v.max() if factor > 1.0 else values_v.min())

    def _is_beyond(self, rms_v: float) -> bool:
        pct = 100.0 * rms_v / self._nominal_v
        return pct < self.thresholds.dip_pct or pct > self.thresholds.swell_pct

    def _is_back(self, rms_v: float, extreme_v: float) -> bool:
        pct, limits = 100.0 * rms_v / self._nominal_v, self.thresholds
        if extreme_v > self._nominal_v:
            return pct <= limits.swell_pct - limits.hysteresis_pct
        return pct >= limits.dip_pct + limits.hysteresis_pct

    def _worse(self, one_v: float, other_v: float) -> float:
        return max(one_v, other_v) if one_v > self._nominal_v else min(one_v, other_v)

    def _kind(self, extreme_v: float) -> str:
        pct = 100.0 * extreme_v / self._nominal_v
        if pct > self.thresholds.swell_pct:
            return "swell"
        return "interruption" if pct < self.thresholds.interruption_pct else "dip"


def distortion(base: tuple[Harmonic, ...], extra: tuple[Harmonic, ...] = ()) -> float:
    """Total harmonic distortion as a ratio: harmonics of one order add as phasors."""
    phasors: dict[int, complex] = {}
    for harmonic in (*base, *extra):
        phasor = harmonic.ratio * complex(
            math.cos(harmonic.phase_rad), math.sin(harmonic.phase_rad)
        )
        phasors[harmonic.order] = phasors.get(harmonic.order, 0j) + phasor
    return math.sqrt(math.fsum(abs(phasor) ** 2 for phasor in phasors.values()))


def recovery_time_s(shape: Recovery, factor: float) -> float:
    """When 1 - (1 - residual) exp(-(t - hold) / tau) reaches `factor`, from the start."""
    ratio = (1.0 - shape.residual) / (1.0 - factor)
    return shape.hold_s + shape.time_constant_s * max(math.log(ratio), 0.0) if ratio > 0 else 0.0


def lowest_cycle(shape: Recovery, period_s: float) -> float:
    """Root of the mean square of the factor over the first cycle: the integral in closed form."""
    rest_s = period_s - shape.hold_s
    if rest_s <= 0.0:
        return shape.residual
    fall, tau_s = 1.0 - shape.residual, shape.time_constant_s
    linear_s = tau_s * -math.expm1(-rest_s / tau_s)
    square_s = 0.5 * tau_s * -math.expm1(-2.0 * rest_s / tau_s)
    area_s = shape.hold_s * shape.residual**2 + rest_s - 2.0 * fall * linear_s + fall**2 * square_s
    return math.sqrt(area_s / period_s)


def _deepest(shape: Notches) -> float:
    """Largest |sine| that one of the notches covers."""
    begins = (np.arange(shape.per_cycle) + 0.5) / shape.per_cycle
    covered = begins[:, np.newaxis] + np.linspace(0.0, shape.width_turns, LEVEL_POINTS)
    return float(np.abs(np.sin(2 * np.pi * covered)).max())
