"""The built-in profiles against tables typed here from the documents they name, point by point.

A number graded "from memory" in a profile is so marked here too.
"""

import math
from dataclasses import dataclass
from pathlib import Path

import pytest

from daemon.judge import judge
from daemon.profiles import builtin_profiles, load_profile, scope_warning
from daemon.records import Kind, Verdict
from daemon.staircase import EventFacts
from daemon.tolerance import ClassificationProfile, ImmunityProfile, Limits, SupplyProfile

EVER = math.inf
BUILT_IN = {profile.id: profile for profile in builtin_profiles()}
LONG_S = 1e6  # eleven days stand for ever
PROFILES = Path(__file__).parent.parent / "config" / "profiles"


@dataclass(frozen=True, slots=True)
class Published:
    """Levels in % of nominal_v with the longest time in s, on one of the supplies meant."""

    nominal_v: float
    frequency_hz: float
    under: tuple[tuple[float, float], ...]
    over: tuple[tuple[float, float], ...] = ()


def volts(nominal_v: float, frequency_hz: float, low_v: float, high_v: float) -> Published:
    low, high = (100 * limit_v / nominal_v for limit_v in (low_v, high_v))
    return Published(nominal_v, frequency_hz, ((low, EVER),), ((high, EVER),))


IMMUNITY = {
    # ITI (CBEMA) Curve, revised 2000: dropout 20 ms; 70 % 0.5 s; 80 % 10 s (pairing from memory);
    # 90 % steady; 120 % 0.5 s; 110 % steady.
    "iti-2000": Published(
        120, 60, ((0, 0.02), (70, 0.5), (80, 10), (90, EVER)), ((120, 0.5), (110, EVER))
    ),
    # SEMI F47-0706: 50 % 0.2 s, 70 % 0.5 s, 80 % 1.0 s; nothing required below 50 ms. 90 % is ours.
    "semi-f47-0706": Published(
        208, 60, ((0, 0.05), (50, 0.2), (70, 0.5), (80, 1.0), (90, EVER))
    ),
    # IEC 61000-4-11:2004/2020 class 2: 0 % 1 cycle, 70 % 25/30 cycles. 90 % is ours.
    "iec-61000-4-11-class-2": Published(230, 50, ((0, 1 / 50), (70, 25 / 50), (90, EVER))),
    # The same, class 3: also 40 % 10/12 cycles (12 from memory), 80 % 250/300 cycles.
    "iec-61000-4-11-class-3": Published(
        230, 60, ((0, 1 / 60), (40, 12 / 60), (70, 30 / 60), (80, 300 / 60), (90, EVER))
    ),
    # IEC 60601-1-2 edition 4: 0 % 1 cycle, 70 % 25/30 cycles. 90 % is ours.
    "iec-60601-1-2-ed4": Published(230, 60, ((0, 1 / 60), (70, 30 / 60), (90, EVER))),
}  # fmt: skip

