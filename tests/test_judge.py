"""Events compared with profiles: break points, shaped events worked by hand, real dropouts."""

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.judge import facts_of, is_serious, judge, severity_order
from daemon.profiles import find_profile
from daemon.records import Event, EventDetail, Kind, LevelTime, Verdict
from daemon.staircase import EventFacts, lengthening
from daemon.tolerance import ClassificationProfile, ImmunityProfile, SupplyProfile

ITI = find_profile("iti-2000", None)
CLASS_3 = find_profile("iec-61000-4-11-class-3", None)
UK = find_profile("uk-supply-230", None)

# (voltage in %, longest time in s): exactly there is within.
# ITI (CBEMA) Curve, revised 2000; 80 % with 10 s from one text and memory.
ITI_UNDER = [(0.0, 0.02), (70.0, 0.5), (80.0, 10.0), (90.0, math.inf)]
ITI_OVER = [(120.0, 0.5), (110.0, math.inf)]
# IEC 61000-4-11:2004/2020 preferred levels, class 3, at 50 Hz; 90 % for ever is ours.
CLASS_3_UNDER = [(0.0, 0.02), (40.0, 0.2), (70.0, 0.5), (80.0, 5.0), (90.0, math.inf)]
# SI 1994/3021: 216.2 V to 253 V on 230 V, at all times.
UK_UNDER, UK_OVER = [(94.0, math.inf)], [(110.0, math.inf)]

LONG_S = 1e6  # eleven days stand for ever


def rectangle(value_pct: float, duration_s: float | None, timed: bool = False) -> EventFacts:
    """A dip or swell of one level, with or without the times at the whole per cents."""
    kind = Kind.SWELL if value_pct > 100 else Kind.DIP
    levels = range(101, 201) if value_pct > 100 else range(1, 100)
    passed = [x for x in levels if (x < value_pct if value_pct > 100 else x > value_pct)]
    times = tuple(LevelTime(float(x), duration_s or 0.0) for x in passed) if timed else ()
    return EventFacts(kind, value_pct, duration_s, times)


def verdict(facts: EventFacts, profile: object, frequency_hz: float = 50) -> Verdict | None:
    assert isinstance(profile, ImmunityProfile | SupplyProfile | ClassificationProfile)
    return judge(facts, profile, 230, frequency_hz).verdict


def break_points() -> list[tuple[object, list[tuple[float, float]], Verdict]]:
    return [
        (ITI, ITI_UNDER, Verdict.MAY_STOP),
        (ITI, ITI_OVER, Verdict.MAY_DAMAGE),
        (CLASS_3, CLASS_3_UNDER, Verdict.MAY_STOP),
        (UK, UK_UNDER, Verdict.BEYOND_LIMIT),
        (UK, UK_OVER, Verdict.BEYOND_LIMIT),
    ]


POINTS = [
    (profile, level, time, beyond)
    for profile, table, beyond in break_points()
    for level, time in table
]


@pytest.mark.parametrize("timed", [False, True])
@pytest.mark.parametrize(("profile", "level", "time", "beyond"), POINTS)
def test_exactly_on_a_break_point_is_within(
    profile: object, level: float, time: float, beyond: Verdict, timed: bool
) -> None:
    duration_s = min(time, LONG_S)
    assert verdict(rectangle(level, duration_s, timed), profile) is Verdict.WITHIN


@pytest.mark.parametrize("timed", [False, True])
@pytest.mark.parametrize(("profile", "level", "time", "beyond"), POINTS)
def test_just_inside_a_break_point_is_within(
    profile: object, level: float, time: float, beyond: Verdict, timed: bool
) -> None:
    inward = 0.01 if level < 100 else -0.01
    duration_s = min(time, LONG_S) - 1e-4
    assert verdict(rectangle(level + inward, duration_s, timed), profile) is Verdict.WITHIN


@pytest.mark.parametrize("timed", [False, True])
@pytest.mark.parametrize(
    ("profile", "level", "time", "beyond"), [point for point in POINTS if point[2] < math.inf]
)
def test_just_too_long_at_a_break_point(
    profile: object, level: float, time: float, beyond: Verdict, timed: bool
) -> None:
    assert verdict(rectangle(level, time + 1e-4, timed), profile) is beyond


