"""A week on three lines: what happens in it is made here, before a single sample is.

Everything is drawn from one seed. Ordinary life (loads that come and go, the voltage of the day,
harmonics, noise, 12 bit, samples missing now and then) lies below every capture threshold; the
known disturbances keep clear of the loads and of the missing samples, not of anything else.
"""

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from drivers.scenario import Scenario, parse_scenario
from drivers.truth import Thresholds, TrueEvent, truth

Raw = dict[str, Any]

SEED = 20260302
DAY_S = 86_400.0
QUIET_DAY = 3  # counted from 0: nothing but ordinary life
SLOT_S = 600.0  # of flicker (IEC 61000-4-15) and of ten-minute values (IEC 61000-4-30)
RAPID_PCT = 3.0  # capture.rapid_change_pct of this week
NOMINAL_V = 230.0
LINES = ("L1", "L2", "L3")

SUPPLY: Raw = {
    "nominal_v": NOMINAL_V,
    "frequency_hz": 50,
    "wiring": "three_phase",
    "magnitude_pct": 100.5,
    "magnitude_wander_pct": 0.5,
    "daily_swing_pct": 1.5,
    "frequency_wander_hz": 0.03,
    "noise_pct": 0.05,
    "harmonics": [
        {"order": 3, "pct": 0.8, "phase_deg": 180},
        {"order": 5, "pct": 2.0, "phase_deg": 170},
        {"order": 7, "pct": 1.0},
        {"order": 11, "pct": 0.5, "phase_deg": 90},
    ],
}
# Inputs, first start, length, interval, in % of the voltage without it. Any two at once stay below
# the threshold of a rapid voltage change.
_LOADS: tuple[tuple[tuple[str, ...], int, int, int, float], ...] = (
    (("L1",), 1_501, 600, 2_711, 98.8),
    (("L2",), 777, 150, 9_973, 98.5),
    (("L3",), 5_003, 900, 21_013, 98.6),
    (("L1", "L2", "L3"), 40, 45, 3_301, 99.0),
    (("L2",), 207, 40, 2_003, 99.2),
)
LOADS: tuple[Raw, ...] = tuple(
    {"at_s": at_s, "duration_s": length_s, "repeat_every_s": every_s, "residual_pct": pct}
    | {"inputs": list(inputs)}
    for inputs, at_s, length_s, every_s, pct in _LOADS
)
MISSING: Raw = {"kind": "lost_samples", "at_s": 613, "n_samples": 60, "repeat_every_s": 17_011}

# A square wave of 110 changes a minute: Pst is 1 at 0.725 % (IEC 61000-4-15, table for 230 V and
# 50 Hz, from memory), and proportional to the change.
FLICKER_PCT = 1.45
FLICKER_PST = FLICKER_PCT / 0.725
FLICKER_PERIOD_S = 120.0 / 110.0
DECAY_S = 0.005  # of a ringing


@dataclass(frozen=True, slots=True)
class Known:
    """One disturbance: entries of a timeline, from its start on, and how long it needs."""

    entries: tuple[Raw, ...]
    length_s: float
    n_events: int = 1  # disturbances of the supply; a step down and a step back are two
    margin_s: float = 12.0
    slots: bool = False  # begins with a ten-minute slot
    is_deaf: bool = False  # loads between its edges change nothing


@dataclass(frozen=True, slots=True)
class Week:
    """A scenario and what has to be found in it."""

    raw: Raw
    scenario: Scenario
    expected: tuple[TrueEvent, ...]
    n_known: int
    duration_s: float


def _lasting(kind: str, duration_s: float, *inputs: str, **keys: Any) -> Raw:
    return _placed(kind, *inputs, duration_s=duration_s, **keys)


def _placed(kind: str, *inputs: str, **keys: Any) -> Raw:
    return {"kind": kind, "at_s": 0.0, **({"inputs": list(inputs)} if inputs else {}), **keys}


def _dip(duration_s: float, residual_pct: float, *inputs: str, **keys: Any) -> Known:
    entry = _lasting("dip", duration_s, *inputs, residual_pct=residual_pct, **keys)
    return Known((entry,), duration_s)


