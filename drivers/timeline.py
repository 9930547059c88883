"""When the disturbances of a scenario happen, and what each does to the waveform.

Every answer depends on the scenario and the asked time alone, never on what was asked before.
"""

import math
from dataclasses import dataclass
from typing import Self

import numpy as np

from drivers.disturbances import (
    Dip,
    Distortion,
    Disturbance,
    FrequencyChange,
    HarmonicOptions,
    ImpulsiveTransient,
    Interruption,
    LostSamples,
    MotorStart,
    Notching,
    OscillatoryTransient,
    StuckInput,
    Swell,
    TwoStage,
)
from drivers.scenario import Scenario, Supply
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
    Wander,
    seeded_wander,
)

FREQUENCY_STREAM = 1
MAGNITUDE_STREAM = 2
DAY_S = 86_400.0
NEWTON_STEPS = 12  # each gains a factor of five or more; 12 reach the last bit


@dataclass(frozen=True, slots=True)
class Schedule:
    """The start instants of one entry, before any wait for a point on the wave."""

    at_s: float
    every_s: float | None
    count: float  # may be infinite
    jitter_s: float
    seed: tuple[int, int]

    def start_s(self, number: int) -> float:
        """Start of repetition `number`, counted from 0."""
        start_s = self.at_s + (number * self.every_s if self.every_s else 0.0)
        if self.jitter_s:
            generator = np.random.default_rng((*self.seed, number))
            start_s += float(generator.uniform(0.0, self.jitter_s))
        return start_s

    def numbers(self, from_s: float, to_s: float, reach_s: float) -> range:
        """Every repetition that can touch [from_s, to_s), each lasting at most `reach_s`.

        Its start is the number of those that are over by `from_s`, at most `count`.
        """
        if to_s <= self.at_s:
            return range(0)
        over_s = from_s - self.at_s - self.jitter_s - reach_s
        if self.every_s is None:
            return range(int(over_s > 0.0), 1)
        low = min(max(math.ceil(over_s / self.every_s), 0), self.count)
        high = min(math.floor((to_s - self.at_s) / self.every_s) + 1, self.count)
        return range(int(low), int(high))


@dataclass(frozen=True, slots=True)
class Excursion:
    """A stretch at another frequency, and the phase it leaves behind."""

    schedule: Schedule
    offset_hz: float
    length_s: float

    def turns_at(self, t_s: Floats) -> Floats | float:
        """Phase gained by `t_s` (ascending), in turns; one number if it is the same at all."""
        numbers = self.schedule.numbers(float(t_s[0]), float(t_s[-1]) + 1e-9, self.length_s)
        if not numbers:
            return self.offset_hz * numbers.start * self.length_s
        gained_s = np.full_like(t_s, numbers.start * self.length_s)
        for number in numbers:
            gained_s += np.clip(t_s - self.schedule.start_s(number), 0.0, self.length_s)
        return self.offset_hz * gained_s


@dataclass(frozen=True, slots=True)
class Grid:
    """The phase of the first input's fundamental."""

    frequency_hz: float
    wander: Wander
    excursions: tuple[Excursion, ...]

    def turns_at(self, t_s: Floats) -> Floats:
        """Turns since t = 0 at `t_s` (ascending): the frequency's integral in closed form."""
        return self.frequency_hz * t_s + self.wander.integral_at(t_s) + self.excursion_turns(t_s)

    def excursion_turns(self, t_s: Floats) -> Floats | float:
        """The part of the turns that frequency excursions gave; one number if it is the same."""
        total: Floats | float = 0.0
        for excursion in self.excursions:
            total = total + excursion.turns_at(t_s)
        return total

    def next_at(self, from_s: float, turn: float) -> float:
        """The first instant from `from_s` on whose phase is `turn` of a cycle."""
        now = self._turns(from_s)
        wanted = math.ceil(now - turn - 1e-9) + turn
        instant_s = from_s
        for _ in range(NEWTON_STEPS):
            instant_s += (wanted - self._turns(instant_s)) / self.frequency_hz
        return instant_s

    def _turns(self, t_s: float) -> float:
        return float(self.turns_at(np.array([t_s]))[0])


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the timeline, ready to be asked."""

    source: Disturbance
    schedule: Schedule
    columns: tuple[int, ...]
    turn: float | None  # point on the first input's wave
    shape: Shape | None  # None for faults of the converter
    length_s: float

    def starts(self, grid: Grid, from_s: float, to_s: float) -> list[float]:
        """Starts of all repetitions that overlap [from_s, to_s)."""
        wait_s = 0.0 if self.turn is None else 1.5 / grid.frequency_hz
        starts = []
        for number in self.schedule.numbers(from_s, to_s, self.length_s + wait_s):
            start_s = self.schedule.start_s(number)
            if self.turn is not None and start_s < to_s:
                start_s = grid.next_at(start_s, self.turn)
            if start_s < to_s and start_s + self.length_s > from_s:
                starts.append(start_s)
        return starts


@dataclass(frozen=True, slots=True)
class Timeline:
    """The grid's phase and level, and everything that happens."""

    grid: Grid
    level: Wander  # relative deviation of the magnitude
    disturbances: tuple[Entry, ...]
    losses: tuple[Entry, ...]
    stuck: tuple[Entry, ...]

    @classmethod
    def of(cls, scenario: Scenario, sample_rate_hz: float) -> Self:
        """Prepare a scenario; the sample rate turns a count of lost samples into a time."""
        supply = scenario.supply
        entries = tuple(
            _entry(
                source,
                Schedule(
                    at_s=source.at_s,
                    every_s=source.repeat_every_s,
                    count=_count(source),
                    jitter_s=source.jitter_s,
                    seed=(scenario.seed, number),
                ),
                supply,
                sample_rate_hz,
            )
            for number, source in enumerate(scenario.timeline)
        )
        grid = Grid(
            frequency_hz=supply.frequency_hz,
            wander=seeded_wander(supply.frequency_wander_hz, scenario.seed, FREQUENCY_STREAM),
            excursions=tuple(
                Excursion(entry.schedule, entry.source.offset_hz, entry.length_s)
                for entry in entries
                if isinstance(entry.source, FrequencyChange)
            ),
        )
        return cls(
            grid=grid,
            level=_level(scenario),
            disturbances=tuple(entry for entry in entries if entry.shape is not None),
            losses=tuple(entry for entry in entries if isinstance(entry.source, LostSamples)),
            stuck=tuple(entry for entry in entries if isinstance(entry.source, StuckInput)),
        )