@pytest.mark.parametrize("timed", [False, True])
@pytest.mark.parametrize(
    ("profile", "level", "time", "beyond"), [point for point in POINTS if point[1] > 0]
)
def test_just_too_far_at_a_break_point(
    profile: object, level: float, time: float, beyond: Verdict, timed: bool
) -> None:
    outward = -0.01 if level < 100 else 0.01
    facts = rectangle(level + outward, min(time, LONG_S), timed)
    assert verdict(facts, profile) is beyond


def allowed_s(level_pct: float, table: list[tuple[float, float]]) -> float:
    """A rectangle read from the published staircase: the time of the deepest step it clears."""
    times = [time for level, time in table if level <= level_pct]
    return max(times, default=0.0)


@pytest.mark.parametrize(("profile", "table"), [(ITI, ITI_UNDER), (CLASS_3, CLASS_3_UNDER)])
def test_every_rectangle_is_judged_as_the_staircase_is_read(
    profile: object, table: list[tuple[float, float]]
) -> None:
    seen = set()
    for level in np.arange(0.25, 95.0, 0.5).tolist():
        for duration_s in (0.01, 0.02, 0.021, 0.19, 0.21, 0.49, 0.51, 4.9, 5.1, 9.9, 10.1, 100.0):
            within = duration_s <= allowed_s(level, table)
            expected = Verdict.WITHIN if within else Verdict.MAY_STOP
            assert verdict(rectangle(level, duration_s), profile) is expected, (level, duration_s)
            seen.add(expected)
    assert len(seen) == 2


def test_class_3_counts_one_cycle_at_either_frequency() -> None:
    # IEC 61000-4-11: one cycle is 20 ms at 50 Hz and 16.7 ms at 60 Hz.
    facts = rectangle(0.0, 0.018)
    assert verdict(facts, CLASS_3, 50) is Verdict.WITHIN
    assert verdict(facts, CLASS_3, 60) is Verdict.MAY_STOP
    assert verdict(rectangle(0.0, 1 / 60), CLASS_3, 60) is Verdict.WITHIN


# --- words ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("facts", "profile", "limit"),
    [
        (rectangle(50, 0.1), ITI, "below 70 % for at most 0.02 s"),
        (rectangle(75, 1.0), ITI, "below 80 % for at most 0.5 s"),
        (rectangle(85, 11.0), ITI, "below 90 % for at most 10 s"),
        (rectangle(115, 0.6), ITI, "above 110 % for at most 0.5 s"),
        (rectangle(125, 0.1), ITI, "never above 120 %"),
        (rectangle(30, 0.1), CLASS_3, "below 40 % for at most 1 cycle (0.02 s)"),
        (rectangle(90, 0.1), UK, "never below 94 %"),
        (rectangle(111, 0.1), UK, "never above 110 %"),
        (rectangle(85, 1.0), ITI, None),
    ],
)
def test_the_limit_in_words(facts: EventFacts, profile: object, limit: str | None) -> None:
    assert isinstance(profile, ImmunityProfile | SupplyProfile)
    result = judge(facts, profile, 230, 50)
    assert result.limit == limit
    assert result.profile == profile.id


def test_of_several_limits_passed_the_one_passed_by_most_is_named() -> None:
    times = (LevelTime(70, 0.03), LevelTime(80, 1.0), LevelTime(90, 12.0))
    facts = EventFacts(Kind.DIP, 60.0, 12.0, times)
    # 0.03 / 0.02 = 1.5, 1.0 / 0.5 = 2.0, 12 / 10 = 1.2
    assert judge(facts, ITI, 230, 50).limit == "below 80 % for at most 0.5 s"


# --- shaped events, worked by hand ---------------------------------------------------------------


def ramp_times(lowest_pct: float, slope_pct_per_s: float) -> tuple[LevelTime, ...]:
    """Abrupt fall, straight recovery: below x % for (x - lowest) / slope."""
    levels = range(math.floor(lowest_pct) + 1, 91)
    return tuple(LevelTime(float(x), (x - lowest_pct) / slope_pct_per_s) for x in levels)


def test_a_motor_start_is_not_a_rectangle() -> None:
    # Down to 78.6 %, back at 3.5 %/s: below 80 % for 0.4 s, below 90 % for 3.26 s. Both are
    # allowed (0.5 s and 10 s). As a rectangle of 78.6 % and 3.26 s it would be beyond.
    times = ramp_times(78.6, 3.5)
    shaped = EventFacts(Kind.DIP, 78.6, 3.257, times)
    assert verdict(shaped, ITI) is Verdict.WITHIN
    assert verdict(EventFacts(Kind.DIP, 78.6, 3.257), ITI) is Verdict.MAY_STOP