SUPPLY = {
    # ANSI C84.1-2020, per cent of nominal.
    "ansi-c84-1-a-service": Published(120, 60, ((95, EVER),), ((105, EVER),)),
    "ansi-c84-1-a-utilization": Published(480, 60, ((90, EVER),), ((105, EVER),)),
    "ansi-c84-1-b-service": Published(240, 60, ((91.7, EVER),), ((105.8, EVER),)),
    "ansi-c84-1-b-utilization": Published(277, 60, ((86.7, EVER),), ((105.8, EVER),)),
    # EN 50160: all 10-minute means within +10 / -15 % of 230 V: 195.5 V to 253 V.
    "en-50160-lv": volts(230, 50, 195.5, 253),
    # SI 1994/3021, +10 / -6 % of 230 V.
    "uk-supply-230": volts(230, 50, 216.2, 253),
    # AS 60038 allowed, AS 61000.3.100-2011 preferred.
    "au-supply-230": volts(230, 50, 216.2, 253),
    "au-preferred-230": volts(230, 50, 225.4, 243.8),
    # New Zealand, Electricity (Safety) Regulations 2010: 6 %.
    "nz-supply-230": volts(230, 50, 216.2, 243.8),
    # Japan, Enforcement Regulation article 38: 101 V with 6 V, 202 V with 20 V.
    "jp-supply-100": volts(100, 50, 101 - 6, 101 + 6),
    "jp-supply-200": volts(200, 60, 202 - 20, 202 + 20),
    # GB/T 12325-2008: 220 V +7 / -10 %; three-phase 380 V with 7 %.
    "cn-supply-220": volts(220, 50, 198, 235.4),
    "cn-supply-380": volts(380, 50, 353.4, 406.6),
    # Indian Electricity Rules 1956, rule 54: 6 %.
    "in-supply-230": volts(230, 50, 216.2, 243.8),
    # Korea, Electric Utility Act Enforcement Rule annex 3: 220 V with 13 V.
    "kr-supply-220": volts(220, 60, 207, 233),
    # ANEEL PRODIST module 8, critical beyond: 110 / 135 V and 191 / 233 V.
    "br-supply-127": volts(127, 60, 110, 135),
    "br-supply-220": volts(220, 60, 191, 233),
    # IEC 60038: 10 %.
    "iec-60038": Published(400, 50, ((90, EVER),), ((110, EVER),)),
}

OTHERS = {"ieee-519-lv", "ieee-1159", "unipede"}
PUBLISHED = {**IMMUNITY, **SUPPLY}

POINTS = [
    (name, level, time_s)
    for name, published in PUBLISHED.items()
    for level, time_s in (*published.under, *published.over)
]


def verdict(name: str, level_pct: float, duration_s: float) -> Verdict | None:
    published = PUBLISHED[name]
    kind = Kind.SWELL if level_pct > 100 else Kind.DIP
    facts = EventFacts(kind, level_pct, duration_s)
    profile = BUILT_IN[name]
    return judge(facts, profile, published.nominal_v, published.frequency_hz).verdict


def beyond(name: str, level_pct: float) -> Verdict:
    if name in SUPPLY:
        return Verdict.BEYOND_LIMIT
    return Verdict.MAY_DAMAGE if level_pct > 100 else Verdict.MAY_STOP


def test_every_built_in_profile_has_its_table_here() -> None:
    ids = set(BUILT_IN)
    assert ids == {*PUBLISHED, *OTHERS}
    assert len(ids) >= 20
    for profile in BUILT_IN.values():
        assert (profile.id in IMMUNITY) == isinstance(profile, ImmunityProfile)
        assert load_profile(PROFILES / f"{profile.id}.yaml") == profile  # file named by its id


@pytest.mark.parametrize("name", PUBLISHED)
def test_every_break_point_is_there_and_none_more(name: str) -> None:
    published, profile = PUBLISHED[name], BUILT_IN[name]
    assert isinstance(profile, Limits)
    under, over = (
        [
            (level if unit == "%" else 100 * level / published.nominal_v, step.time_s(hz))
            for step in side
            for level, unit in [step.level]
            for hz in [published.frequency_hz]
            if getattr(step, "share_pct", None) in (None, 99.5, 100)  # the others: below
        ]
        for side in (profile.under, profile.over)
    )
    # 1e-12: volts over volts, cycles over hertz
    assert under == [pytest.approx(point, rel=1e-12) for point in published.under]
    assert over == [pytest.approx(point, rel=1e-12) for point in published.over]


@pytest.mark.parametrize(("name", "level", "time_s"), POINTS)
def test_rectangles_at_and_around_each_point(name: str, level: float, time_s: float) -> None:
    """On the point and just inside: within. Just farther, or just longer: beyond."""
    inward = 0.01 if level < 100 else -0.01
    duration_s = min(time_s, LONG_S)
    assert verdict(name, level, duration_s) is Verdict.WITHIN
    assert verdict(name, level + inward, duration_s - 1e-4) is Verdict.WITHIN
    if level > 0:
        assert verdict(name, level - inward, duration_s) is beyond(name, level)
    if time_s < EVER:
        assert verdict(name, level, time_s + 1e-4) is beyond(name, level)