def _level(scenario: Scenario) -> Wander:
    """The slow drift, and the swing of a day: highest at the start, lowest twelve hours later."""
    supply = scenario.supply
    drift = seeded_wander(supply.magnitude_wander_pct / 100.0, scenario.seed, MAGNITUDE_STREAM)
    swing = supply.daily_swing_pct / 100.0
    return Wander((*drift.terms, (swing, 1.0 / DAY_S, math.pi / 2.0))) if swing else drift


def _count(source: Disturbance) -> float:
    if source.repeat_every_s is None:
        return 1.0
    return math.inf if source.repeat_count is None else float(source.repeat_count)


def _entry(source: Disturbance, schedule: Schedule, supply: Supply, sample_rate_hz: float) -> Entry:
    names = source.inputs or supply.inputs
    shape = _shape(source, supply)
    turn = None
    if source.phase_deg is not None:
        turn = (source.phase_deg / 360.0 - supply.shift_turns(names[0])) % 1.0
    if isinstance(source, LostSamples):
        length_s = source.duration_s or (source.n_samples or 0) / sample_rate_hz
    else:
        length_s = source.extent_s(supply.frequency_hz) if shape is None else shape.length_s
    return Entry(
        source=source,
        schedule=schedule,
        columns=tuple(supply.inputs.index(name) for name in names),
        turn=turn,
        shape=shape,
        length_s=length_s,
    )


def harmonics_of(options: tuple[HarmonicOptions, ...]) -> tuple[Harmonic, ...]:
    """Percent and degrees to ratios and radians."""
    return tuple(
        Harmonic(item.order, item.pct / 100.0, math.radians(item.phase_deg)) for item in options
    )


def _shape(source: Disturbance, supply: Supply) -> Shape | None:
    frequency_hz = supply.frequency_hz
    match source:
        case Dip():
            level = (source.lasts_s(frequency_hz), source.residual_pct / 100.0)
            return Steps((level,), source.phase_jump_deg / 360.0)
        case Interruption():
            return Steps(((source.lasts_s(frequency_hz), source.residual_pct / 100.0),))
        case Swell():
            return Steps(((source.lasts_s(frequency_hz), source.magnitude_pct / 100.0),))
        case TwoStage():
            stages = (source.first, source.second)
            return Steps(tuple((s.lasts_s(frequency_hz), s.residual_pct / 100.0) for s in stages))
        case MotorStart():
            return Recovery(source.residual_pct / 100.0, source.hold_s, source.time_constant_s)
        case _:
            return _additive_shape(source, supply)


def _additive_shape(source: Disturbance, supply: Supply) -> Shape | None:
    peak_v = math.sqrt(2.0) * supply.nominal_v / 100.0  # one percent of the nominal peak
    match source:
        case ImpulsiveTransient():
            return Impulse(source.peak_pct * peak_v, source.width_s)
        case OscillatoryTransient():
            return Ringing(source.peak_pct * peak_v, source.frequency_hz, source.decay_s)
        case Distortion():
            return ExtraHarmonics(
                harmonics_of(source.harmonics), source.lasts_s(supply.frequency_hz)
            )
        case Notching():
            width_turns = source.width_s * supply.frequency_hz
            length_s = source.lasts_s(supply.frequency_hz)
            return Notches(source.depth_pct / 100.0, width_turns, source.per_cycle, length_s)
        case _:
            return None