def test_a_slower_motor_start_is_beyond() -> None:
    # Down to 76 %, back at 3.5 %/s: below 80 % for 1.14 s, more than 0.5 s.
    result = judge(EventFacts(Kind.DIP, 76.0, 4.0, ramp_times(76, 3.5)), ITI, 230, 50)
    assert result.verdict is Verdict.MAY_STOP
    assert result.limit == "below 80 % for at most 0.5 s"


def two_stages(first_s: float, second_s: float) -> EventFacts:
    """45 % for first_s, then 75 % for second_s: a fault cleared in two steps."""
    deep = tuple(LevelTime(float(x), first_s) for x in range(46, 76))
    shallow = tuple(LevelTime(float(x), first_s + second_s) for x in range(76, 100))
    return EventFacts(Kind.DIP, 45.0, first_s + second_s, (*deep, *shallow))


@pytest.mark.parametrize(
    ("first_s", "second_s", "limit"),
    [
        (0.1, 0.35, None),  # below 70 % 0.1 s of 0.2 s, below 80 % 0.45 s of 0.5 s
        (0.1, 0.45, "below 80 % for at most 0.5 s"),  # 0.55 s
        (0.25, 0.2, "below 70 % for at most 0.2 s"),  # 0.25 s
    ],
)
def test_a_two_stage_dip(first_s: float, second_s: float, limit: str | None) -> None:
    result = judge(two_stages(first_s, second_s), CLASS_3, 230, 50)
    assert result.limit == limit
    assert result.verdict is (Verdict.MAY_STOP if limit else Verdict.WITHIN)
    # the plain pair of 45 % and the whole time is beyond in all three
    plain = EventFacts(Kind.DIP, 45.0, first_s + second_s)
    assert verdict(plain, CLASS_3) is Verdict.MAY_STOP


def test_a_swell_that_decays() -> None:
    # 118 % falling at 20 %/s: above 110 % for 0.4 s, allowed for 0.5 s; the event lasts longer.
    times = tuple(LevelTime(float(x), (118 - x) / 20) for x in range(101, 118))
    assert verdict(EventFacts(Kind.SWELL, 118.0, 0.8, times), ITI) is Verdict.WITHIN
    assert verdict(EventFacts(Kind.SWELL, 118.0, 0.8), ITI) is Verdict.MAY_DAMAGE


# --- between the timed levels -----------------------------------------------------------------


def odd_levels(**limits: object) -> ImmunityProfile:
    return ImmunityProfile.model_validate(
        {"id": "odd", "kind": "immunity", "title": "odd", "source": "a test", **limits}
    )


def test_between_two_timed_levels_the_longer_time_counts() -> None:
    steps = [{"down_to_pct": 50, "at_most_s": 0.2}, {"down_to_pct": 87.5}]
    profile = odd_levels(under=steps)
    short = (LevelTime(87, 0.1), LevelTime(88, 0.15))
    long = (LevelTime(87, 0.1), LevelTime(88, 0.25))
    assert verdict(EventFacts(Kind.DIP, 80, 0.5, short), profile) is Verdict.WITHIN
    assert verdict(EventFacts(Kind.DIP, 80, 0.5, long), profile) is Verdict.MAY_STOP
    # an extreme that is not below 87.5 % was below it for no time at all
    assert verdict(EventFacts(Kind.DIP, 87.6, 0.5, long), profile) is Verdict.WITHIN


def test_between_two_timed_levels_of_a_swell() -> None:
    profile = odd_levels(over=[{"up_to_pct": 130, "at_most_s": 0.2}, {"up_to_pct": 110.5}])
    long = (LevelTime(110, 0.25), LevelTime(111, 0.1))
    assert verdict(EventFacts(Kind.SWELL, 115, 0.5, long), profile) is Verdict.MAY_DAMAGE
    assert verdict(EventFacts(Kind.SWELL, 110.4, 0.5, long), profile) is Verdict.WITHIN


def test_a_level_too_near_to_nominal_to_be_timed_uses_the_duration() -> None:
    profile = odd_levels(under=[{"down_to_pct": 50, "at_most_s": 0.2}, {"down_to_pct": 99.5}])
    facts = EventFacts(Kind.DIP, 80, 0.5, (LevelTime(99, 0.1),))
    assert verdict(facts, profile) is Verdict.MAY_STOP