@pytest.mark.parametrize("name", PUBLISHED)
def test_each_is_used_on_its_own_supply_without_a_warning(name: str) -> None:
    published, profile = PUBLISHED[name], BUILT_IN[name]
    assert scope_warning(profile, published.nominal_v, published.frequency_hz) is None
    if name in SUPPLY:
        assert scope_warning(profile, 12.5, 60) is not None


def test_the_cycles_of_the_iec_tables_at_both_frequencies() -> None:
    # IEC 61000-4-11: 1, 10/12, 25/30, 250/300 cycles are one time at 50 and 60 Hz but for the first
    for name, cycles_50, cycles_60 in (
        ("iec-61000-4-11-class-2", (1, 25), (1, 30)),
        ("iec-61000-4-11-class-3", (1, 10, 25, 250), (1, 12, 30, 300)),
        ("iec-60601-1-2-ed4", (1, 25), (1, 30)),
    ):
        profile = BUILT_IN[name]
        assert isinstance(profile, ImmunityProfile)
        for hz, cycles in ((50, cycles_50), (60, cycles_60)):
            times = [step.time_s(hz) for step in profile.under[:-1]]
            assert times == pytest.approx([n / hz for n in cycles], rel=1e-12)


def test_iti_peak_envelope() -> None:
    # ITI 2000: 500 % at 0.01 cycle of 60 Hz; 200 % at 1 ms and 140 % at 3 ms (pairing from memory)
    profile = BUILT_IN["iti-2000"]
    assert isinstance(profile, ImmunityProfile)
    assert [(point.up_to_pct, point.at_most_s) for point in profile.peak] == [
        (500, pytest.approx(0.01 / 60, rel=3e-3)),  # written with three digits
        (200, 0.001),
        (140, 0.003),
    ]


# share of the 10-minute means, lower and upper level
SHARES = {
    # EN 50160: 95 % of the 10-minute means of a week within 10 %, all within +10 / -15 %.
    "en-50160-lv": (604800, False, [(85, 100), (90, 95)], [(110, 100)]),
    # AS 61000.3.100: V1% and V99% (from memory); preferred: the median (from memory).
    "au-supply-230": (604800, True, [(94, 99)], [(110, 99)]),
    "au-preferred-230": (604800, True, [(98, 50)], [(106, 50)]),
    # PRODIST module 8: at most 3 % precarious, 0.5 % critical of 1008 readings (from memory).
    "br-supply-127": (604800, False, [(110, 99.5), (117, 97)], [(135, 99.5), (133, 97)]),
    "br-supply-220": (604800, False, [(191, 99.5), (202, 97)], [(233, 99.5), (231, 97)]),
}


@pytest.mark.parametrize("name", SHARES)
def test_the_shares_of_the_means(name: str) -> None:
    period_s, each_side, under, over = SHARES[name]
    profile = BUILT_IN[name]
    assert isinstance(profile, SupplyProfile)
    assert profile.averaging is not None
    assert (profile.averaging.interval_s, profile.averaging.period_s) == (600, period_s)
    assert profile.averaging.each_side is each_side
    for side, expected in ((profile.under, under), (profile.over, over)):
        found = [(step.level[0], profile.share_pct(step.share_pct)) for step in side]
        assert found == expected


