"""A whole day of a steady supply as a cheap converter sees it: nothing happens, so nothing is told.

Twelve bits, noise, 3 % of harmonics, and frequency and voltage wandering as they do on a large
network (common practice, no source: a few ten mHz and about 1 % within minutes).
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.pipeline import Pipeline
from daemon.records import Output
from daemon.setup import pipeline_setup
from drivers.source import Block, SourceInfo
from tests.whole_material import CHECKOUT, settings_in

Singles = NDArray[np.float32]

BLOCK_S = 10  # as long as a slot of the frequency, so that its mean is known for each slot
N_BITS = 12
NOISE_POOL = 4_000_037
NOISE_PCT = 0.2  # of the declared voltage, rms: two steps of the converter
WANDER_HZ = 0.2  # at most
WANDER_PCT = 3.0  # likewise, of the declared voltage
# 3rd 2 %, 5th 2 % the other way round, 7th 1 %: 3 % together, as powers of the sine of the phase.
IN_SINES = (1 + 3 * 0.02 - 5 * 0.02 + 7 * 0.01, -4 * 0.02 + 20 * 0.02 - 56 * 0.01)
IN_HIGHER_SINES = (-16 * 0.02 + 112 * 0.01, -64 * 0.01)


@dataclass
class Supply:
    """Ten seconds at a time: frequency and voltage go straight from one value to the next."""

    rate_hz: int
    declared_v: float
    nominal_hz: float
    full_scale_v: float
    mean_hz: list[float] = field(default_factory=list)  # of each block
    mean_v: list[float] = field(default_factory=list)  # of the fundamental, likewise

    def blocks(self, n_blocks: int) -> Iterator[Block]:
        """Sine by sine, so that nothing repeats; only the noise comes again, from elsewhere."""
        random = np.random.default_rng(24)
        n_samples = BLOCK_S * self.rate_hz
        time_s = np.arange(n_samples) / self.rate_hz
        noise = random.normal(0, NOISE_PCT / 100 * self.declared_v, NOISE_POOL).astype(np.float32)
        turns, off_hz, off_pct = 0.3, 0.0, 0.0
        for number in range(n_blocks):
            next_hz = wandered(off_hz, 0.02, WANDER_HZ, random)
            next_pct = wandered(off_pct, 0.2, WANDER_PCT, random)
            self.mean_hz.append(self.nominal_hz + (off_hz + next_hz) / 2)
            self.mean_v.append(self.declared_v * (1 + (off_pct + next_pct) / 200))
            bend = (next_hz - off_hz) / BLOCK_S / 2
            cycles = turns + time_s * (self.nominal_hz + off_hz + bend * time_s)
            height_v = np.linspace(1 + off_pct / 100, 1 + next_pct / 100, n_samples) * np.sqrt(2)
            volts = waveform(cycles) * (height_v * self.declared_v).astype(np.float32)
            at = int(random.integers(NOISE_POOL - n_samples))
            yield Block(number * n_samples, self.converted(volts + noise[at : at + n_samples]))
            turns = (turns + BLOCK_S * self.mean_hz[-1]) % 1
            off_hz, off_pct = next_hz, next_pct

    def converted(self, volts: Singles) -> Singles:
        step_v = np.float32(2 * self.full_scale_v / 2**N_BITS)
        steps: Singles = np.rint(volts / step_v)
        return (steps * step_v)[:, None]


def wandered(value: float, step: float, most: float, random: np.random.Generator) -> float:
    """The next value of a walk that is drawn back to 0 and never goes further than `most`."""
    return float(np.clip(0.98 * value + random.normal(0, step), -most, most))


def waveform(cycles: NDArray[np.float64]) -> Singles:
    """Harmonics of a sine are polynomials in it: sin 3x = 3s - 4s^3 and so on."""
    sine = np.sin((2 * np.pi * (cycles - np.floor(cycles))).astype(np.float32))
    square = sine * sine
    first, third, fifth, seventh = map(np.float32, (*IN_SINES, *IN_HIGHER_SINES))
    shape: Singles = sine * (first + square * (third + square * (fifth + square * seventh)))
    return shape


def test_the_waveform_has_its_harmonics() -> None:
    # The other way round: from the sum of sines.
    cycles = np.linspace(0.1, 2.1, 999)
    turn = 2 * np.pi * cycles
    expected = np.sin(turn) + 0.02 * np.sin(3 * turn) - 0.02 * np.sin(5 * turn)
    # float32 of a phase: 2^-24 of a turn or so, a few of them in the seventh power
    assert waveform(cycles) == pytest.approx(expected + 0.01 * np.sin(7 * turn), abs=5e-6)


@pytest.mark.soak
@pytest.mark.parametrize(
    ("rate_hz", "declared_v", "nominal_hz"), [(16_000, 230.0, 50), (8_000, 120.0, 60)]
)
def test_a_quiet_day_gives_no_event(rate_hz: int, declared_v: float, nominal_hz: int) -> None:
    n_blocks = 86_400 // BLOCK_S
    configured = settings_in(
        CHECKOUT,
        {"name": "simulated", "scenario": "config/scenarios/demo.yaml"},
        supply={"nominal_v": declared_v, "frequency_hz": nominal_hz},
        capture={"rapid_change_pct": 3.0},  # the one kind of event that is off by default
    )
    full_scale_v = 2.5 * declared_v
    info = SourceInfo(rate_hz, ("L1",), N_BITS, full_scale_v, 0.45 * rate_hz, True, is_live=False)
    pipeline = Pipeline(pipeline_setup(configured, info))
    supply = Supply(rate_hz, declared_v, nominal_hz, full_scale_v)
    found = Output()
    for block in supply.blocks(n_blocks):
        gather(pipeline.feed(block), found)
    gather(pipeline.finish(), found)

    assert found.events == []
    # The last slot of ten seconds has no first crossing of the next, of ten minutes no tick.
    assert len(found.frequencies) in (n_blocks - 1, n_blocks)
    assert [value.start_index for value in found.ten_minute] == [
        600 * rate_hz * number for number in range(143)
    ]
    assert found.basic == []  # none was flagged
    assert not any(value.flagged for value in found.frequencies)
    # The flickermeter leaves out its first 12 s, 2 % of the first ten minutes: seen in part.
    assert [value.flagged for value in found.ten_minute] == [True] + [False] * 142
    # IEC 61000-4-30, 5.1 (memory): 10 mHz for class A. A tenth: noise is all there is.
    off_hz = [
        value.frequency_hz - mean_hz
        for value, mean_hz in zip(found.frequencies, supply.mean_hz, strict=False)
    ]
    assert np.abs(off_hz).max() < 0.001
    # 5.2: 0.1 % of the declared voltage, a tenth of it; harmonics and noise add their squares.
    whole_v = np.array(supply.mean_v[: 143 * 60]).reshape(143, 60)
    extra_v = NOISE_PCT / 100 * declared_v
    expected_v = np.sqrt(np.mean(whole_v**2, axis=1) * (1 + 0.0009) + extra_v**2)
    ten_minute_v = [value.urms_v for value in found.ten_minute]
    assert ten_minute_v == pytest.approx(expected_v, abs=0.0001 * declared_v)
    assert max(value.thd_pct for value in found.ten_minute) == pytest.approx(3.0, abs=0.05)
    assert all(value.pst is not None and value.pst < 0.5 for value in found.ten_minute)


def gather(out: Output, found: Output) -> None:
    """Keep what is not too much for a day."""
    found.events += out.events
    found.frequencies += out.frequencies
    found.ten_minute += out.ten_minute
    found.basic += [intervals for intervals in out.basic if intervals.flagged.any()]
