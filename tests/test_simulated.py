"""The simulated input: waveforms against closed forms, and the pace of a reader."""

import math
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from pydantic import ValidationError
from scipy import integrate, signal, stats

from drivers.clock import ManualClock
from drivers.errors import OptionError, SourceEnded, SourceFailed
from drivers.registry import find_driver
from drivers.scenario import parse_scenario
from drivers.simulated import SimulatedOptions, SimulatedSource
from drivers.source import Block
from drivers.synthesis import CHUNK, Synthesis
from drivers.waveform import (
    Converter,
    Harmonic,
    Impulse,
    Notches,
    Part,
    Recovery,
    Ringing,
    Shape,
    Steps,
    cycle_table,
    seeded_wander,
)

RATE_HZ = 16_000.0
SUPPLY = {"nominal_v": 230, "frequency_hz": 50}
Raw = dict[str, Any]


def raw_scenario(*timeline: Raw, seed: int = 1, **supply: Any) -> Raw:
    return {"seed": seed, "supply": {**SUPPLY, **supply}, "timeline": list(timeline)}


def synthesis(*timeline: Raw, seed: int = 1, **supply: Any) -> Synthesis:
    raw = raw_scenario(*timeline, seed=seed, **supply)
    return Synthesis.of(parse_scenario(raw, "test"), RATE_HZ)


