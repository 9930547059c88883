"""What is kept with an event: samples and traces, bounded."""

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from daemon.evidence import (
    POST_S,
    PRE_S,
    TRACE_HEAD,
    TRACE_TAIL,
    WHOLE_S,
    SampleHistory,
    TraceHistory,
    TraceRecorder,
)
from daemon.pipeline import Pipeline, frame_length
from daemon.records import Event
from drivers.source import Block
from tests.signals import envelope, instants, make_setup, run, supply_wave

RATE_HZ = 1000


@given(
    sizes=st.lists(st.integers(1, 300), min_size=1, max_size=12),
    first=st.integers(0, 5000),
    start=st.integers(-50, 4000),
    length=st.integers(1, 1500),
)
def test_a_cut_is_the_samples_still_here(
    sizes: list[int], first: int, start: int, length: int
) -> None:
    history = SampleHistory(RATE_HZ, 0.5)
    volts = np.arange(sum(sizes), dtype=np.float64)
    for part in np.split(volts, np.cumsum(sizes)[:-1]):
        history.add(first + int(part[0]), part)
    assert history.next_index == first + len(volts)
    begin = max(first, first + start)
    cut = history.cut((first + start) / RATE_HZ, (first + start + length) / RATE_HZ)
    if cut is None:
        return
    assert len(cut.volts) > 0
    assert np.array_equal(cut.volts, np.arange(len(cut.volts)) + cut.first_index - first)
    assert cut.first_index >= max(0, begin)
    last = min(first + start + length, first + len(volts))
    assert cut.first_index + len(cut.volts) == last
    # Half a second is kept at least.
    assert cut.first_index <= max(begin, first + len(volts) - 500)


def test_nothing_to_cut() -> None:
    history = SampleHistory(RATE_HZ, 1)
    assert history.next_index == 0
    assert history.cut(0, 1) is None
    history.add(5000, np.zeros(100))
    assert history.cut(0, 4.9) is None
    assert history.cut(5.2, 6) is None


def test_memory_is_bounded() -> None:
    history = SampleHistory(RATE_HZ, 2)
    for n in range(1000):
        history.add(n * 100, np.zeros(100))
    cut = history.cut(0, 100)
    assert cut is not None
    # The two seconds asked for and at most one piece more.
    assert 2000 <= len(cut.volts) <= 2100


def test_a_trace_keeps_its_start_and_its_end() -> None:
    recorder = TraceRecorder(np.array([0.0]), np.array([100.0]))
    for n in range(1, 20001):
        recorder.add(np.array([float(n)]), np.array([n / 100]))
    trace = recorder.trace()
    assert len(trace.start_s) == TRACE_HEAD + TRACE_TAIL
    assert trace.start_s[TRACE_HEAD - 1] == TRACE_HEAD - 1
    assert trace.start_s[-TRACE_TAIL] == 20001 - TRACE_TAIL
    assert trace.start_s[-1] == 20000
    assert trace.urms_v.dtype == np.float32


def test_a_trace_begins_before_its_event() -> None:
    history = TraceHistory(RATE_HZ)
    for n in range(6):
        history.add(np.arange(1000 * n, 1000 * n + 1000, 10.0), np.full(100, float(n)))
    times, values = history.since(4.5)
    assert times[0] == 4.5
    assert times[-1] == 5.99
    assert set(values) == {4.0, 5.0}


def one_event(duration_s: float) -> Event:
    time_s = instants(8000, duration_s + 4)
    volts = supply_wave(50 * time_s + 0.15, 230)
    volts *= envelope(time_s, [(2, 2 + duration_s, 0.5)])
    (event,) = run(volts, make_setup(8000)).events
    for wave in event.waveforms:
        stop = wave.first_index + len(wave.volts)
        assert np.array_equal(wave.volts, volts[wave.first_index : stop].astype(np.float32))
    return event


