"""What waits to be measured while nothing disturbs, and what never does."""

from dataclasses import replace

import numpy as np
import pytest

from daemon.calm import Calm
from daemon.measure.frames import Batches, Frame
from daemon.pipeline import Pipeline
from daemon.plan import BATCH_S, ChannelSetup, PipelineSetup
from daemon.records import Event, Kind
from drivers.source import Block
from tests.signals import Floats, envelope, flat, instants, make_setup, run, supply_wave

RATE_HZ = 8000


def told_at(volts: Floats, setup: PipelineSetup) -> list[tuple[float, Event]]:
    """Each event as it is handed on, and how many seconds of samples had come by then."""
    pipeline, told = Pipeline(setup), []
    step = round(setup.sample_rate_hz / 50)
    for start in range(0, len(volts), step):
        piece = volts[start : start + step, None].astype(np.float32)
        out = pipeline.feed(Block(start, piece))
        told += [((start + step) / setup.sample_rate_hz, event) for event in out.events]
    return told


def is_calm(volts: Floats, setup: PipelineSetup) -> list[bool]:
    """Of each second of one channel."""
    calm, seconds = Calm(setup), np.split(volts, round(len(volts) / setup.sample_rate_hz))
    return [calm.look(second[:, None].astype(np.float32)) for second in seconds]


@pytest.mark.parametrize("rate_hz", [2000, 8000, 11025, 16000])
@pytest.mark.parametrize(("frequency_hz", "off"), [(50, 0), (50, -0.01), (60, 0), (60, 0.01)])
def test_a_steady_supply_is_calm(rate_hz: int, frequency_hz: int, off: float) -> None:
    cycles = frequency_hz * (1 + off) * instants(rate_hz, 3)
    setup = make_setup(rate_hz, frequency_hz=frequency_hz)
    # Of the first second nobody knows what was before.
    for share in (0.935, 1.0, 1.065):
        assert is_calm(supply_wave(cycles, share * 230), setup) == [False, True, True]
    for share in (0.89, 1.11):
        assert is_calm(supply_wave(cycles, share * 230), setup) == [False, False, False]


@pytest.mark.parametrize(
    ("start_s", "expected"),
    [
        (1.5, [False, False, False, True, True]),
        (1.98, [False, False, False, True, True]),
        (1.99, [False, False, False, False, True]),  # half of it on either side
        (2.0, [False, True, False, False, True]),
    ],
)
def test_a_cycle_without_voltage_is_not_calm(start_s: float, expected: list[bool]) -> None:
    time_s = instants(RATE_HZ, 5)
    volts = supply_wave(50 * time_s, 230) * envelope(time_s, [(start_s, start_s + 0.02, 0.0)])
    assert is_calm(volts, make_setup(RATE_HZ)) == expected


def test_calm_is_judged_in_volts_of_the_mains() -> None:
    setup = replace(make_setup(RATE_HZ), channels=(ChannelSetup("L1", 1, -500.0, 1.65),))
    raw = supply_wave(50 * instants(RATE_HZ, 1), 230) / -500 + 1.65
    low = (raw - 1.65) * 0.88 + 1.65
    calm = Calm(setup)
    looks = [
        calm.look(np.stack([np.zeros(len(wave)), wave], axis=1).astype(np.float32))
        for wave in (raw, raw, low, raw, raw)
    ]
    assert looks == [False, True, False, False, True]


def test_frames_are_joined_until_one_is_urgent() -> None:
    batches = Batches(3)
    frames = [
        Frame(n * 4, np.full((4, 1), n, np.float32), n == 0, ends_segment=n == 4) for n in range(5)
    ]
    given = [batches.add(frame, is_urgent=n == 1) for n, frame in enumerate(frames)]
    assert [part is None for part in given] == [True, False, True, True, False]
    assert given[1] is not None
    assert given[4] is not None
    edges = [(part.starts_segment, part.ends_segment) for part in (given[1], given[4])]
    assert edges == [(True, False), (False, True)]
    assert (given[1].first_index, given[4].first_index) == (0, 8)
    assert given[4].volts.ravel().tolist() == [2] * 4 + [3] * 4 + [4] * 4


