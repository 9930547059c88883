"""Clock slots: whole cycles in ten seconds."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.measure.fundamental import Crossings
from daemon.measure.slots import FrequencySlots
from daemon.records import TenSecondFrequency
from tests.signals import slots_from

RATE_HZ = 1000.0


def crossings(hz: float, stop_s: float, lead: float = 0.0) -> NDArray[np.float64]:
    """Upward crossings in samples."""
    turns = np.arange(math.ceil(stop_s * hz), dtype=np.float64)
    return np.asarray((turns + lead) / hz * RATE_HZ, np.float64)


def feed(
    slots: FrequencySlots,
    upward: NDArray[np.float64],
    *,
    spans: tuple[tuple[float, float], ...] = (),
    is_locked: bool = True,
) -> list[TenSecondFrequency]:
    """Upward crossings, with the downward ones between them that play no part."""
    index = np.repeat(upward, 2)
    is_upward = np.tile([True, False], len(upward))
    locked = np.full(len(index), is_locked)
    return slots.feed(Crossings(index, np.ones(len(index)), is_upward, locked), list(spans))


def fed(slots: FrequencySlots, upward: NDArray[np.float64], n_parts: int = 1) -> list[float]:
    values = [value for part in np.array_split(upward, n_parts) for value in feed(slots, part)]
    return [value.frequency_hz for value in values]


@pytest.mark.parametrize("hz", [42.5, 49.73, 50.0, 57.5, 60.1])
@pytest.mark.parametrize("n_parts", [1, 7, 400])
def test_whole_cycles_over_their_time(hz: float, n_parts: int) -> None:
    values = fed(FrequencySlots(RATE_HZ, slots_from(0, RATE_HZ)), crossings(hz, 31, 0.3), n_parts)
    # Evenly spaced crossings give their frequency exactly: rounding only.
    assert values == pytest.approx([hz] * 3, rel=1e-12)


def test_cycles_that_straddle_an_edge_are_dropped() -> None:
    # IEC 61000-4-30, 5.1 (memory). Phase 0.1 cycle at the slot's start, 49.9 to 50.1 Hz in ten
    # seconds: 499 whole cycles, 50.00016 Hz, solved here from the phase.
    turns = np.arange(1, 600)
    into = turns - 0.1  # cycles since the slot's start: 49.9 t + 0.01 t^2
    upward = (-49.9 + np.sqrt(49.9**2 + 0.04 * into)) / 0.02
    inside = upward[upward < 10]
    expected = (len(inside) - 1) / (inside[-1] - inside[0])
    assert len(inside) - 1 == 499
    assert expected == pytest.approx(50.00016, abs=5e-6)
    assert fed(FrequencySlots(RATE_HZ, slots_from(0, RATE_HZ)), upward * RATE_HZ)[
        0
    ] == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(("origin_s", "first_s"), [(0, 0), (3, 3), (-4, 6), (13, 3), (-600, 0)])
def test_slots_begin_at_the_origin_and_every_ten_seconds(origin_s: float, first_s: float) -> None:
    slots = FrequencySlots(RATE_HZ, slots_from(origin_s * RATE_HZ, RATE_HZ))
    values = feed(slots, crossings(50, 35, 0.5))
    starts = [value.start_index / RATE_HZ for value in values]
    # The part before the first whole slot gives no value.
    assert starts == [first_s + 10 * n for n in range(len(starts))]
    assert len(starts) in (2, 3)


def test_a_lost_stretch_leaves_no_value_for_its_slot() -> None:
    slots = FrequencySlots(RATE_HZ, slots_from(0, RATE_HZ))
    upward = crossings(50, 45, 0.5)
    values = feed(slots, upward[upward < 14000])
    slots.restart()
    values += feed(slots, upward[upward > 16000])
    assert [value.start_index for value in values] == [0, 20000, 30000]


@pytest.mark.parametrize(
    ("span", "flagged"),
    [
        ((9500, 9900), [True, False, False, False]),
        ((9900, 10100), [True, True, False, False]),
        ((10000, 12000), [False, True, False, False]),
        ((8000, 10000), [True, False, False, False]),
        ((15000, 35000), [False, True, True, True]),
    ],
)
def test_a_disturbance_flags_the_slots_it_touches(
    span: tuple[float, float], flagged: list[bool]
) -> None:
    slots = FrequencySlots(RATE_HZ, slots_from(0, RATE_HZ))
    upward = crossings(50, 41, 0.5)
    values: list[TenSecondFrequency] = []
    for second in range(41):
        part = upward[(upward >= 1000 * second) & (upward < 1000 * (second + 1))]
        now = 1000 * (second + 1)
        start, end = span
        known = ((start, end if end < now else np.inf),) if start < now < end + 2000 else ()
        values += feed(slots, part, spans=known)
    assert [value.flagged for value in values] == flagged


def test_crossings_run_on_without_a_voltage_give_no_frequency() -> None:
    slots = FrequencySlots(RATE_HZ, slots_from(0, RATE_HZ))
    assert feed(slots, crossings(50, 41, 0.5), is_locked=False) == []