def _swell(duration_s: float, magnitude_pct: float, *inputs: str) -> Known:
    return Known((_lasting("swell", duration_s, *inputs, magnitude_pct=magnitude_pct),), duration_s)


def _gone(duration_s: float, *inputs: str) -> Known:
    entry = _lasting("interruption", duration_s, *inputs)
    return Known((entry,), duration_s, is_deaf=True)


def _motor(residual_pct: float, time_constant_s: float, *inputs: str) -> Known:
    keys = {"residual_pct": residual_pct, "hold_s": 0.06, "time_constant_s": time_constant_s}
    return Known((_placed("motor_start", *inputs, **keys),), 0.06 + 14 * time_constant_s)


def _stages(first: tuple[float, float], second: tuple[float, float], *inputs: str) -> Known:
    keys = {
        name: {"duration_s": duration_s, "residual_pct": pct}
        for name, (duration_s, pct) in (("first", first), ("second", second))
    }
    return Known((_placed("two_stage", *inputs, **keys),), first[0] + second[0])


def _step(kind: str, duration_s: float, pct: float, *inputs: str) -> Known:
    """Down and back, or up and back: two rapid voltage changes.

    Two steps of d % in one slot are a Pst of (2 * 2.3 * d**3.2 / 600)**(1 / 3.2) (IEC 61000-3-3,
    from memory): 0.87 at 4 %, and with 4.5 % there would be an event of flicker as well.
    """
    key = "residual_pct" if kind == "dip" else "magnitude_pct"
    return Known((_lasting(kind, duration_s, *inputs, **{key: pct}),), duration_s, 2, is_deaf=True)


def _impulse(peak_pct: float, line: str) -> Known:
    """At a zero crossing: at the crest it would carry a rapid change of the one-cycle rms along."""
    keys = {"peak_pct": peak_pct, "width_s": 0.00075, "phase_deg": 0}
    return Known((_placed("impulsive_transient", line, **keys),), 0.1)


def _ringing(peak_pct: float, frequency_hz: float, line: str) -> Known:
    """So short that the rms of its cycle hardly changes."""
    keys = {"peak_pct": peak_pct, "frequency_hz": frequency_hz, "decay_s": DECAY_S, "phase_deg": 90}
    return Known((_placed("oscillatory_transient", line, **keys),), 0.2)


def _distorted(duration_s: float, *harmonics: tuple[int, float]) -> Known:
    extra = [{"order": order, "pct": pct, "phase_deg": 170} for order, pct in harmonics]
    entry = _lasting("distortion", duration_s, harmonics=extra)
    return Known((entry,), duration_s, is_deaf=True)


UNBALANCE_STEPS = (97.2, 102.8)  # twice the first on L1, the second on L2
UNBALANCED = Known(
    (
        _lasting("dip", 700.0, "L1", residual_pct=UNBALANCE_STEPS[0]),
        _lasting("dip", 600.0, "L1", residual_pct=UNBALANCE_STEPS[0]) | {"at_s": 50.0},
        _lasting("swell", 600.0, "L2", magnitude_pct=UNBALANCE_STEPS[1]) | {"at_s": 50.0},
    ),
    700.0,
)
FLICKERING = Known(
    (
        _lasting("dip", FLICKER_PERIOD_S / 2, residual_pct=100 - FLICKER_PCT)
        | {"repeat_every_s": FLICKER_PERIOD_S, "repeat_count": int(2 * SLOT_S / FLICKER_PERIOD_S)},
    ),
    2 * SLOT_S,
    margin_s=SLOT_S + 12.0,
    slots=True,
)
EARTH_FAULT = Known(
    (
        _lasting("dip", 0.4, "L1", residual_pct=20),
        _lasting("swell", 0.4, "L2", "L3", magnitude_pct=125),
    ),
    0.4,
)

