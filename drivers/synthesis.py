"""A scenario turned into samples: the same index, the same sample, whatever was asked before."""

import math
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from drivers.scenario import Scenario
from drivers.timeline import Entry, Timeline, harmonics_of
from drivers.waveform import (
    Converter,
    CycleTable,
    EvenDrift,
    Floats,
    NoisePool,
    Part,
    Shape,
    Steps,
    cycle_table,
    even_drift,
    noise_pool,
)

CHUNK = 1 << 14  # samples are made in aligned chunks, so no split into blocks can change one
STRIDE = 32  # drift is evaluated every 32 samples and joined by straight lines
N_NODES = CHUNK // STRIDE + 1  # in a chunk, and the first one of the next


@dataclass(frozen=True, slots=True, eq=False)
class Synthesis:
    """Makes samples of one scenario at one rate. Immutable: the same index, the same sample."""

    scenario: Scenario
    sample_rate_hz: float
    timeline: Timeline
    level: EvenDrift  # of the timeline, at the nodes of a chunk
    phase: EvenDrift  # likewise: what the wandering of the frequency adds, in turns
    table: CycleTable
    noise: NoisePool | None
    converter: Converter

    @classmethod
    def of(cls, scenario: Scenario, sample_rate_hz: float) -> Self:
        """Prepare tables and timeline."""
        supply = scenario.supply
        dc_ratio = supply.dc_pct / 100.0 / math.sqrt(2.0)
        noise_v = supply.nominal_v * supply.noise_pct / 100.0
        timeline = Timeline.of(scenario, sample_rate_hz)
        return cls(
            scenario=scenario,
            sample_rate_hz=sample_rate_hz,
            timeline=timeline,
            level=even_drift(timeline.level, STRIDE / sample_rate_hz, N_NODES, is_integral=False),
            phase=even_drift(
                timeline.grid.wander, STRIDE / sample_rate_hz, N_NODES, is_integral=True
            ),
            table=cycle_table(harmonics_of(supply.harmonics), dc_ratio),
            noise=noise_pool(scenario.seed, noise_v) if noise_v else None,
            converter=Converter(scenario.converter.bits, scenario.converter.full_scale_v),
        )

    def value_at(self, t_s: Floats, column: int = 0) -> Floats:
        """The voltage of one input at any ascending instants, before noise and converter."""
        turns = self.timeline.grid.turns_at(t_s)
        peak_v = self._amplitude_v() * (1.0 + self.timeline.level.value_at(t_s))
        active = self._active(float(t_s[0]), float(t_s[-1]) + 1e-9, column)
        return self._disturbed(t_s, turns + self._shift_turns(column), peak_v, active)

    def chunk(self, number: int) -> NDArray[np.float32]:
        """Samples [number * CHUNK, (number + 1) * CHUNK) of all inputs, read-only."""
        instants = _Instants(number, self.sample_rate_hz)
        volts = self._healthy(instants)
        for entry in self.timeline.stuck:
            for start_s in entry.starts(self.timeline.grid, instants.from_s, instants.until_s):
                self._hold(volts, instants.t_s, entry, start_s)
        volts.flags.writeable = False
        return volts

    def lost(self, first_index: int, n_samples: int) -> list[tuple[int, int]]:
        """Ranges [first, end) of lost samples that overlap the given ones, ascending."""
        from_s = (first_index - 1) / self.sample_rate_hz
        to_s = (first_index + n_samples) / self.sample_rate_hz
        ranges = []
        for entry in self.timeline.losses:
            for start_s in entry.starts(self.timeline.grid, from_s, to_s):
                begin = math.ceil(start_s * self.sample_rate_hz - 1e-6)
                ranges.append((begin, begin + round(entry.length_s * self.sample_rate_hz)))
        return sorted(ranges)

    def _amplitude_v(self) -> float:
        supply = self.scenario.supply
        return math.sqrt(2.0) * supply.nominal_v * supply.magnitude_pct / 100.0

    def _healthy(self, instants: "_Instants") -> NDArray[np.float32]:
        """One chunk as a converter without faults gives it."""
        inputs = self.scenario.supply.inputs
        turns = self._turns(instants)
        peak_v = _joined(self._amplitude_v() * (1.0 + self.level.from_s(instants.from_s)))
        volts = np.empty((CHUNK, len(inputs)), dtype=np.float32)
        for column in range(len(inputs)):
            shifted = turns + self._shift_turns(column)
            analogue_v = self._voltage(instants, shifted, peak_v, column)
            if self.noise is not None:
                analogue_v += self.noise.stretch((instants.number << 4) + column, CHUNK)
            volts[:, column] = self.converter.volts(analogue_v)
        return volts

    def _turns(self, instants: "_Instants") -> Floats:
        """The phase of the first input on one chunk; how many whole turns went before is left out.

        Nothing depends on those, and small numbers are more exact.
        """
        grid = self.timeline.grid
        steady = grid.frequency_hz * STRIDE / self.sample_rate_hz * np.arange(N_NODES)
        steady += grid.frequency_hz * instants.from_s % 1.0
        turns = _joined(steady + self.phase.from_s(instants.from_s))
        gained = grid.excursion_turns(np.array([instants.from_s, instants.until_s]))
        turns += gained if isinstance(gained, float) else grid.excursion_turns(instants.t_s)
        return turns

    def _shift_turns(self, column: int) -> float:
        supply = self.scenario.supply
        return supply.shift_turns(supply.inputs[column])

    def _active(self, from_s: float, until_s: float, column: int) -> list[tuple[Shape, float]]:
        """What disturbs an input meanwhile, each with its start."""
        return [
            (entry.shape, start_s)
            for entry in self.timeline.disturbances
            if entry.shape is not None and column in entry.columns
            for start_s in entry.starts(self.timeline.grid, from_s, until_s)
        ]

    def _voltage(self, instants: "_Instants", turns: Floats, peak_v: Floats, column: int) -> Floats:
        """The waveform of one input on one chunk, before noise."""
        active = self._active(instants.from_s, instants.until_s, column)
        if active:
            return self._disturbed(instants.t_s, turns, peak_v, active)
        volts = self.table.value_at(turns)
        volts *= peak_v
        return volts

    def _disturbed(
        self, t_s: Floats, turns: Floats, peak_v: Floats, active: list[tuple[Shape, float]]
    ) -> Floats:
        """The waveform with these disturbances; the turns of some are moved."""
        found = [
            (shape, start_s, slice(*np.searchsorted(t_s, (start_s, start_s + shape.length_s))))
            for shape, start_s in active
        ]
        for shape, _, span in found:
            if isinstance(shape, Steps):
                turns[span] += shape.jump_turns
        volts = self.table.value_at(turns)
        volts *= peak_v
        for shape, start_s, span in found:
            part = Part(t_s[span] - start_s, turns[span], peak_v[span], volts[span])
            volts[span] = shape.volts(part)
        return volts

    def _hold(self, volts: NDArray[np.float32], t_s: Floats, entry: Entry, start_s: float) -> None:
        """Overwrite a stretch with the last sample before it."""
        held = max(math.ceil(start_s * self.sample_rate_hz - 1e-6) - 1, 0)
        number, place = divmod(held, CHUNK)
        values = self._healthy(_Instants(number, self.sample_rate_hz))[place]
        begin, end = np.searchsorted(t_s, (start_s, start_s + entry.length_s))
        for column in entry.columns:
            volts[begin:end, column] = values[column]


@dataclass(frozen=True, slots=True)
class _Instants:
    """When the samples of one chunk are taken."""

    number: int
    sample_rate_hz: float

    @property
    def t_s(self) -> Floats:
        return (self.number * CHUNK + np.arange(CHUNK)) / self.sample_rate_hz

    @property
    def from_s(self) -> float:
        return self.number * CHUNK / self.sample_rate_hz

    @property
    def until_s(self) -> float:
        """Just after the last one."""
        return (self.number * CHUNK + CHUNK - 1) / self.sample_rate_hz + 1e-9


def _joined(nodes: Floats) -> Floats:
    """What drifts, on one chunk: exact at every 32nd sample and straight in between.

    The slowest terms have periods of 8 s and more: the error is at most
    (32 / rate)**2 / 8 * (2 pi / 8 s)**2 = 5e-6 of the drift at 2 kS/s and 8e-8 at 16 kS/s.
    """
    lines: Floats = np.array([nodes[:-1], np.diff(nodes)]).T @ _ALONG
    return lines.ravel()


_ALONG = np.array([np.ones(STRIDE), np.arange(STRIDE) / STRIDE])
