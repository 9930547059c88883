"""The simulated input: a scenario file turned into samples, always the same ones.

What it models: a fundamental with harmonics and a constant part, slow drift of magnitude and
frequency, white noise, rounding and clipping in the converter, and the scenario's timeline.

What it does NOT model: a source impedance or any reaction of loads; a voltage sensor (no gain
error, phase error, bandwidth or saturation); an anti-alias filter (a transient faster than half
the sample rate is sampled as it stands, and its peak may fall between two samples); jitter or drift
of the sample clock; differences between converter channels; temperature. Changes of factor are
instantaneous. Agreement with it says that measuring is right for these waveforms, not that a
monitor is right on a real circuit.
"""

import math
from typing import Annotated, ClassVar, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import AwareDatetime, Field, model_validator

from drivers.clock import Clock
from drivers.disturbances import Distortion, OscillatoryTransient
from drivers.errors import OptionError, SourceEnded, SourceFailed
from drivers.scenario import Scenario, load_scenario
from drivers.source import Block, RelativePath, Source, SourceInfo, SourceOptions
from drivers.synthesis import CHUNK, Synthesis

REALTIME_BLOCK_S = 0.02
LONGEST_BLOCK_S = 1.0  # a late reader catches up in pieces of this length


class SimulatedOptions(SourceOptions):
    """The `driver:` table for `name: simulated`."""

    # At least 32 samples a cycle of 50 Hz.
    sample_rate_hz: Annotated[float, Field(ge=1600.0, le=200_000.0)] = 16_000.0
    scenario: RelativePath
    pace: Literal["realtime", "as_fast_as_possible"] = "realtime"
    start_utc: AwareDatetime | None = None
    block_s: Annotated[float, Field(ge=0.001, le=20.0)] | None = None
    duration_s: Annotated[float, Field(gt=0.0, le=1e9)] | None = None
    begin_s: Annotated[float, Field(ge=0.0, le=1e9)] = 0.0  # how much of the scenario is left out

    @model_validator(mode="after")
    def _start_needs_no_clock(self) -> Self:
        if self.start_utc is not None and self.pace == "realtime":
            raise ValueError("start_utc needs pace as_fast_as_possible: realtime starts now")
        return self