def test_half_cycle_and_sliding_rms_may_differ_at_a_level() -> None:
    # 69.99 % by half cycles, never below 70 % by the finer measure: no time below 70 %.
    facts = EventFacts(Kind.DIP, 69.99, 0.03, (LevelTime(71, 0.004), LevelTime(90, 0.02)))
    assert verdict(facts, ITI) is Verdict.WITHIN


def test_levels_in_volts_are_of_the_supply_at_hand() -> None:
    profile = SupplyProfile.model_validate(
        {"id": "volts", "kind": "supply", "title": "v", "source": "a test",
         "applies_to": {"nominal_v": [230]}, "under": [{"down_to_v": 216.2}],
         "over": [{"up_to_v": 253}]}
    )  # fmt: skip
    on_the_limit = EventFacts(Kind.DIP, 100 * 216.2 / 230, 1.0)
    assert judge(on_the_limit, profile, 230, 50).verdict is Verdict.WITHIN
    result = judge(EventFacts(Kind.DIP, 93.9, 1.0), profile, 230, 50)
    assert (result.verdict, result.limit) == (Verdict.BEYOND_LIMIT, "never below 216.2 V")
    # 216.2 V are 90.08 % of 240 V
    assert judge(EventFacts(Kind.DIP, 93.9, 1.0), profile, 240, 50).verdict is Verdict.WITHIN


# --- real dropouts, one-cycle rms -----------------------------------------------------------------

STEPS_PER_CYCLE = 800