def test_ieee_519_limits_of_distortion() -> None:
    # IEEE 519-2014 table 1, up to 1 kV: THD 8 %, each harmonic 5 %; weekly 95 % of 10-minute
    # values (from memory).
    profile = BUILT_IN["ieee-519-lv"]
    assert isinstance(profile, SupplyProfile)
    assert profile.distortion is not None
    assert (profile.distortion.thd_pct, profile.distortion.harmonic_pct) == (8, 5)
    assert profile.averaging is not None
    assert profile.averaging.share_pct == 95
    for value_pct, expected in ((8.0, Verdict.WITHIN), (8.01, Verdict.BEYOND_LIMIT)):
        result = judge(EventFacts(Kind.DISTORTION, value_pct, 60.0), profile, 277, 60)
        assert result.verdict is expected
        assert result.margin_pct == pytest.approx(8 - value_pct, abs=1e-9)
    assert result.limit == "distortion at most 8 %"


def label(name: str, value_pct: float, duration_s: float, hz: float = 60) -> str | None:
    profile = BUILT_IN[name]
    assert isinstance(profile, ClassificationProfile)
    kind = Kind.SWELL if value_pct > 100 else Kind.DIP
    result = judge(EventFacts(kind, value_pct, duration_s), profile, 230, hz)
    assert (result.verdict, result.limit) == (None, None)
    return result.label


@pytest.mark.parametrize(
    ("value_pct", "duration_s", "expected"),
    [
        # IEEE 1159 table of categories, at 60 Hz: 30 cycles are 0.5 s
        (50, 0.5, "instantaneous dip (sag)"),
        (50, 0.51, "momentary dip (sag)"),
        (50, 3.0, "momentary dip (sag)"),
        (50, 3.1, "temporary dip (sag)"),
        (50, 60.0, "temporary dip (sag)"),
        (85, 60.1, "undervoltage"),
        (50, 61.0, None),  # the table has no such category
        (9.9, 0.1, "momentary interruption"),
        (10, 0.1, "instantaneous dip (sag)"),
        (5, 3.1, "temporary interruption"),
        (0, 100.0, "sustained interruption"),
        (150, 0.4, "instantaneous swell"),
        (150, 0.6, None),
        (130, 0.6, "momentary swell"),
        (115, 30.0, "temporary swell"),
        (115, 90.0, "overvoltage"),
    ],
)
def test_ieee_1159_categories(value_pct: float, duration_s: float, expected: str | None) -> None:
    assert label("ieee-1159", value_pct, duration_s) == expected


def test_ieee_1159_counts_cycles() -> None:
    assert label("ieee-1159", 50, 0.55, 50) == "instantaneous dip (sag)"  # 27.5 cycles
    assert label("ieee-1159", 50, 0.55, 60) == "momentary dip (sag)"  # 33 cycles


def test_unipede_has_a_cell_for_each_depth_and_duration() -> None:
    # DISDIP in the DLMS/COSEM identifiers: depth 10, 15, 30, 60, 90, 99 %; 10 ms to 60 s
    depths = [(10, 15), (15, 30), (30, 60), (60, 90), (90, 99)]
    times = [(0.01, 0.1), (0.1, 0.5), (0.5, 1), (1, 3), (3, 20), (20, 60)]
    seen = set()
    for shallow, deep in depths:
        for shortest_s, longest_s in times:
            found = label("unipede", 100 - (shallow + deep) / 2, (shortest_s + longest_s) / 2)
            assert found is not None
            assert found.startswith(f"depth {shallow}-{deep} % for ")
            seen.add(found)
    assert len(seen) == 30
    assert label("unipede", 95, 0.2) is None
    assert label("unipede", 50, 61) is None


# --- evidence -------------------------------------------------------------------------------------

GRADES = ("V1", "V2", "V3", "from memory", "derived", "suggested here")


def test_every_number_has_a_grade_of_evidence() -> None:
    for profile in BUILT_IN.values():
        for number, said in profile.evidence.items():
            assert said.startswith(GRADES), (profile.id, number, said)


def test_every_profile_names_its_document_and_what_it_is_for() -> None:
    for profile in BUILT_IN.values():
        assert len(profile.source) > 40, profile.id
        assert profile.notes, profile.id
        text = f"{profile.title} {profile.source} {profile.notes}".lower()
        assert "compl" not in text.replace("complet", ""), profile.id  # compared, never complying