KNOWN = (
    # dips
    _dip(0.1, 85, "L1"),
    _dip(0.06, 70, "L2", phase_deg=90),
    _dip(0.2, 40, "L3"),
    _dip(0.5, 10, "L1", phase_deg=0),
    _dip(10.0, 86, "L2"),
    _dip(0.25, 58, "L2", "L3", phase_deg=90),
    _dip(1.5, 80, "L1", "L2"),
    _dip(0.08, 30, "L1", "L3"),
    _dip(0.6, 65, phase_deg=30),
    _dip(3.0, 80),
    _dip(0.1, 50),
    _dip(30.0, 75),
    _stages((0.1, 35), (0.5, 75), "L3"),
    _stages((0.2, 50), (1.0, 80)),
    _motor(76, 0.8),
    _motor(82, 0.4, "L2"),
    EARTH_FAULT,
    # swells
    _swell(0.3, 120, "L1"),
    _swell(2.0, 115),
    _swell(0.1, 130, "L2", "L3"),
    _swell(60.0, 118, "L3"),
    # interruptions
    _gone(0.2, "L2"),
    _gone(1.5),
    _gone(4.0, "L3"),
    _gone(200.0),
    _gone(7200.0),
    # rapid voltage changes
    _step("dip", 180.0, 96.0, "L1"),
    _step("dip", 90.0, 96.0),
    _step("swell", 120.0, 104.0, "L2"),
    # transients
    _impulse(60, "L1"),
    _impulse(-50, "L2"),
    _ringing(40, 200, "L2"),
    # distortion, frequency, unbalance, flicker
    _distorted(60.0, (5, 6.0), (7, 4.0)),
    _distorted(1200.0, (5, 5.0), (7, 3.0)),
    Known((_lasting("frequency", 60.0, offset_hz=-1.0),), 60.0, margin_s=40.0),
    UNBALANCED,
    FLICKERING,
)


def week(duration_s: float) -> Week:
    """A scenario of that length; what does not fit into it is left out, and `n_known` says so."""
    dice = random.Random(SEED)
    fitting = _fitting(dice, duration_s)
    placed = _placements(dice, fitting, duration_s)
    entries = [
        {**entry, "at_s": at_s + entry["at_s"]} for known, at_s in placed for entry in known.entries
    ]
    entries.sort(key=lambda entry: float(entry["at_s"]))
    loads = [{"kind": "dip", **load} for load in LOADS if load["at_s"] < duration_s]
    missing = [MISSING] if MISSING["at_s"] < duration_s else []
    head = {"title": "A week on three lines", "seed": SEED, "duration_s": duration_s}
    head |= {"supply": SUPPLY, "converter": {"bits": 12, "full_scale_v": 800.0}}
    raw = head | {"timeline": [*entries, *loads, *missing]}
    known_only = parse_scenario(head | {"timeline": entries}, "week")
    expected = [*truth(known_only, duration_s, Thresholds()), *_by_hand(known_only, placed)]
    expected.sort(key=lambda event: (event.start_s, event.input_name))
    n_known = sum(known.n_events for known in fitting)
    return Week(raw, parse_scenario(raw, "week"), tuple(expected), n_known, duration_s)


def _fitting(dice: random.Random, duration_s: float) -> list[Known]:
    """In random order, a short one first; of a time too short for all, what fits well."""
    order = dice.sample(KNOWN, len(KNOWN))
    order.sort(key=lambda one: one.length_s > duration_s / 300 or one.slots)
    shift_s = min(150.0, duration_s / 36)  # how long it may have to wait for the loads
    taken, needed_s = [], 0.0
    for one in order:
        needed_s += one.length_s + 2 * one.margin_s + shift_s
        if needed_s < 0.6 * duration_s and one.length_s + one.margin_s < duration_s / 20:
            taken.append(one)
    return [taken[0], *dice.sample(taken[1:], len(taken) - 1)]