def measured(
    level_pct: float, length_s: float, frequency_hz: float, start_cycles: float
) -> EventFacts:
    """A rectangle of voltage, seen through one-cycle rms: half-cycle pair, and time beyond levels.

    Computed here from the waveform, apart from the program's own measuring.
    """
    n = STEPS_PER_CYCLE
    length = length_s * frequency_hz
    phase = (np.arange(int((20 + length) * n)) + 0.5) / n
    beyond = (phase >= 5 + start_cycles) & (phase < 5 + start_cycles + length)
    amplitude = np.where(beyond, level_pct / 100, 1.0)
    square = 2.0 * (amplitude * np.sin(2 * np.pi * phase)) ** 2
    sums = np.cumsum(np.concatenate([[0.0], square]))
    percent = 100.0 * np.sqrt(np.maximum(sums[n:] - sums[:-n], 0.0) / n)
    half, is_over = percent[:: n // 2], level_pct > 100
    depth, grid = (-percent, range(101, 201)) if is_over else (percent, range(1, 100))
    times = tuple(
        LevelTime(float(x), longest_run(depth < (-x if is_over else x)) / n / frequency_hz)
        for x in grid
        if (depth < (-x if is_over else x)).any()
    )
    lasted = longest_run(half > 110 if is_over else half < 90) / 2 / frequency_hz  # half cycles
    value_pct = float(half.max() if is_over else half.min())
    kind = Kind.SWELL if is_over else Kind.DIP
    return EventFacts(kind, value_pct, lasted, times, window_cycles=1.0)


def dropout(length_s: float, frequency_hz: float, start_cycles: float) -> EventFacts:
    """A full loss of voltage."""
    return measured(0.0, length_s, frequency_hz, start_cycles)


def longest_run(mask: NDArray[np.bool_]) -> int:
    edges = np.flatnonzero(np.diff(mask, prepend=False, append=False))
    return int(np.max(edges[1::2] - edges[::2], initial=0))


@pytest.mark.parametrize("start_cycles", [0.0, 0.1, 0.125, 0.2, 0.25, 0.3, 0.4, 0.45])
@pytest.mark.parametrize(
    ("length_s", "frequency_hz", "lowest_pct", "highest_pct", "plain"),
    [
        # Residual: half the energy of one window is lost, 100 * sqrt(0.5) = 70.7 %, or a little
        # less where the loss does not begin at a window's edge; then up to two half cycles lost.
        (0.010, 50, 70.0, 70.8, Verdict.WITHIN),
        (0.020, 50, 0.0, 50.1, Verdict.MAY_STOP),
        (0.020, 60, 0.0, 50.1, Verdict.MAY_STOP),
    ],
)
def test_a_dropout_that_iti_allows_is_within_by_time_below_each_level(
    length_s: float, frequency_hz: float, lowest_pct: float, highest_pct: float, plain: Verdict,
    start_cycles: float,
) -> None:  # fmt: skip
    facts = dropout(length_s, frequency_hz, start_cycles)
    assert lowest_pct <= facts.value_pct <= highest_pct
    assert verdict(facts, ITI, frequency_hz) is Verdict.WITHIN
    pair = EventFacts(Kind.DIP, facts.value_pct, facts.duration_s)
    assert verdict(pair, ITI, frequency_hz) is plain  # the 20 ms rows: a false alarm


def test_a_dropout_clearly_too_long_is_found_by_both() -> None:
    for start_cycles in (0.0, 0.1, 0.25, 0.4):
        facts = dropout(0.030, 50, start_cycles)
        assert verdict(facts, ITI) is Verdict.MAY_STOP
        assert verdict(EventFacts(Kind.DIP, facts.value_pct, facts.duration_s), ITI) is (
            Verdict.MAY_STOP
        )


CLASS_2 = find_profile("iec-61000-4-11-class-2", None)
F47 = find_profile("semi-f47-0706", None)
TEST_LEVELS = [
    # IEC 61000-4-11 classes 2 and 3, SEMI F47-0706, ITI 2000: tests are run at these very points
    (CLASS_2, 70, 25, 50),
    (CLASS_2, 70, 30, 60),
    (CLASS_2, 0, 1, 50),
    (CLASS_3, 40, 10, 50),
    (CLASS_3, 70, 25, 50),
    (CLASS_3, 80, 250, 50),
    (F47, 50, 12, 60),
    (F47, 70, 30, 60),
    (F47, 80, 60, 60),
    (ITI, 70, 30, 60),
    (ITI, 120, 30, 60),
]


@pytest.mark.parametrize("start_cycles", [0.0, 0.07, 0.125, 0.19, 0.25, 0.31, 0.375, 0.44])
@pytest.mark.parametrize(("profile", "level_pct", "cycles", "frequency_hz"), TEST_LEVELS)
def test_a_measured_test_level_is_within_and_one_cycle_more_is_not(
    profile: object, level_pct: float, cycles: int, frequency_hz: int, start_cycles: float
) -> None:
    """0.02 % of voltage towards nominal: the rms of the steps of this test is not exact."""
    level = level_pct + (0.02 if level_pct < 100 else -0.02)
    facts = measured(level, cycles / frequency_hz, frequency_hz, start_cycles)
    assert verdict(facts, profile, frequency_hz) is Verdict.WITHIN
    beyond = Verdict.MAY_STOP if level_pct < 100 else Verdict.MAY_DAMAGE
    longer = measured(level, (cycles + 1) / frequency_hz, frequency_hz, start_cycles)
    assert verdict(longer, profile, frequency_hz) is beyond


@pytest.mark.parametrize(
    ("value_pct", "level_pct"), [(70, 90), (0, 90), (50, 80), (120, 110), (85, 90), (70, 80)]
)
def test_the_window_lengthens_a_rectangle_by_as_much_at_most(
    value_pct: float, level_pct: float
) -> None:
    longest = 0.0
    for start_cycles in np.linspace(0, 0.5, 41).tolist():
        facts = measured(value_pct, 0.5, 50, start_cycles)
        found = next(time for time in facts.level_times if time.level_pct == level_pct)
        longest = max(longest, (found.longest_s - 0.5) * 50)
    # 0.005 cycles: 800 steps in a cycle, and starts 1/80 of a cycle apart
    assert lengthening(value_pct, level_pct) == pytest.approx(max(longest, 0.0), abs=0.005)


# --- what is not judged, and open events ----------------------------------------------------------


@pytest.mark.parametrize(
    "kind",
    [Kind.DISTORTION, Kind.FREQUENCY, Kind.RAPID_VOLTAGE_CHANGE, Kind.FLICKER, Kind.UNBALANCE],
)
def test_kinds_no_profile_speaks_of(kind: Kind) -> None:
    for profile in (ITI, CLASS_3, UK):
        result = judge(EventFacts(kind, 8.0, 60.0), profile, 230, 50)
        assert (result.verdict, result.limit) == (None, None)


def test_a_profile_without_upper_steps_says_nothing_of_swells() -> None:
    assert verdict(rectangle(150, 10.0), CLASS_3) is None


def test_a_classification_gives_no_verdict() -> None:
    profile = ClassificationProfile.model_validate(
        {"id": "cells", "kind": "classification", "title": "c", "source": "a test",
         "classes": [{"label": "A1", "at_least_pct": 80, "below_pct": 90}]}
    )  # fmt: skip
    assert verdict(rectangle(85, 1.0), profile) is None


def test_an_interruption_is_judged_as_the_dip_it_is() -> None:
    facts = EventFacts(Kind.INTERRUPTION, 0.3, 2.0)
    result = judge(facts, ITI, 230, 50)
    assert result.verdict is Verdict.MAY_STOP
    assert result.limit == "below 70 % for at most 0.02 s"  # 100 times, the others less


def test_an_open_event_is_judged_by_what_is_known() -> None:
    assert verdict(rectangle(50, None), ITI) is Verdict.WITHIN  # nothing known of its times yet
    times = (LevelTime(70, 0.05), LevelTime(80, 0.06), LevelTime(90, 0.06))
    assert verdict(EventFacts(Kind.DIP, 50, None, times), ITI) is Verdict.MAY_STOP
    assert verdict(rectangle(125, None), ITI) is Verdict.MAY_DAMAGE  # never allowed
    assert verdict(rectangle(90, None), UK) is Verdict.BEYOND_LIMIT


# --- peaks ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("peak_pct", "width_s", "expected"),
    [
        # ITI 2000 envelope of the instantaneous voltage (500 % at 0.01 cycle of 60 Hz, 200 % at
        # 1 ms, 140 % at 3 ms; the last two pairings from memory)
        (500, 0.0001, Verdict.WITHIN),
        (501, 0.0001, Verdict.MAY_DAMAGE),
        (200, 0.001, Verdict.WITHIN),
        (201, 0.001, Verdict.MAY_DAMAGE),
        (140, 0.003, Verdict.WITHIN),
        (141, 0.003, Verdict.MAY_DAMAGE),
        # half way between 1 and 3 ms on the logarithmic axis, sqrt(3) ms: (200 + 140) / 2 = 170 %
        (169.9, 0.001 * math.sqrt(3), Verdict.WITHIN),
        (170.1, 0.001 * math.sqrt(3), Verdict.MAY_DAMAGE),
        (139, 0.01, Verdict.WITHIN),
        (141, 0.01, Verdict.MAY_DAMAGE),
        (80, 0.001, Verdict.WITHIN),
    ],
)
def test_transients_and_the_peak_envelope(
    peak_pct: float, width_s: float, expected: Verdict
) -> None:
    facts = EventFacts(Kind.TRANSIENT, peak_pct, width_s)
    result = judge(facts, ITI, 120, 60)
    assert result.verdict is expected
    assert (result.limit is None) == (expected is Verdict.WITHIN)