class SimulatedSource(Source):
    """Plays a scenario, at the pace of the given clock or as fast as it is read."""

    Options = SimulatedOptions
    is_hardware: ClassVar[bool] = False

    def __init__(self, options: SourceOptions, clock: Clock) -> None:
        if not isinstance(options, SimulatedOptions):
            raise OptionError("the simulated driver takes SimulatedOptions")
        self._options = options
        self._clock = clock
        self._synthesis: Synthesis | None = None
        self._end: int | None = None  # this and `_index` count from the scenario's beginning
        self._skipped = 0
        self._index = 0
        self._opened_ns = 0
        self._chunk_number = -1
        self._chunk: NDArray[np.float32] = np.empty((0, 1), dtype=np.float32)

    def open(self) -> SourceInfo:
        options = self._options
        scenario = load_scenario(options.scenario)
        rate_hz = options.sample_rate_hz
        _refuse_aliases(scenario, rate_hz, str(options.scenario))
        self._synthesis = Synthesis.of(scenario, rate_hz)
        n_samples = _n_samples(scenario, options)
        self._skipped = self._index = round(options.begin_s * rate_hz)
        self._end = None if n_samples is None else self._skipped + n_samples
        self._chunk_number = -1
        self._opened_ns = self._clock.monotonic_ns()
        return SourceInfo(
            sample_rate_hz=rate_hz,
            inputs=scenario.supply.inputs,
            bits=scenario.converter.bits,
            full_scale_v=scenario.converter.full_scale_v,
            bandwidth_hz=rate_hz / 2.0,
            is_simultaneous=True,
            is_live=self._is_realtime,
            start_utc_s=None if options.start_utc is None else options.start_utc.timestamp(),
            n_samples=n_samples,
        )

    def read(self, timeout_s: float) -> Block | None:
        synthesis = self._synthesis
        if synthesis is None:
            raise SourceFailed("the simulated input is not open")
        if self._end is not None and self._index >= self._end:
            raise SourceEnded(f"the scenario is over after {self._end} samples")
        first = self._after_losses(synthesis)
        n_samples = self._available(first, timeout_s)
        if n_samples <= 0:
            return None
        n_samples = _before_loss(synthesis, first, n_samples)
        volts = self._samples(synthesis, first, n_samples)
        block = Block(first - self._skipped, volts, first - self._index)
        self._index = first + n_samples
        return block

    def close(self) -> None:
        self._synthesis = None

    @property
    def _is_realtime(self) -> bool:
        return self._options.pace == "realtime"

    def _available(self, first: int, timeout_s: float) -> int:
        """How many samples from index `first` on can be delivered now, or after a wait."""
        rest = math.inf if self._end is None else self._end - first
        wanted = int(min(self._block_samples(first), rest))
        if not self._is_realtime:
            return wanted
        n_until = first - self._skipped
        due_ns = self._opened_ns + math.ceil((n_until + wanted - 1) * 1e9 / self._rate_hz)
        wait_s = min((due_ns - self._clock.monotonic_ns()) / 1e9, timeout_s)
        if wait_s > 0:
            self._clock.sleep_s(wait_s)
        elapsed_ns = self._clock.monotonic_ns() - self._opened_ns
        due = int(elapsed_ns * self._rate_hz // 1e9) + 1 - n_until
        return int(min(due, rest, max(LONGEST_BLOCK_S * self._rate_hz, wanted)))

    @property
    def _rate_hz(self) -> float:
        return self._options.sample_rate_hz

    def _block_samples(self, first: int) -> int:
        block_s = self._options.block_s
        if block_s is None and not self._is_realtime:
            return CHUNK - first % CHUNK  # whole chunks need no copy
        return max(round((block_s or REALTIME_BLOCK_S) * self._rate_hz), 1)

    def _after_losses(self, synthesis: Synthesis) -> int:
        """Index of the next sample that is not lost.

        The last sample of a run is never lost, so that a loss before it is told.
        """
        first = self._index
        while ends := [end for begin, end in synthesis.lost(first, 1) if begin <= first < end]:
            first = max(ends)
        return first if self._end is None else min(first, self._end - 1)

    def _samples(self, synthesis: Synthesis, first: int, n_samples: int) -> NDArray[np.float32]:
        pieces = []
        end = first + n_samples
        while first < end:
            number, begin = divmod(first, CHUNK)
            if number != self._chunk_number:
                self._chunk, self._chunk_number = synthesis.chunk(number), number
            piece = self._chunk[begin : begin + end - first]
            pieces.append(piece)
            first += len(piece)
        if len(pieces) == 1:
            return pieces[0]
        volts = np.concatenate(pieces)
        volts.flags.writeable = False
        return volts


def _n_samples(scenario: Scenario, options: SimulatedOptions) -> int | None:
    """How many samples there are; None: without end."""
    length_s = options.duration_s
    if length_s is None and scenario.duration_s is not None:
        length_s = scenario.duration_s - options.begin_s
        if length_s <= 0.0:
            raise OptionError(
                f"driver.begin_s is {options.begin_s:g}: the scenario is over after "
                f"{scenario.duration_s:g} s"
            )
    return None if length_s is None else max(round(length_s * options.sample_rate_hz), 1)


def _before_loss(synthesis: Synthesis, first: int, n_samples: int) -> int:
    """How many of the next samples come before one that is lost."""
    begins = [begin for begin, _ in synthesis.lost(first, n_samples) if begin > first]
    return min([n_samples, *(begin - first for begin in begins)])


def _refuse_aliases(scenario: Scenario, sample_rate_hz: float, where: str) -> None:
    """Nothing that lasts may lie above half the sample rate: it would be another frequency."""
    supply = scenario.supply
    orders = [(f"supply.harmonics[{i}]", h.order) for i, h in enumerate(supply.harmonics)]
    tones = []
    for number, source in enumerate(scenario.timeline):
        key = f"timeline[{number}]"
        if isinstance(source, Distortion):
            orders += [(f"{key}.harmonics[{i}]", h.order) for i, h in enumerate(source.harmonics)]
        if isinstance(source, OscillatoryTransient):
            tones.append((f"{key}.frequency_hz", source.frequency_hz))
    tones += [(key, order * supply.frequency_hz) for key, order in orders]
    limit_hz = sample_rate_hz / 2.0
    faults = [f"{key} is at {tone_hz:g} Hz" for key, tone_hz in tones if tone_hz >= limit_hz]
    if faults:
        raise OptionError(
            f"{where}: must be below half of driver.sample_rate_hz, {limit_hz:g} Hz: "
            + "; ".join(faults)
        )