def samples(made: Synthesis, duration_s: float, first_chunk: int = 0) -> NDArray[np.float64]:
    n_samples = round(duration_s * made.sample_rate_hz)
    numbers = range(first_chunk, first_chunk + -(-n_samples // CHUNK))
    return np.concatenate([made.chunk(number) for number in numbers])[:n_samples].astype(np.float64)


def source(
    folder: Path, raw: Raw, clock: ManualClock | None = None, **keys: Any
) -> SimulatedSource:
    path = folder / "scenario.yaml"
    path.write_text(yaml.safe_dump(raw), encoding="utf-8")
    table = {"name": "simulated", "scenario": "scenario.yaml", **keys}
    options = SimulatedOptions.model_validate(table, context={"base_dir": folder})
    return SimulatedSource(options, clock or ManualClock())


def blocks(opened: SimulatedSource) -> Iterator[Block]:
    opened.open()
    while True:
        try:
            block = opened.read(1.0)
        except SourceEnded:
            return
        assert block is not None
        yield block


# --- the steady waveform -------------------------------------------------------------------


@pytest.mark.parametrize(("bits", "full_scale_v"), [(12, 400.0), (16, 800.0), (24, 800.0)])
def test_steady_rms(bits: int, full_scale_v: float) -> None:
    """Whole cycles of a sine: the rms is nominal.

    Tolerance: the cycle's 80 different magnitudes are each off by up to half a step q, rms
    q / sqrt(12), so their weighted mean by q / sqrt(12 * 80), four times that; and float32.
    """
    raw = raw_scenario(frequency_hz=50)
    raw["converter"] = {"bits": bits, "full_scale_v": full_scale_v}
    made = Synthesis.of(parse_scenario(raw, "test"), RATE_HZ)
    rms_v = math.sqrt(np.mean(samples(made, 4.0) ** 2))
    step_v = full_scale_v / 2 ** (bits - 1)
    assert rms_v == pytest.approx(230.0, abs=0.13 * step_v + 3e-5)


def test_values_are_codes_of_the_converter() -> None:
    volts = samples(synthesis(noise_pct=1), 0.5)
    codes = volts / (800.0 / 32768.0)  # a power of two times 25: exact in float32 for these codes
    assert np.abs(codes - np.rint(codes)).max() < 1e-3


def test_harmonics_by_fft() -> None:
    """Amplitude and phase of each order from an FFT over whole cycles; other bins are empty.

    Tolerance: rounding noise of 7 mV over the 320 different samples of a cycle leaves an amplitude
    of 7 mV * 2 / sqrt(320) = 0.8 mV = 2.4e-6 of 325 V rms in each bin; four times that.
    """
    harmonics = [
        {"order": 3, "pct": 5, "phase_deg": 30},
        {"order": 7, "pct": 2, "phase_deg": -90},
        {"order": 50, "pct": 1, "phase_deg": 180},
    ]
    volts = samples(synthesis(harmonics=harmonics, dc_pct=1), 0.4)[:, 0]
    spectrum = np.fft.rfft(volts)[::20] / len(volts) * 2.0 / (230.0 * math.sqrt(2.0))
    expected = np.zeros(len(spectrum), dtype=complex)
    expected[0] = 2 * 0.01 / math.sqrt(2.0)  # 1 % of the fundamental's rms
    expected[1] = -1j  # a sine
    for order, ratio, phase_deg in ((3, 0.05, 30.0), (7, 0.02, -90.0), (50, 0.01, 180.0)):
        expected[order] = -1j * ratio * np.exp(1j * np.radians(phase_deg))
    assert np.abs(spectrum - expected).max() < 1e-5


def test_one_cycle_table_keeps_its_stated_error() -> None:
    """Straight lines: step**2 / 8 times the largest second derivative."""
    harmonics = (Harmonic(5, 0.06, 1.0), Harmonic(25, 0.02, 2.0))
    table = cycle_table(harmonics, 0.0)
    turns = np.random.default_rng(1).uniform(0.0, 1e6, 100_000)
    exact = np.sin(2 * np.pi * (turns % 1.0))
    for harmonic in harmonics:
        exact += harmonic.value_at(turns % 1.0)
    bound = (2 * np.pi / 32768) ** 2 / 8 * (1 + 25 * 0.06 + 625 * 0.02)
    rounding = 1e6 * 2**-52 * 2 * np.pi * 5  # a million turns in double precision
    assert np.abs(table.value_at(turns) - exact).max() < bound + rounding


@pytest.mark.parametrize("rate_hz", [2000.0, 16_000.0])
def test_joined_drift_keeps_its_stated_error(rate_hz: float) -> None:
    """The fast path against the exact one: 5e-6 of the drift, and half a step of rounding."""
    raw = raw_scenario(frequency_wander_hz=0.5, magnitude_wander_pct=5)
    raw["converter"] = {"bits": 24}
    made = Synthesis.of(parse_scenario(raw, "test"), rate_hz)
    t_s = (5 * CHUNK + np.arange(CHUNK)) / rate_hz
    # drift of 5 % of 325 V; phase drift of up to 0.5 Hz * 90 s / 2 pi = 7 turns, 2 pi rad each
    bound_v = 325.3 * 5e-6 * (0.05 + 7.0 * 2 * np.pi * (2000.0 / rate_hz) ** 2) + 1e-4
    assert np.abs(made.chunk(5)[:, 0] - made.value_at(t_s)).max() < bound_v


def test_a_day_swings_once() -> None:
    """230 V with 2 % of swing: 234.6 at the start, 225.4 after twelve hours, 230 in between."""
    level = synthesis(daily_swing_pct=2.0).timeline.level
    hours = np.array([0.0, 6.0, 12.0, 18.0, 24.0])
    swing = np.array([0.02, 0.0, -0.02, 0.0, 0.02])
    assert np.abs(level.value_at(hours * 3600) - swing).max() < 1e-12


def test_drift_stays_within_its_amplitude_and_integrates_to_the_phase() -> None:
    wander = seeded_wander(0.4, seed=3, stream=1)
    t_s = np.linspace(0.0, 500.0, 200_001)
    values = wander.value_at(t_s)
    assert 0.2 < np.abs(values).max() <= 0.4
    numeric = integrate.cumulative_simpson(values, x=t_s, initial=0.0)
    # Simpson: (h / 2)**4 / 180 * 500 s * 0.4 * (2 pi / 8)**4 = 1e-12, rounding of sums above it
    assert np.abs(wander.integral_at(t_s) - numeric).max() < 1e-9


def test_frequency_follows_the_drift() -> None:
    """Instantaneous frequency by the analytic signal, against the drift itself."""
    made = synthesis(frequency_wander_hz=1.0)
    t_s = np.arange(16_000 * 30) / RATE_HZ
    phase = np.unwrap(np.angle(signal.hilbert(made.value_at(t_s))))
    measured_hz = np.diff(phase[::1600]) / (2 * np.pi) * 10.0
    middle_s = t_s[::1600][:-1] + 0.05
    expected_hz = 50.0 + made.timeline.grid.wander.value_at(middle_s)
    # the ends suffer from the transform; 2 mHz: curvature over 0.1 s and the transform's leakage
    assert np.abs(measured_hz - expected_hz)[10:-10].max() < 2e-3


@pytest.mark.parametrize(
    ("wiring", "angles_deg"),
    [("single", [0]), ("split_phase", [0, 180]), ("three_phase", [0, -120, 120])],
)
def test_wiring_sets_the_angles(wiring: str, angles_deg: list[float]) -> None:
    volts = samples(synthesis(wiring=wiring), 0.2)
    phasors = np.fft.rfft(volts, axis=0)[10, :] / (-1j)
    found_deg = np.degrees(np.angle(phasors / phasors[0]))
    differences = (found_deg - angles_deg + 180.0) % 360.0 - 180.0
    assert np.abs(differences).max() < 1e-3  # one part in 1e5: rounding of the converter


# --- noise and converter -------------------------------------------------------------------


def test_noise_is_white_and_gaussian() -> None:
    """Three checks on 245 760 values; all fail by chance less than once in a thousand seeds."""
    made = synthesis(noise_pct=2, magnitude_pct=0)
    volts = samples(made, 30 * CHUNK / RATE_HZ)[:, 0]
    assert volts.std() == pytest.approx(4.6, rel=4 / math.sqrt(2 * len(volts)))
    lag = np.corrcoef(volts[:-1], volts[1:])[0, 1]
    assert abs(lag) < 4 / math.sqrt(len(volts))
    assert stats.kstest(volts[::10] / 4.6, "norm").pvalue > 1e-4


def test_noise_of_two_inputs_is_independent() -> None:
    volts = samples(synthesis(noise_pct=2, magnitude_pct=0, wiring="split_phase"), 1.0)
    assert abs(np.corrcoef(volts[:, 0], volts[:, 1])[0, 1]) < 4 / math.sqrt(len(volts))


def test_a_seed_means_the_same_samples_and_another_means_others() -> None:
    first, again, other = (
        samples(synthesis(noise_pct=1, seed=seed), 1.0)[:, 0] for seed in (5, 5, 6)
    )
    assert np.array_equal(first, again)
    assert abs(np.corrcoef(first - other, first)[0, 1]) < 0.1
    assert (first - other).std() == pytest.approx(2.3 * math.sqrt(2.0), rel=0.05)


def test_the_converter_clips() -> None:
    """800 V rms into +-800 V: flat tops at the last codes, which are not symmetrical."""
    volts = samples(synthesis(nominal_v=800), 0.1)
    step_v = 800.0 / 32768.0
    assert volts.min() == -800.0
    assert volts.max() == 800.0 - step_v
    # |sin| > 1 / sqrt(2) for half of the time; 0.01: whole samples at the corners
    assert np.mean(np.abs(volts) >= 800.0 - step_v) == pytest.approx(0.5, abs=0.01)


def test_the_converter_rounds_to_the_nearest_code() -> None:
    converter = Converter(bits=8, full_scale_v=128.0)
    volts = converter.volts(np.array([0.4, 0.6, -0.6, 127.4, 500.0, -500.0]))
    assert volts.tolist() == [0.0, 1.0, -1.0, 127.0, 127.0, -128.0]


# --- disturbances --------------------------------------------------------------------------


@pytest.mark.parametrize("phase_deg", [0.0, 37.0, 90.0, 270.0, -45.0])
@pytest.mark.parametrize("name", ["L1", "L3"])
def test_a_dip_starts_at_its_point_on_the_wave(phase_deg: float, name: str) -> None:
    """The waveform at the start is that of the asked phase; the start comes within a cycle."""
    dip = {"kind": "dip", "at_s": 2.345, "duration_s": 0.1, "residual_pct": 0}
    place: Raw = {"phase_deg": phase_deg, "inputs": [name]}
    drift: Raw = {"wiring": "three_phase", "frequency_wander_hz": 1.0}
    made, steady = synthesis({**dip, **place}, **drift), synthesis(**drift)
    (entry,) = made.timeline.disturbances
    (start_s,) = entry.starts(made.timeline.grid, 0.0, 60.0)
    assert 2.345 <= start_s < 2.345 + 1 / 48.9
    before = np.array([start_s - 1e-6, start_s, start_s + 1e-6])
    column = {"L1": 0, "L3": 2}[name]
    wave = steady.value_at(before, column) / (230.0 * math.sqrt(2.0))
    assert wave[1] == pytest.approx(math.sin(math.radians(phase_deg)), abs=1e-6)
    rising = math.cos(math.radians(phase_deg))
    assert abs(rising) < 1e-9 or (wave[2] - wave[0]) * rising > 0
    assert made.value_at(before, column)[1:].tolist() == [0.0, 0.0]
    assert made.value_at(before, column)[0] == steady.value_at(before, column)[0]


def test_a_dip_on_all_inputs_starts_on_all_at_once() -> None:
    dip = {"kind": "dip", "at_s": 0.1, "duration_s": 0.1, "residual_pct": 0, "phase_deg": 90}
    volts = samples(synthesis(dip, wiring="three_phase"), 0.5)
    assert np.all(volts[1679] != 0.0)  # the first input reaches 90 degrees at 105 ms
    for column in volts.T:
        assert np.all(column[1680:3280] == 0.0)
        assert np.count_nonzero(column[3280:3600]) > 300


@pytest.mark.parametrize(
    ("entry", "gain"),
    [
        ({"kind": "dip", "residual_pct": 40, "duration_cycles": 5}, 0.4),
        ({"kind": "interruption", "duration_s": 0.1}, 0.0),
        ({"kind": "swell", "magnitude_pct": 130, "duration_s": 0.1}, 1.3),
    ],
)
def test_a_rectangle_scales_the_waveform(entry: Raw, gain: float) -> None:
    volts = samples(synthesis({"at_s": 0.2, **entry}), 0.5)[:, 0]
    steady = samples(synthesis(), 0.5)[:, 0]
    factor = np.ones(8000)
    factor[3200:4800] = gain
    step_v = 800.0 / 32768.0
    assert np.abs(volts - factor * steady).max() <= step_v * 1.2  # two roundings


def test_a_motor_start_is_its_closed_form() -> None:
    shape = Recovery(residual=0.7, hold_s=0.1, time_constant_s=0.5)
    elapsed_s = np.array([0.0, 0.05, 0.1, 0.6, 1.1, shape.length_s])
    expected = [0.7, 0.7, 0.7, 1 - 0.3 / math.e, 1 - 0.3 / math.e**2, 1.0]
    assert shape.factor_at(elapsed_s) == pytest.approx(expected, abs=1e-6)


def test_a_fault_cleared_in_two_stages() -> None:
    shape = Steps(((0.1, 0.4), (0.5, 0.8)))
    assert shape.length_s == pytest.approx(0.6)
    assert shape.factor_at(np.array([0.0, 0.0999, 0.1, 0.59])).tolist() == [0.4, 0.4, 0.8, 0.8]


def test_a_jump_of_phase() -> None:
    """Inside the dip the fundamental is 30 degrees ahead, afterwards it is where it was."""
    dip = {"kind": "dip", "at_s": 0.1, "duration_s": 0.1, "residual_pct": 50, "phase_jump_deg": 30}
    volts = samples(synthesis(dip), 0.3)[:, 0]
    cycles = np.fft.rfft(volts.reshape(15, 320), axis=1)[:, 1]
    angles_deg = np.degrees(np.angle(cycles / -1j))
    assert np.abs(angles_deg[5:10] - 30.0).max() < 0.01  # rounding: a part in 1e4
    assert np.abs(np.delete(angles_deg, np.s_[5:10])).max() < 0.01


def applied(shape: Shape, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
    flat = np.zeros_like(t_s)
    return shape.volts(Part(elapsed_s=t_s, turns=50.0 * t_s, peak_v=flat + 325.0, volts=flat))


def test_an_impulse_has_its_peak_and_width() -> None:
    shape = Impulse(peak_v=-400.0, width_s=0.001)
    t_s = np.linspace(0.0, shape.length_s, 200_001)
    pulse = applied(shape, t_s)
    assert pulse.min() == pytest.approx(-400.0, rel=1e-9)
    assert np.mean(pulse < -200.0) * shape.length_s == pytest.approx(0.001, rel=1e-4)
    assert pulse[0] == pulse[-1] == 0.0


def test_a_ringing_has_its_peak_frequency_and_decay() -> None:
    shape = Ringing(peak_v=200.0, frequency_hz=700.0, decay_s=0.01)
    t_s = np.arange(0, 0.1, 1e-6)
    wave = applied(shape, t_s)
    assert wave[0] == 200.0
    assert np.abs(wave).max() == 200.0
    crossings = np.flatnonzero(np.diff(np.signbit(wave)))
    assert np.diff(crossings) * 1e-6 == pytest.approx(1 / 1400, abs=2e-6)
    assert wave[10_000] == pytest.approx(200.0 / math.e, rel=1e-9)  # seven whole periods


def test_notches_have_their_depth_width_and_number() -> None:
    """Six a cycle, 1 ms each at 50 Hz: 30 % of the time the wave is at 40 % of itself."""
    shape = Notches(depth=0.6, width_turns=0.05, per_cycle=6, length_s=1.0)
    turns = np.arange(100_000) / 100_000
    sine = np.sin(2 * np.pi * turns)
    ratio = shape.volts(Part(turns / 50, turns, np.ones_like(turns), sine))[1:] / sine[1:]
    assert np.count_nonzero(np.diff(ratio) < -0.5) == 6
    assert np.mean(ratio < 0.5) == pytest.approx(0.3, abs=1e-3)
    assert ratio.min() == pytest.approx(0.4, rel=1e-9)


def test_distortion_comes_and_goes() -> None:
    extra = [{"order": 5, "pct": 8}]
    episode = {"kind": "distortion", "at_s": 0.4, "duration_s": 0.4, "harmonics": extra}
    volts = samples(synthesis(episode), 1.2)[:, 0]
    spectra = np.abs(np.fft.rfft(volts.reshape(6, 3200), axis=1))
    ratio = spectra[:, 50] / spectra[:, 10]
    assert ratio == pytest.approx([0, 0, 0.08, 0.08, 0, 0], abs=1e-5)  # rounding, as above


def test_a_frequency_excursion() -> None:
    change = {"kind": "frequency", "at_s": 1, "duration_s": 2, "offset_hz": 0.5}
    made = synthesis(change)
    crossings = [made.timeline.grid.next_at(t, 0.0) for t in (0.5, 1.5, 2.5, 3.5, 4.5)]
    counts = made.timeline.grid.turns_at(np.array(crossings))
    assert counts == pytest.approx(np.rint(counts), abs=1e-9)
    between_hz = np.diff(counts) / np.diff(crossings)
    assert between_hz[1] == pytest.approx(50.5, abs=1e-6)
    assert between_hz[3] == pytest.approx(50.0, abs=1e-6)


def test_a_stuck_input_holds_the_last_value() -> None:
    fault = {"kind": "stuck_input", "at_s": 0.5, "duration_s": 0.7, "inputs": ["L2"]}
    wiring: Raw = {"wiring": "split_phase", "noise_pct": 0.5}
    stuck, steady = (samples(synthesis(*t, **wiring), 1.5) for t in ((fault,), ()))
    assert np.array_equal(stuck[:, 0], steady[:, 0])
    assert np.all(stuck[8000:19200, 1] == steady[7999, 1])
    assert np.array_equal(stuck[:8000, 1], steady[:8000, 1])
    assert np.array_equal(stuck[19200:, 1], steady[19200:, 1])


# --- any split gives the same samples --------------------------------------------------------

EVENTFUL: tuple[Raw, ...] = (
    {"kind": "dip", "at_s": 0.3, "duration_s": 0.4, "residual_pct": 50, "phase_deg": 20},
    {"kind": "motor_start", "at_s": 0.9, "residual_pct": 70, "time_constant_s": 0.1},
    {"kind": "oscillatory_transient", "at_s": 1.02, "peak_pct": 90, "frequency_hz": 900,
     "decay_s": 0.01},
    {"kind": "frequency", "at_s": 0.5, "duration_s": 1, "offset_hz": 1},
    {"kind": "stuck_input", "at_s": 1.8, "duration_s": 0.5, "inputs": ["L2"]},
    {"kind": "lost_samples", "at_s": 0.6, "n_samples": 333, "repeat_every_s": 0.7, "jitter_s": 0.1},
)  # fmt: skip
SUPPLY_3P: Raw = {"wiring": "three_phase", "noise_pct": 0.3, "frequency_wander_hz": 0.4}


@settings(max_examples=25, deadline=None)
@given(block_s=st.floats(0.001, 3.0))
def test_any_split_into_blocks_gives_the_same_samples(
    block_s: float, tmp_path_factory: pytest.TempPathFactory
) -> None:
    raw = raw_scenario(*EVENTFUL, **SUPPLY_3P) | {"duration_s": 3.0}
    made = Synthesis.of(parse_scenario(raw, "test"), RATE_HZ)
    whole = samples(made, 3.0).astype(np.float32)
    folder = tmp_path_factory.mktemp("split")
    opened = source(folder, raw, pace="as_fast_as_possible", block_s=block_s)
    index = n_lost = 0
    for block in blocks(opened):
        assert block.first_index == index + block.n_lost
        assert not block.volts.flags.writeable
        assert block.volts.dtype == np.float32
        index = block.first_index + len(block.volts)
        assert np.array_equal(block.volts, whole[block.first_index : index])
        n_lost += block.n_lost
    assert (index, n_lost) == (48_000, 4 * 333)


def test_chunks_can_be_made_in_any_order() -> None:
    made = synthesis(*EVENTFUL, **SUPPLY_3P)
    forwards = [made.chunk(number) for number in range(5)]
    backwards = [made.chunk(number) for number in reversed(range(5))]
    for one, other in zip(forwards, reversed(backwards), strict=True):
        assert np.array_equal(one, other)


def test_a_week_later_samples_are_still_exact() -> None:
    """At 1e6 s double precision leaves 1e-10 s: the waveform of a whole cycle count is the same."""
    number = 50 * 16_000 * 1000  # whole chunks and whole cycles: 8192 * 8e8 / 320
    late, early = synthesis().chunk(number)[:, 0], synthesis().chunk(0)[:, 0]
    step_v = 800.0 / 32768.0
    assert np.abs(late - early).max() <= step_v


# --- the driver ------------------------------------------------------------------------------


def test_it_says_what_it_is(tmp_path: Path) -> None:
    assert find_driver("simulated") is SimulatedSource
    assert not SimulatedSource.is_hardware
    raw = raw_scenario(wiring="split_phase") | {"converter": {"bits": 12, "full_scale_v": 400}}
    info = source(tmp_path, raw, sample_rate_hz=8000).open()
    assert info.inputs == ("L1", "L2")
    assert (info.sample_rate_hz, info.bandwidth_hz) == (8000.0, 4000.0)
    assert (info.bits, info.full_scale_v) == (12, 400.0)
    assert info.is_live
    assert info.is_simultaneous
    assert (info.start_utc_s, info.n_samples) == (None, None)


def test_a_finite_run_as_fast_as_possible(tmp_path: Path) -> None:
    """The option overrides the scenario's own length; the stated start is passed on."""
    clock = ManualClock()
    started_ns = clock.monotonic_ns()
    start = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
    keys: Raw = {"pace": "as_fast_as_possible", "duration_s": 2.5, "start_utc": start}
    raw = raw_scenario() | {"duration_s": 60}
    info = source(tmp_path, raw, clock, **keys).open()
    assert (info.n_samples, info.is_live) == (40_000, False)
    assert info.start_utc_s == 1_772_366_400.0  # date -u -d 2026-03-01T12:00Z +%s
    delivered = [len(block.volts) for block in blocks(source(tmp_path, raw, clock, **keys))]
    assert delivered == [CHUNK, CHUNK, 40_000 - 2 * CHUNK]
    assert clock.monotonic_ns() == started_ns


def test_a_run_can_begin_anywhere_in_the_scenario(tmp_path: Path) -> None:
    """The samples are the later ones of a whole run, bit by bit; what is lost is the same."""
    loss = {"kind": "lost_samples", "at_s": 2.0, "duration_s": 0.5}
    raw = raw_scenario(loss, magnitude_wander_pct=1) | {"duration_s": 4.0}
    whole = list(blocks(source(tmp_path, raw, pace="as_fast_as_possible")))
    expected = np.concatenate([block.volts for block in whole])
    later = list(blocks(source(tmp_path, raw, pace="as_fast_as_possible", begin_s=1.25)))
    skipped = round(1.25 * RATE_HZ)
    assert later[0].first_index == 0
    assert np.array_equal(np.concatenate([b.volts for b in later]), expected[skipped:])
    (after,) = [block for block in later if block.n_lost]
    assert (after.first_index, after.n_lost) == (round(1.25 * RATE_HZ), round(0.5 * RATE_HZ))
    info = source(tmp_path, raw, pace="as_fast_as_possible", begin_s=1.25).open()
    assert info.n_samples == round(2.75 * RATE_HZ)
    with pytest.raises(OptionError, match=r"begin_s is 4: .* over after 4 s"):
        source(tmp_path, raw, begin_s=4.0).open()


def test_the_end_stays_the_end(tmp_path: Path) -> None:
    opened = source(tmp_path, raw_scenario(), pace="as_fast_as_possible", duration_s=0.1)
    opened.open()
    assert opened.read(1.0) is not None
    for _ in range(2):
        with pytest.raises(SourceEnded):
            opened.read(1.0)


def test_reading_needs_an_open_source(tmp_path: Path) -> None:
    closed = source(tmp_path, raw_scenario())
    with pytest.raises(SourceFailed):
        closed.read(1.0)
    closed.open()
    closed.close()
    closed.close()
    with pytest.raises(SourceFailed):
        closed.read(1.0)


def test_opening_again_starts_over(tmp_path: Path) -> None:
    opened = source(tmp_path, raw_scenario(noise_pct=1), pace="as_fast_as_possible")
    runs = []
    for _ in range(2):
        opened.open()
        block = opened.read(1.0)
        assert block is not None
        runs.append((block.first_index, block.volts.tolist()))
        opened.close()
    assert runs[0] == runs[1]


def test_samples_come_when_they_are_due(tmp_path: Path) -> None:
    """Sample n exists n / 16000 s after the start: 320 of them after 319 intervals."""
    clock = ManualClock()
    opened = source(tmp_path, raw_scenario(), clock)
    opened.open()
    started_ns = clock.monotonic_ns()
    for number in range(1, 51):
        block = opened.read(1.0)
        assert block is not None
        assert (block.first_index, len(block.volts)) == ((number - 1) * 320, 320)
        assert clock.monotonic_ns() - started_ns == math.ceil((number * 320 - 1) * 62_500)


def test_nothing_within_the_timeout_is_none(tmp_path: Path) -> None:
    clock = ManualClock()
    opened = source(tmp_path, raw_scenario(), clock)
    opened.open()
    first = opened.read(0.005)  # 5 ms: what is due by then comes, 81 samples
    assert first is not None
    assert len(first.volts) == 81
    assert opened.read(0.0) is None
    assert opened.read(-1.0) is None


def test_a_late_reader_loses_nothing(tmp_path: Path) -> None:
    clock = ManualClock()
    opened = source(tmp_path, raw_scenario(), clock)
    opened.open()
    assert opened.read(1.0) is not None
    clock.advance_s(2.5)
    lengths, index = [], 320
    for _ in range(4):
        block = opened.read(1.0)
        assert block is not None
        assert (block.first_index, block.n_lost) == (index, 0)
        index += len(block.volts)
        lengths.append(len(block.volts))
    assert lengths == [16_000, 16_000, 8000, 320]  # in pieces of a second, then at pace again


def test_lost_samples_are_counted_and_numbered(tmp_path: Path) -> None:
    losses: tuple[Raw, ...] = (
        {"kind": "lost_samples", "at_s": 0, "n_samples": 10},
        {"kind": "lost_samples", "at_s": 0.5, "n_samples": 100},
        {"kind": "lost_samples", "at_s": 0.503, "n_samples": 100},  # 8048: they overlap
        {"kind": "lost_samples", "at_s": 1, "duration_s": 0.75},
        {"kind": "lost_samples", "at_s": 2.9, "duration_s": 9},  # beyond the end
    )
    raw = raw_scenario(*losses) | {"duration_s": 3.0}
    found = [
        (block.first_index, block.n_lost)
        for block in blocks(source(tmp_path, raw, pace="as_fast_as_possible"))
        if block.n_lost
    ]
    assert found == [(10, 10), (8148, 148), (28_000, 12_000), (47_999, 1599)]


def test_a_stall_takes_its_time_at_real_time_pace(tmp_path: Path) -> None:
    clock = ManualClock()
    loss: Raw = {"kind": "lost_samples", "at_s": 0.02, "duration_s": 3}
    opened = source(tmp_path, raw_scenario(loss), clock)
    opened.open()
    started_ns = clock.monotonic_ns()
    assert opened.read(1.0) is not None
    assert [opened.read(1.0) for _ in range(2)] == [None, None]
    block = opened.read(2.0)
    assert block is not None
    assert (block.first_index, block.n_lost, len(block.volts)) == (48_320, 48_000, 320)
    assert clock.monotonic_ns() - started_ns == (48_320 + 319) * 62_500


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        ({"sample_rate_hz": 1599}, "greater than or equal to 1600"),
        ({"sample_rate_hz": 200_001}, "less than or equal to 200000"),
        ({"pace": "slow"}, "realtime"),
        ({"block_s": 0}, "0.001"),
        ({"duration_s": 0}, "greater than 0"),
        ({"colour": "red"}, "Extra inputs"),
        ({"start_utc": "2026-03-01T12:00:00Z"}, "needs pace as_fast_as_possible"),
        ({"start_utc": "2026-03-01T12:00:00", "pace": "as_fast_as_possible"}, "timezone"),
    ],
)
def test_wrong_options(tmp_path: Path, keys: Raw, expected: str) -> None:
    with pytest.raises(ValidationError, match=expected):
        source(tmp_path, raw_scenario(), **keys)


def test_what_would_alias_is_refused(tmp_path: Path) -> None:
    ring: Raw = {"kind": "oscillatory_transient", "at_s": 1, "peak_pct": 50, "decay_s": 0.01}
    raw = raw_scenario({**ring, "frequency_hz": 1000}, harmonics=[{"order": 20, "pct": 1}])
    with pytest.raises(OptionError) as caught:
        source(tmp_path, raw, sample_rate_hz=2000).open()
    text = str(caught.value)
    assert "scenario.yaml: must be below half of driver.sample_rate_hz, 1000 Hz" in text
    assert "timeline[0].frequency_hz is at 1000 Hz" in text
    assert "supply.harmonics[0] is at 1000 Hz" in text


def test_a_missing_scenario_is_an_option_error(tmp_path: Path) -> None:
    opened = source(tmp_path, raw_scenario())
    (tmp_path / "scenario.yaml").unlink()
    with pytest.raises(OptionError, match=r"scenario\.yaml: cannot be read"):
        opened.open()