@pytest.mark.parametrize("start_s", [7.3, 7.9, 7.97, 7.99, 8.0, 8.01, 11.5])
def test_a_dip_is_told_at_once_and_once_more_soon_after_its_end(start_s: float) -> None:
    time_s = instants(RATE_HZ, 20)
    volts = supply_wave(50 * time_s, 230) * envelope(time_s, [(start_s, start_s + 1.2, 0.6)])
    told = told_at(volts, make_setup(RATE_HZ))
    opened_s, opened = told[0]
    ended_s = next(at_s for at_s, event in told if event.duration_s is not None)
    assert opened.kind is Kind.DIP
    assert opened_s <= start_s + 2.02  # the rest of its second, or of the next
    assert ended_s <= start_s + 1.2 + 3.02  # a second of its trace, then likewise
    assert {event.number for _, event in told} == {opened.number}


def test_waiting_makes_no_difference_to_what_is_measured() -> None:
    # Frames of ten seconds do not wait for each other.
    time_s = instants(RATE_HZ, 33)
    volts = supply_wave(49.95 * time_s, 230, {5: (3, 20)})
    setup = replace(make_setup(RATE_HZ), lamp_v=230)
    assert replace(setup, frame_s=BATCH_S).frames_at_once == 1 < setup.frames_at_once
    waited, at_once = run(volts, setup), run(volts, replace(setup, frame_s=BATCH_S))
    assert [flat(part) for part in waited.gaps] == [flat(part) for part in at_once.gaps]
    for ours, others in zip(waited.intervals, at_once.intervals, strict=True):
        assert ours.start_index == pytest.approx(others.start_index, abs=1e-6)
        assert ours.urms_v == pytest.approx(others.urms_v, rel=1e-9)
        assert ours.thd_pct == pytest.approx(others.thd_pct, rel=1e-6)
    for hz, other in zip(waited.frequencies, at_once.frequencies, strict=True):
        assert hz.frequency_hz == pytest.approx(other.frequency_hz, abs=1e-9)


def test_what_waits_is_counted() -> None:
    pipeline, block_s, counts = Pipeline(make_setup(RATE_HZ)), 0.5, []
    volts = supply_wave(50 * instants(RATE_HZ, 12), 230)[:, None].astype(np.float32)
    n = round(block_s * RATE_HZ)
    for start in range(0, len(volts), n):
        pipeline.feed(Block(start, volts[start : start + n]))
        counts.append(pipeline.n_waiting / n)
    # The first second at once, the ten after it together.
    assert counts == [1, 0, *range(1, 20), 0, 1, 2]
    pipeline.feed(Block(len(volts) + 1, volts[:n]))  # a sample is missing
    assert pipeline.n_waiting == n
    pipeline.finish()
    assert pipeline.n_waiting == 0


@pytest.mark.parametrize("hz", [49.6, 50.0, 50.3])
def test_waves_and_rms_are_those_of_the_newest_second_while_it_waits(hz: float) -> None:
    pipeline = Pipeline(make_setup(RATE_HZ))
    time_s = instants(RATE_HZ, 4)
    share = np.select([time_s < 3], [1.0], 1.04)
    volts = supply_wave(hz * time_s + 0.2, 230) * share
    pipeline.feed(Block(0, volts[: 2 * RATE_HZ, None].astype(np.float32)))
    out = pipeline.feed(Block(2 * RATE_HZ, volts[2 * RATE_HZ :, None].astype(np.float32)))
    assert out.half_cycles == []
    (wave,), (rms_v,) = pipeline.latest_waves(3), pipeline.waiting_rms()
    assert rms_v == pytest.approx(1.04 * 230, rel=1e-3)  # class A
    assert len(wave) == pytest.approx(3 * RATE_HZ / hz, abs=1)
    # From an upward crossing on: half a sample (1.1 degrees) of 338 V peak is 6.7 V.
    assert wave[0] == pytest.approx(0, abs=14)
    assert wave[1] > wave[0]
    pipeline.finish()
    assert pipeline.waiting_rms() == []


def test_a_sample_far_above_the_wave_does_not_wait() -> None:
    # 20 % of 325 V is told as a transient; 40 % on the crest is 130 V above anything before.
    volts = supply_wave(50 * instants(RATE_HZ, 12), 230)
    volts[round(4.505 * RATE_HZ)] += 130
    told = told_at(volts, replace(make_setup(RATE_HZ), transient_pct=20.0))
    assert [(at_s <= 6.02, event.kind) for at_s, event in told] == [(True, Kind.TRANSIENT)]