def test_a_profile_without_an_envelope_says_nothing_of_transients() -> None:
    for profile in (CLASS_3, UK):
        assert verdict(EventFacts(Kind.TRANSIENT, 300, 0.001), profile) is None


# --- order ------------------------------------------------------------------------------------


def test_verdicts_in_order_of_severity() -> None:
    worst_first = [Verdict.MAY_DAMAGE, Verdict.MAY_STOP, Verdict.BEYOND_LIMIT, Verdict.WITHIN, None]
    mixed = [Verdict.WITHIN, None, Verdict.MAY_DAMAGE, Verdict.BEYOND_LIMIT, Verdict.MAY_STOP]
    assert sorted(mixed, key=severity_order, reverse=True) == worst_first
    assert len({severity_order(verdict) for verdict in worst_first}) == 5
    assert [is_serious(verdict) for verdict in worst_first] == [True, True, True, False, False]


def test_facts_are_those_of_the_event() -> None:
    times = (LevelTime(90, 0.2),)
    event = Event(
        number=1, kind=Kind.DIP, channel="L1", group=1, start_s=1.0, duration_s=0.2, value=184.0,
        unit="V", value_pct=80.0, threshold=207.0, extreme_s=1.1, below_interruption_s=None,
        level_times=times, complete=True, flags=(),
    )  # fmt: skip
    assert facts_of(event) == EventFacts(Kind.DIP, 80.0, 0.2, times, window_cycles=1.0)


# --- margins --------------------------------------------------------------------------------------