def _placements(
    dice: random.Random, known: list[Known], duration_s: float
) -> list[tuple[Known, float]]:
    """Starts spread over the time by random gaps, none on the quiet day, one in the first hour."""
    needed_s = sum(one.length_s + 2 * one.margin_s for one in known)
    quiet = (QUIET_DAY * DAY_S, (QUIET_DAY + 1) * DAY_S)
    has_quiet = duration_s >= quiet[1] + DAY_S
    free_s = duration_s - needed_s - (DAY_S + 8000.0 if has_quiet else 0.0)
    shares = [dice.uniform(0.3, 1.0) for _ in range(len(known) + 1)]
    at_s = 0.0
    placed: list[tuple[Known, float]] = []
    for one, share in zip(known, shares, strict=False):
        gap_s = 0.4 * free_s * share / math.fsum(shares)
        at_s += min(gap_s, 1200.0 if not placed else gap_s) + one.margin_s
        if has_quiet and at_s + one.length_s + one.margin_s > quiet[0] and at_s < quiet[1]:
            at_s = quiet[1] + one.margin_s
        at_s = _clear(one, at_s)
        placed.append((one, at_s))
        at_s += one.length_s + one.margin_s
    assert at_s < duration_s, "the disturbances do not fit"
    return placed


def _clear(one: Known, at_s: float) -> float:
    """The first start from `at_s` on that keeps clear of loads and missing samples."""
    step_s = SLOT_S if one.slots else 5.0
    at_s = math.ceil(at_s / step_s) * step_s
    while not _is_clear(one, at_s):
        at_s += step_s
    return at_s


def _is_clear(one: Known, at_s: float) -> bool:
    """Loads would change a value; of what lasts long, or is no voltage, only the edges matter.

    A load's two steps are a thousandth of a flicker of Pst 2 (3.2nd power of their size).
    """
    begin, end = at_s - one.margin_s, at_s + one.length_s + one.margin_s
    if any(True for _ in _within(MISSING, 1.0, begin, end)):
        return False
    windows = [(begin, end)]
    if one.is_deaf:
        windows = [(begin, at_s + 3.0), (at_s + one.length_s - 3.0, end)]
    return one.slots or not any(
        True
        for load in LOADS
        for window in windows
        for _ in _within(load, load["duration_s"], *window)
        if one is not UNBALANCED or len(load["inputs"]) == 1
    )


def _within(entry: Raw, length_s: float, begin: float, end: float) -> Iterator[float]:
    """Starts of a repeating entry that touch [begin, end]."""
    every_s = float(entry["repeat_every_s"])
    number = max(0, math.floor((begin - entry["at_s"] - length_s) / every_s))
    while (start_s := entry["at_s"] + number * every_s) <= end:
        if start_s + length_s >= begin:
            yield start_s
        number += 1


def _by_hand(scenario: Scenario, placed: list[tuple[Known, float]]) -> list[TrueEvent]:
    """What `drivers.truth` does not know of: rapid changes, unbalance, flicker."""
    found: list[TrueEvent] = []
    for known, at_s in placed:
        if known is UNBALANCED:
            value = 100 * unbalance(UNBALANCE_STEPS[0] ** 2 / 1e4, UNBALANCE_STEPS[1] / 1e2, 1.0)
            found.append(TrueEvent("unbalance", "L1-L2-L3", at_s + 50.0, 600.0, value))
        elif known is FLICKERING:
            found += [TrueEvent("flicker", n, at_s, known.length_s, FLICKER_PST) for n in LINES]
        elif known.n_events == 2:
            found += _rapid(scenario, known.entries[0], at_s)
    return found


def _rapid(scenario: Scenario, entry: Raw, at_s: float) -> Iterator[TrueEvent]:
    pct = entry["residual_pct"] if "residual_pct" in entry else entry["magnitude_pct"]
    change_v = abs(float(pct) - 100.0) / 100.0 * NOMINAL_V * scenario.supply.magnitude_pct / 100.0
    for instant_s in (at_s, at_s + entry["duration_s"]):
        for line in entry.get("inputs", LINES):
            yield TrueEvent("rapid_voltage_change", line, instant_s, 0.0, change_v)


def unbalance(*sizes: float) -> float:
    """Negative over positive sequence of three voltages 120 degrees apart (IEC 61000-4-30, 5.7)."""
    turn = complex(-0.5, math.sqrt(3) / 2)
    negative = abs(sum(size * turn ** (-k) * turn ** (2 * k) for k, size in enumerate(sizes)))
    return negative / sum(sizes)