@pytest.mark.parametrize("duration_s", [0.02, 0.3, 0.65])
def test_a_short_event_keeps_all_of_its_waveform(duration_s: float) -> None:
    (wave,) = one_event(duration_s).waveforms
    assert wave.first_index / 8000 == pytest.approx(2 - PRE_S, abs=0.02)
    assert len(wave.volts) / 8000 == pytest.approx(duration_s + PRE_S + POST_S, abs=0.03)


@pytest.mark.parametrize("duration_s", [0.9, 1.3, 3, 12])
def test_a_long_event_keeps_both_ends(duration_s: float) -> None:
    event = one_event(duration_s)
    head, tail = event.waveforms
    assert head.first_index / 8000 == pytest.approx(2 - PRE_S, abs=0.02)
    assert len(head.volts) / 8000 <= WHOLE_S
    assert head.first_index + len(head.volts) >= (2 + POST_S - 0.03) * 8000
    assert tail.first_index / 8000 == pytest.approx(2 + duration_s - PRE_S, abs=0.03)
    assert len(tail.volts) / 8000 == pytest.approx(PRE_S + POST_S, abs=0.001)
    assert event.trace is not None
    assert event.trace.start_s[0] == pytest.approx(1.0, abs=0.02)  # a second before
    assert event.trace.start_s[-1] == pytest.approx(2 + duration_s, abs=1.02)


def test_the_trace_is_the_half_cycle_values() -> None:
    time_s = instants(8000, 5)
    volts = supply_wave(50 * time_s + 0.15, 230) * envelope(time_s, [(2, 2.5, 0.5)])
    ran = run(volts, make_setup(8000))
    (event,) = ran.events
    half = ran.half_cycles[0]
    assert event.trace is not None
    first = int(np.argmin(np.abs(half.start_index / 8000 - event.trace.start_s[0])))
    span = slice(first, first + len(event.trace.start_s))
    assert event.trace.start_s == pytest.approx(half.start_index[span] / 8000)
    assert np.array_equal(event.trace.urms_v, half.urms_v[span].astype(np.float32))


@pytest.mark.parametrize("frame_s", [1.0, 10.0])
def test_a_trace_reaches_a_second_beyond_its_event_whatever_the_frames(frame_s: float) -> None:
    time_s = instants(4000, 16)
    volts = supply_wave(50 * time_s, 230) * envelope(time_s, [(5.0, 5.3, 0.6), (8.0, 8.2, 0.5)])
    ran = run(volts, replace(make_setup(4000), frame_s=frame_s))
    first = next(event for event in ran.events if event.number == 1 and event.complete)
    assert first.trace is not None
    assert first.duration_s is not None
    end_s = first.start_s + first.duration_s
    # A half cycle each end: values come every 10 ms.
    assert first.trace.start_s[0] == pytest.approx(first.start_s - 1, abs=0.011)
    assert first.trace.start_s[-1] == pytest.approx(end_s + 1, abs=0.011)


def test_an_event_that_fills_a_long_frame_needs_little_memory_beside_it() -> None:
    """The longest frames have 160 000 samples, as here. One-cycle rms at every sample of a frame,
    all at once, are ten arrays of 1.3 MB; a steady frame needs eight such arrays."""
    time_s = instants(2000, 340)
    steady = supply_wave(50 * time_s, 230)
    dipped = steady * envelope(time_s, [(100, 330, 0.5)])
    calm, disturbed = (most_beside(volts) for volts in (steady, dipped))
    assert disturbed < calm + 4e6


def most_beside(volts: NDArray[np.float64]) -> int:
    """Bytes that taking the fourth of some frames of 80 s needed at most, let go of afterwards."""
    setup = replace(make_setup(2000), frame_s=80.0)
    pipeline, n = Pipeline(setup), frame_length(setup)
    for number in range(3):
        pipeline.feed(
            Block(number * n, volts[number * n : (number + 1) * n, None].astype(np.float32))
        )
    tracemalloc.start()
    pipeline.feed(Block(3 * n, volts[3 * n : 4 * n, None].astype(np.float32)))
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return most