@pytest.mark.parametrize("timed", [False, True])
@pytest.mark.parametrize(
    ("value_pct", "duration_s", "margin_pct", "margin_s"),
    [
        # ITI 2000, read by hand. 75 % for 0.4 s: 70 % is allowed so long, and 75 % until 0.5 s.
        (75, 0.4, 75 - 70, 0.5 - 0.4),
        (75, 0.6, 75 - 80, 0.5 - 0.6),
        (60, 0.1, 60 - 70, 0.02 - 0.1),
        (85, 12.0, 85 - 90, 10 - 12.0),
        (85, 1.0, 85 - 80, 10 - 1.0),  # below 90 % for at most 10 s; at 80 % it would be too long
        (0, 0.015, 0, 0.02 - 0.015),  # it could not have been deeper
        (92, 1.0, 92 - 80, None),  # no time limit is near
        (115, 0.3, 120 - 115, 0.5 - 0.3),
        (115, 0.6, 110 - 115, 0.5 - 0.6),
        (125, 0.1, 120 - 125, -0.1),  # never above 120 %
        (105, 9.0, 110 - 105, None),
    ],
)
def test_the_margin_of_a_rectangle(
    value_pct: float, duration_s: float, margin_pct: float, margin_s: float | None, timed: bool
) -> None:
    result = judge(rectangle(value_pct, duration_s, timed), ITI, 120, 60)
    assert result.margin_pct == pytest.approx(margin_pct, abs=1e-9)
    assert result.margin_s == (margin_s if margin_s is None else pytest.approx(margin_s, abs=1e-9))


def test_the_margin_of_a_motor_start() -> None:
    # Down to 78.6 %, back at 3.5 %/s (as above). Moved down by d it would be below 80 % for
    # (1.4 + d) / 3.5 s, at most 0.5 s: d = 0.35. The levels are timed by whole per cents, of which
    # 80 % holds and 81 % does not: a margin of 0. Below 80 % for 0.4 of 0.5 s.
    result = judge(EventFacts(Kind.DIP, 78.6, 3.257, ramp_times(78.6, 3.5)), ITI, 120, 60)
    assert result.margin_pct == pytest.approx(0.0, abs=1e-9)
    assert result.margin_s == pytest.approx(0.1, abs=1e-9)
    # Down to 76 %: below 77 % for 0.286 s, below 78 % for 0.57 s: 3 % to be within, 0.64 s too long
    result = judge(EventFacts(Kind.DIP, 76.0, 4.0, ramp_times(76, 3.5)), ITI, 120, 60)
    assert result.margin_pct == pytest.approx(77 - 80, abs=1e-9)
    assert result.margin_s == pytest.approx(0.5 - 4 / 3.5, abs=1e-9)


def test_the_margin_is_negative_where_a_limit_was_passed_and_nowhere_else() -> None:
    rng = np.random.default_rng(4)
    seen = set()
    for _ in range(500):
        lowest, slope = float(rng.uniform(5, 89)), float(10 ** rng.uniform(0, 4))
        times = ramp_times(lowest, slope)
        facts = EventFacts(Kind.DIP, lowest, (92 - lowest) / slope, times)
        for profile in (ITI, CLASS_3):
            result = judge(facts, profile, 230, 50)
            assert result.margin_pct is not None
            assert (result.margin_pct < 0) == (result.verdict is Verdict.MAY_STOP)
            assert result.margin_s is None or (result.margin_s < 0) == (result.margin_pct < 0)
            seen.add(result.verdict)
    assert seen == {Verdict.WITHIN, Verdict.MAY_STOP}


def test_the_margin_of_a_transient() -> None:
    # half way between 1 ms and 3 ms on the logarithmic axis 170 % is allowed (see below)
    middle_s = 0.001 * math.sqrt(3)
    result = judge(EventFacts(Kind.TRANSIENT, 160, middle_s), ITI, 120, 60)
    assert result.margin_pct == pytest.approx(10, abs=1e-9)
    # 160 % lies (200 - 160) / (200 - 140) = 2/3 of the way: 1 ms * 3^(2/3)
    assert result.margin_s == pytest.approx(0.001 * 3 ** (2 / 3) - middle_s, rel=1e-9)
    result = judge(EventFacts(Kind.TRANSIENT, 550, 0.0001), ITI, 120, 60)
    assert (result.margin_pct, result.margin_s) == (-50, -0.0001)
    result = judge(EventFacts(Kind.TRANSIENT, 130, 0.002), ITI, 120, 60)
    assert result.margin_s is None  # 130 % may last


def test_a_limit_for_a_share_of_the_means_says_so() -> None:
    # AS 61000.3.100 (from memory): 1st percentile not below 216.2 V
    result = judge(rectangle(90, 1.0), find_profile("au-supply-230", None), 230, 50)
    assert result.verdict is Verdict.BEYOND_LIMIT
    assert result.limit == "below 94 % for at most 1 % of the means"
    # EN 50160: 87 % may happen in 5 % of the means, 84 % never
    european = find_profile("en-50160-lv", None)
    assert judge(rectangle(87, 1.0), european, 230, 50).verdict is Verdict.WITHIN
    assert judge(rectangle(84, 1.0), european, 230, 50).limit == "never below 85 %"


