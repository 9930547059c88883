"""Stays outside a limit, and the events they become."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.excursions import Excursion, ExcursionDetector, Reading
from daemon.measure.aggregate import Aggregate
from daemon.measure.flicker import ShortTerm
from daemon.numbering import Numbering
from daemon.records import Kind, TenSecondFrequency
from daemon.slow_events import SlowEvents, SlowLimits


def readings(values: list[float]) -> list[Reading]:
    return [Reading(10.0 * n, 10.0 * n + 10, value) for n, value in enumerate(values)]


def stays(values: list[float], centre: float = 0, limit: float = 5) -> list[Excursion]:
    """Each stay as it was last known."""
    detector = ExcursionDetector(centre, limit)
    known = {
        found.start_index: found
        for found in (detector.feed(reading) for reading in readings(values))
        if found is not None
    }
    return list(known.values())


def test_one_stay_with_its_extreme() -> None:
    (stay,) = stays([1, 6, 8, 5.5, 4.6, 4.5, 1])
    # Over at nine tenths of the limit, exactly there included.
    assert stay == Excursion(10, 50, 8, 20)


def test_exactly_at_the_limit_starts_nothing() -> None:
    assert stays([5, 5, 5]) == []
    assert len(stays([5, 5.001, 5])) == 1


def test_either_side_of_a_centre() -> None:
    low, high = stays([50, 49.4, 49.2, 50, 50.6, 50.1], 50, 0.5)
    assert (low.extreme, low.extreme_index, low.end_index) == (49.2, 20, 30)
    assert (high.extreme, high.extreme_index, high.end_index) == (50.6, 40, 50)


def test_a_stay_that_never_ends() -> None:
    detector = ExcursionDetector(0, 5)
    for reading in readings([1, 9, 7]):
        detector.feed(reading)
    assert detector.abandon() == Excursion(10, None, 9, 10)
    assert detector.abandon() is None


@given(values=st.lists(st.floats(0, 10), max_size=30))
def test_stays_by_hand(values: list[float]) -> None:
    expected: list[tuple[list[int], int | None]] = []
    inside: list[int] | None = None
    for n, value in enumerate(values):
        if inside is None and value > 5:
            inside = [n]
        elif inside is not None and value <= 0.9 * 5:
            expected.append((inside, n))
            inside = None
        elif inside is not None:
            inside.append(n)
    if inside is not None:
        expected.append((inside, None))
    found = stays(values)
    assert [(stay.start_index, stay.end_index, stay.extreme) for stay in found] == [
        (10.0 * members[0], None if end is None else 10.0 * end, max(values[m] for m in members))
        for members, end in expected
    ]


def three_seconds(n: int, thd_pct: float, flagged: bool = False) -> Aggregate:
    """A 150-cycle value."""
    return Aggregate(0, 3000.0 * n, 3000.0 * (n + 1), 15, 230, 0, 0, thd_pct, np.zeros(50), flagged)


def slow(
    distortion_pct: float | None = 5,
    frequency_pct: float | None = 1,
    flicker_pst: float | None = 1,
) -> SlowEvents:
    return SlowEvents("L1", 1000, 50, SlowLimits(distortion_pct, frequency_pct, flicker_pst))


def test_distortion_is_one_event_with_its_maximum() -> None:
    events, numbering = slow(), Numbering()
    told = [
        event
        for n, thd in enumerate([3.0, 6.0, 8.0, 7.0, 4.0, 3.0])
        for event in events.take_short(three_seconds(n, thd), numbering)
    ]
    last = told[-1]
    assert {event.number for event in told} == {1}
    assert (last.kind, last.value, last.unit, last.threshold) == (Kind.DISTORTION, 8.0, "%", 5.0)
    assert (last.start_s, last.duration_s, last.extreme_s, last.complete) == (3, 9, 6, True)


def test_a_flagged_value_says_nothing() -> None:
    events, numbering = slow(), Numbering()
    assert events.take_short(three_seconds(0, 90.0, flagged=True), numbering) == []
    assert events.take_flicker(ShortTerm(0, 9.0, True), numbering) == []


def test_an_unknown_distortion_says_nothing() -> None:
    events, numbering = slow(), Numbering()
    assert events.take_short(three_seconds(0, np.nan), numbering) == []
    events.take_short(three_seconds(1, 9.0), numbering)
    assert events.take_short(three_seconds(2, np.nan), numbering) == []


def test_flicker_beyond_its_limit_is_an_event() -> None:
    events, numbering = slow(), Numbering()
    (event,) = events.take_flicker(ShortTerm(600_000, 1.3, False), numbering)
    assert (event.kind, event.value, event.unit, event.threshold) == (Kind.FLICKER, 1.3, "Pst", 1)
    (event,) = events.take_flicker(ShortTerm(1_200_000, 0.6, False), numbering)
    assert (event.start_s, event.duration_s, event.complete) == (600, 600, True)


def test_a_flagged_frequency_says_nothing() -> None:
    events, numbering = slow(), Numbering()
    assert events.take_frequency(TenSecondFrequency(0, 45.0, True), numbering) == []
    (event,) = events.take_frequency(TenSecondFrequency(10000, 49.4, False), numbering)
    assert (event.kind, event.value, event.threshold) == (Kind.FREQUENCY, 49.4, 49.5)
    assert event.value_pct == pytest.approx(98.8)
    assert (event.duration_s, event.complete) == (None, False)


def test_an_event_is_told_again_only_when_it_changes() -> None:
    events, numbering = slow(), Numbering()
    told = [
        len(events.take_frequency(TenSecondFrequency(10000.0 * n, hz, False), numbering))
        for n, hz in enumerate([50.0, 50.6, 50.6, 50.6, 50.7, 50.6, 50.0, 50.0])
    ]
    assert told == [0, 1, 0, 0, 1, 0, 1, 0]


def test_what_is_not_watched_gives_nothing() -> None:
    events, numbering = slow(None, None, None), Numbering()
    assert events.take_frequency(TenSecondFrequency(0, 45.0, False), numbering) == []
    assert events.take_short(three_seconds(0, 90), numbering) == []
    assert events.take_flicker(ShortTerm(0, 9.0, False), numbering) == []


def test_the_end_of_a_segment_leaves_events_without_an_end() -> None:
    events, numbering = slow(), Numbering()
    events.take_frequency(TenSecondFrequency(0, 49.0, False), numbering)
    (left,) = events.finish(12_000, numbering)
    assert (left.complete, left.duration_s, left.number) == (False, None, 1)
    assert events.finish(12_000, numbering) == []
