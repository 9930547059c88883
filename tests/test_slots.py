"""Clock slots: whole cycles in ten seconds, mean squares in ten minutes."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.measure.slots import FrequencySlots, TenMinuteSlots
from daemon.records import BasicInterval, TenMinuteValue, TenSecondFrequency

RATE_HZ = 1000.0


def crossings(hz: float, stop_s: float, lead: float = 0.0) -> NDArray[np.float64]:
    """Upward crossings in samples."""
    turns = np.arange(math.ceil(stop_s * hz), dtype=np.float64)
    return np.asarray((turns + lead) / hz * RATE_HZ, np.float64)


def fed(slots: FrequencySlots, upward: NDArray[np.float64], n_parts: int = 1) -> list[float]:
    values = [
        value for part in np.array_split(upward, n_parts) for value in slots.feed(part, False)
    ]
    return [value.frequency_hz for value in values]


@pytest.mark.parametrize("hz", [42.5, 49.73, 50.0, 57.5, 60.1])
@pytest.mark.parametrize("n_parts", [1, 7, 400])
def test_whole_cycles_over_their_time(hz: float, n_parts: int) -> None:
    values = fed(FrequencySlots(RATE_HZ, 0), crossings(hz, 31, 0.3), n_parts)
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
    assert fed(FrequencySlots(RATE_HZ, 0), upward * RATE_HZ)[0] == pytest.approx(
        expected, rel=1e-12
    )


@pytest.mark.parametrize(("origin_s", "first_s"), [(0, 0), (3, 3), (-4, 6), (13, 3), (-600, 0)])
def test_slots_begin_at_the_origin_and_every_ten_seconds(origin_s: float, first_s: float) -> None:
    slots = FrequencySlots(RATE_HZ, origin_s * RATE_HZ)
    values = slots.feed(crossings(50, 35, 0.5), False)
    starts = [value.start_index / RATE_HZ for value in values]
    # The part before the first whole slot gives no value.
    assert starts == [first_s + 10 * n for n in range(len(starts))]
    assert len(starts) in (2, 3)


def test_a_lost_stretch_leaves_no_value_for_its_slot() -> None:
    slots = FrequencySlots(RATE_HZ, 0)
    upward = crossings(50, 45, 0.5)
    values = slots.feed(upward[upward < 14000], False)
    slots.restart()
    values += slots.feed(upward[upward > 16000], False)
    assert [value.start_index for value in values] == [0, 20000, 30000]


def test_disturbance_flags_the_slot_under_way() -> None:
    slots = FrequencySlots(RATE_HZ, 0)
    upward = crossings(50, 41, 0.5)
    values: list[TenSecondFrequency] = []
    for second in range(41):
        part = upward[(upward >= 1000 * second) & (upward < 1000 * (second + 1))]
        values += slots.feed(part, second == 15)
    assert [value.flagged for value in values] == [False, True, False, False]


def interval(start_s: float, end_s: float, urms_v: float, flagged: bool = False) -> BasicInterval:
    return BasicInterval(
        channel=0,
        start_index=start_s * RATE_HZ,
        end_index=end_s * RATE_HZ,
        urms_v=urms_v,
        frequency_hz=50,
        thd_pct=0,
        harmonics_pct=np.zeros(50),
        flagged=flagged,
    )


def ten_minutes(
    slots: TenMinuteSlots, hz: float, stop_s: float, levels: dict[float, float] | None = None
) -> tuple[list[TenMinuteValue], int]:
    """Ten-cycle intervals up to `stop_s`; a level in V holds from the time given with it."""
    values, length = [], 10 / hz
    n = math.ceil(stop_s / length)
    for k in range(n):
        level = [v for start, v in (levels or {0: 230}).items() if start <= k * length + 1e-9][-1]
        values += slots.feed(interval(k * length, (k + 1) * length, level))
    return values, n


@pytest.mark.parametrize(("hz", "count"), [(50.0, 3000), (49.5, 2970), (50.2, 3012), (49.7, 2982)])
def test_a_slot_takes_the_intervals_that_begin_in_it(hz: float, count: int) -> None:
    values, _ = ten_minutes(TenMinuteSlots(RATE_HZ, 0), hz, 601)
    (value,) = values
    assert value.urms_v == pytest.approx(230, rel=1e-12)
    assert not value.flagged
    # Arithmetic: 600 s over ten cycles. The count shows as the weight of one interval at 0 V.
    slots = TenMinuteSlots(RATE_HZ, 0)
    (lower,), _ = ten_minutes(slots, hz, 601, {0: 0.0, 10 / hz: 230.0})
    assert 1 / (1 - (lower.urms_v / 230) ** 2) == pytest.approx(count, abs=1)


def test_mean_squares_not_means() -> None:
    # A tenth of ten minutes at 0 V, the rest at 230 V: 230 sqrt(0.9) = 218.197 V.
    (value,), _ = ten_minutes(TenMinuteSlots(RATE_HZ, 0), 50, 601, {0: 0.0, 60: 230.0})
    assert value.urms_v == pytest.approx(218.197, abs=0.001)


def test_flags_of_a_slot() -> None:
    slots = TenMinuteSlots(RATE_HZ, 0)
    values: list[TenMinuteValue] = []
    for k in range(9001):  # 0.2 s each
        values += slots.feed(interval(k * 0.2, (k + 1) * 0.2, 230, flagged=k == 4500))
    assert [(value.start_index, value.flagged) for value in values] == [
        (0, False),
        (600_000, True),  # interval 4500 begins at 900 s
        (1_200_000, False),
    ]


@pytest.mark.parametrize(("missing_s", "flagged"), [(5, False), (7, True)])
def test_a_slot_with_more_than_a_hundredth_missing_is_flagged(
    missing_s: float, flagged: bool
) -> None:
    slots = TenMinuteSlots(RATE_HZ, 0)
    values: list[TenMinuteValue] = []
    for k in range(3001):
        if not 100 <= k * 0.2 < 100 + missing_s:
            values += slots.feed(interval(k * 0.2, (k + 1) * 0.2, 230))
    assert [value.flagged for value in values] == [flagged]


def test_origin_of_ten_minutes() -> None:
    (value,), _ = ten_minutes(TenMinuteSlots(RATE_HZ, -250 * RATE_HZ), 50, 351)
    assert value.start_index == -250 * RATE_HZ
    assert value.flagged  # 250 s of it lie before the run