# --- severity -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("profile", "value_pct", "duration_s", "expected"),
    [
        # Se = (1 - V) / (1 - Vcurve(d)), IEEE 1564 (from memory). On the curve it is 1.
        (ITI, 70, 0.5, 1.0),
        (ITI, 70, 0.6, 1.5),  # 0.3 / 0.2
        (ITI, 85, 0.1, 0.5),  # 0.15 / 0.3
        (ITI, 50, 0.1, 5 / 3),  # 0.5 / 0.3
        (ITI, 0, 20.0, 10.0),  # 1 / 0.1
        (CLASS_3, 40, 0.2, 1.0),
        (CLASS_3, 30, 0.2, 7 / 6),
        (UK, 85, 1.0, None),  # no immunity curve
        (ITI, 120, 0.5, None),  # a swell
        (ITI, 70, None, None),  # still open
    ],
)
def test_severity(
    profile: object, value_pct: float, duration_s: float | None, expected: float | None
) -> None:
    assert isinstance(profile, ImmunityProfile | SupplyProfile)
    result = judge(rectangle(value_pct, duration_s), profile, 230, 50)
    # 1e-12: one division
    assert result.severity == (expected if expected is None else pytest.approx(expected, rel=1e-12))


# --- limits beside the voltage ----------------------------------------------------------------


def contract() -> SupplyProfile:
    return SupplyProfile.model_validate(
        {"id": "contract", "kind": "supply", "title": "c", "source": "a test",
         "frequency": {"down_to_hz": 49.5, "up_to_hz": 50.5}, "unbalance": {"up_to_pct": 2}}
    )  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "value_pct", "limit", "margin_pct"),
    [
        (Kind.FREQUENCY, 99.0, None, 0.0),  # 49.5 of 50 Hz
        (Kind.FREQUENCY, 98.8, "frequency between 49.5 and 50.5 Hz", -0.2),
        (Kind.FREQUENCY, 101.4, "frequency between 49.5 and 50.5 Hz", -0.4),
        (Kind.UNBALANCE, 2.0, None, 0.0),
        (Kind.UNBALANCE, 2.5, "unbalance at most 2 %", -0.5),
    ],
)
def test_frequency_and_unbalance(
    kind: Kind, value_pct: float, limit: str | None, margin_pct: float
) -> None:
    result = judge(EventFacts(kind, value_pct, 60.0), contract(), 230, 50)
    assert result.limit == limit
    assert result.verdict is (Verdict.BEYOND_LIMIT if limit else Verdict.WITHIN)
    assert result.margin_pct == pytest.approx(margin_pct, abs=1e-9)
    assert judge(EventFacts(Kind.DISTORTION, 9.0, 60.0), contract(), 230, 50).verdict is None


def test_a_transient_counts_by_the_width_of_its_peak() -> None:
    event = Event(
        number=1, kind=Kind.TRANSIENT, channel="L1", group=1, start_s=1.0, duration_s=0.02,
        value=585.0, unit="V", value_pct=180.0, threshold=65.0, extreme_s=1.0,
        below_interruption_s=None, level_times=(), complete=True, flags=(),
    )  # fmt: skip
    # ITI 2000: 200 % for 1 ms, 140 % for 3 ms and longer; it rings for 20 ms
    assert judge(facts_of(event), ITI, 230, 50).verdict is Verdict.MAY_DAMAGE
    narrow = replace(event, detail=EventDetail(width_s=0.0008))
    assert judge(facts_of(narrow), ITI, 230, 50).verdict is Verdict.WITHIN


def test_what_was_passed_by_is_that_of_the_step_that_is_named() -> None:
    # 1.21 s at 0 %: the named step allows 20 ms below 70 %, so 70 % and 1.19 s too much; the step
    # of 0.5 s below 80 % is passed as well, by 80 %, but that is not the one that is named.
    judged = judge(
        EventFacts(Kind.INTERRUPTION, 0.0, 1.21), find_profile("iti-2000", None), 120, 60
    )
    assert judged.limit == "below 70 % for at most 0.02 s"
    assert judged.margin_pct == pytest.approx(-70.0)
    assert judged.margin_s == pytest.approx(-1.19, abs=0.02)  # the rms window's cycle taken off
