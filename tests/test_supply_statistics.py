"""Statistics in a fixed space: against numpy on the same values."""

import numpy as np
import pytest

from daemon.profiles import find_profile
from daemon.records import Verdict
from daemon.supply_answers import SupplyAnswer, SupplyRule, supply_answers, supply_rules
from daemon.supply_statistics import SCALES, Quantity, SupplyStatistics, total
from daemon.tolerance import SupplyProfile

WEEK_S = 604800
WEEK_VALUES = 1008  # ten-minute values of seven days: 7 * 24 * 6

# mean, spread and the least of plausible values for each quantity
PLAUSIBLE = {
    Quantity.VOLTAGE: (99.0, 3.0, 0.0),
    Quantity.FREQUENCY: (50.0, 0.05, 0.0),
    Quantity.DISTORTION: (3.0, 1.5, 0.0),
    Quantity.UNBALANCE: (1.0, 0.6, 0.0),
    Quantity.FLICKER: (0.6, 0.4, 0.0),
}


def values_of(quantity: Quantity, n_values: int, seed: int) -> list[float]:
    mean, spread, least = PLAUSIBLE[quantity]
    drawn = np.random.default_rng(seed).normal(mean, spread, n_values)
    found: list[float] = np.maximum(drawn, least).tolist()
    return found


def filled(quantity: Quantity, values: list[float]) -> SupplyStatistics:
    statistics = SupplyStatistics()
    for value in values:
        statistics.add(quantity, value)
    return statistics


def supply(name: str) -> SupplyProfile:
    profile = find_profile(name, None)
    assert isinstance(profile, SupplyProfile)
    return profile


@pytest.mark.parametrize("n_values", [1, 2, 17, WEEK_VALUES])
@pytest.mark.parametrize("quantity", list(Quantity))
def test_percentiles_are_within_half_a_bin_of_numpys(quantity: Quantity, n_values: int) -> None:
    values = values_of(quantity, n_values, seed=n_values)
    histogram = filled(quantity, values).of(quantity)
    half_bin = SCALES[quantity].width / 2
    for percent in (0, 1, 5, 50, 95, 99, 99.5, 100):
        expected = float(np.percentile(values, percent))
        assert histogram.percentile(percent) == pytest.approx(expected, abs=half_bin * (1 + 1e-9))


def test_the_bin_of_voltage_is_a_tenth_of_a_per_cent() -> None:
    assert SCALES[Quantity.VOLTAGE].width == 0.1


@pytest.mark.parametrize("quantity", list(Quantity))
def test_shares_at_the_edges_of_bins_are_exact(quantity: Quantity) -> None:
    values = values_of(quantity, WEEK_VALUES, seed=3)
    histogram, scale = filled(quantity, values).of(quantity), SCALES[quantity]
    middle = round((float(np.median(values)) - scale.first) / scale.width)
    low, high = (scale.first + scale.width * (middle + n) for n in (-4, 7))
    expected = 100 * float(np.mean([(low <= value <= high) for value in values]))
    assert 0 < expected < 100
    # 1e-9: a share of whole numbers; no value lies on an edge here
    assert histogram.share_within_pct(low, high) == pytest.approx(expected, abs=1e-9)
    below = 100 * float(np.mean([value <= high for value in values]))
    assert histogram.share_within_pct(None, high) == pytest.approx(below, abs=1e-9)


def test_shares_elsewhere_are_out_by_one_bin_at_most() -> None:
    values = values_of(Quantity.VOLTAGE, WEEK_VALUES, seed=5)
    histogram = filled(Quantity.VOLTAGE, values).of(Quantity.VOLTAGE)
    low = 100 * 207 / 220  # Korea: 94.09 %, inside the bin from 94.0 to 94.1 %
    in_bin = 100 * float(np.mean([94.0 <= value < 94.1 for value in values]))
    expected = 100 * float(np.mean([value >= low for value in values]))
    assert histogram.share_within_pct(low, None) == pytest.approx(expected, abs=in_bin + 1e-9)


@pytest.mark.parametrize(
    ("quantity", "value", "low", "high"),
    [
        (Quantity.VOLTAGE, 100 * 207 / 230, 90.0, 110.0),
        (Quantity.VOLTAGE, 100 * 253 / 230, 90.0, 110.0),
        (Quantity.VOLTAGE, 100 * 216.2 / 230, 94.0, None),
        (Quantity.FREQUENCY, 49.5, 49.5, 50.5),
        (Quantity.FREQUENCY, 50.5, 49.5, 50.5),
        (Quantity.FREQUENCY, 59.9, 59.9, 60.1),
        (Quantity.FREQUENCY, 60.1, 59.9, 60.1),
        (Quantity.DISTORTION, 8.0, None, 8.0),
        (Quantity.UNBALANCE, 2.0, None, 2.0),
        (Quantity.FLICKER, 1.0, None, 1.0),
    ],
)
def test_a_value_exactly_on_a_limit_is_within(
    quantity: Quantity, value: float, low: float | None, high: float | None
) -> None:
    assert filled(quantity, [value]).of(quantity).share_within_pct(low, high) == 100
    just_beyond = value + (0.001 if value == high or low is None or value > low else -0.001)
    assert filled(quantity, [just_beyond]).of(quantity).share_within_pct(low, high) == 0


def test_values_off_the_scale_are_counted_at_its_end() -> None:
    histogram = filled(Quantity.VOLTAGE, [100.0, 350.0]).of(Quantity.VOLTAGE)
    assert histogram.n_values == 2
    assert histogram.percentile(100) == 200.0
    assert histogram.share_within_pct(90, 110) == 50
    assert histogram.share_within_pct(90, 1000) == 50
    low = filled(Quantity.FREQUENCY, [12.0, 50.0]).of(Quantity.FREQUENCY)
    assert low.percentile(0) == 40.0
    assert low.share_within_pct(0.0, 60.0) == 50  # what lies below the scale is never within


def test_flagged_values_are_counted_and_left_out() -> None:
    statistics = filled(Quantity.VOLTAGE, [100.0] * 9)
    statistics.add(Quantity.VOLTAGE, 20.0, flagged=True)
    statistics.add(Quantity.VOLTAGE, float("nan"))
    histogram = statistics.of(Quantity.VOLTAGE)
    assert (histogram.n_values, histogram.n_flagged) == (9, 2)
    assert histogram.share_within_pct(90, 110) == 100
    assert histogram.percentile(0) == pytest.approx(100, abs=0.051)  # half a bin


def test_nothing_counted() -> None:
    histogram = SupplyStatistics().of(Quantity.VOLTAGE)
    assert (histogram.n_values, histogram.percentile(50)) == (0, None)
    assert histogram.share_within_pct(90, 110) is None


def test_days_add_up_to_what_one_would_have_counted() -> None:
    values = values_of(Quantity.VOLTAGE, WEEK_VALUES, seed=11)
    days = [filled(Quantity.VOLTAGE, values[n : n + 144]) for n in range(0, WEEK_VALUES, 144)]
    days[3].add(Quantity.VOLTAGE, 0.0, flagged=True)
    whole = filled(Quantity.VOLTAGE, values)
    whole.add(Quantity.VOLTAGE, 0.0, flagged=True)
    assert total(days).to_bytes() == whole.to_bytes()


def test_bytes_hold_everything_and_little_room() -> None:
    day = SupplyStatistics()
    for quantity in Quantity:
        for value in values_of(quantity, 8640 if quantity is Quantity.FREQUENCY else 144, seed=2):
            day.add(quantity, value)
    day.add(Quantity.FLICKER, 1.0, flagged=True)
    data = day.to_bytes()
    assert len(data) < 2000  # as printed in the documentation of to_bytes, with room
    again = SupplyStatistics.from_bytes(data)
    assert again.to_bytes() == data
    assert again.of(Quantity.FLICKER).n_flagged == 1
    again.add(Quantity.VOLTAGE, 100.0)  # can be counted on
    assert again.of(Quantity.VOLTAGE).n_values == 145
    assert len(SupplyStatistics().to_bytes()) < 100


@pytest.mark.parametrize("harm", ["magic", "cut", "flip", "empty", "longer"])
def test_damaged_bytes_are_refused(harm: str) -> None:
    data = filled(Quantity.VOLTAGE, [100.0]).to_bytes()
    bad = {
        "magic": b"XXXX" + data[4:],
        "cut": data[:-8],
        "flip": data[:5] + bytes([data[5] ^ 1]) + data[6:],
        "empty": b"",
        "longer": SupplyStatistics().to_bytes()[:8] + data[8:],
    }[harm]
    with pytest.raises(ValueError, match="statistics"):
        SupplyStatistics.from_bytes(bad)


# --- answers --------------------------------------------------------------------------------------


def two_days() -> SupplyStatistics:
    """288 ten-minute values, 280 within 10 %: 97.2 %; the lowest 200 V of 230 V: 86.96 %."""
    return filled(Quantity.VOLTAGE, [100.0] * 280 + [100 * 200 / 230] * 8)


def test_two_days_of_seven_are_indicative() -> None:
    # EN 50160: 95 % of the 10-minute means of a week within 10 %, all within +10 / -15 %.
    narrow, wide = supply_answers(supply("en-50160-lv"), two_days(), 230)
    assert narrow.words() == (
        "95 % of 10-minute values within ±10 %: 97.2 %, indicative, 2 days of 7"
    )
    assert wide.words() == (
        "all 10-minute values within 85 to 110 %: 100.0 %, indicative, 2 days of 7"
    )
    assert (narrow.verdict, wide.verdict) == (Verdict.WITHIN, Verdict.WITHIN)
    assert narrow.is_indicative


def test_a_whole_week_is_an_answer() -> None:
    week = filled(Quantity.VOLTAGE, [100.0] * 950 + [89.0] * 57)
    week.add(Quantity.VOLTAGE, 10.0, flagged=True)
    narrow, wide = supply_answers(supply("en-50160-lv"), week, 230)
    assert not narrow.is_indicative
    # 950 / 1007 = 94.34 %
    assert narrow.words() == "95 % of 10-minute values within ±10 %: 94.3 %, over 7 days"
    assert narrow.left_out_words() == (
        f"{narrow.n_values} of these {narrow.n_values + 1} values count, 1 is left out, as an "
        "event or a gap lay in it"
    )
    assert (narrow.verdict, wide.verdict) == (Verdict.BEYOND_LIMIT, Verdict.WITHIN)


def test_one_value_outside_is_never_all() -> None:
    weeks = filled(Quantity.VOLTAGE, [100.0] * 9999 + [80.0])
    _, wide = supply_answers(supply("en-50160-lv"), weeks, 230)
    assert wide.verdict is Verdict.BEYOND_LIMIT
    assert "more than 99.9 %" in wide.words()


def test_the_percentiles_of_each_side() -> None:
    # AS 61000.3.100 (from memory): 1st percentile at least 216 V, 99th at most 253 V
    rng = np.random.default_rng(8)
    values = rng.normal(104, 3.0, WEEK_VALUES).tolist()
    lower, upper = supply_answers(supply("au-supply-230"), filled(Quantity.VOLTAGE, values), 230)
    for answer, kept in (
        (lower, np.percentile(values, 1) >= 94),
        (upper, np.percentile(values, 99) <= 110),
    ):
        assert answer.verdict is (Verdict.WITHIN if kept else Verdict.BEYOND_LIMIT)
    assert {lower.verdict, upper.verdict} == {Verdict.WITHIN, Verdict.BEYOND_LIMIT}


def test_levels_in_volts_and_two_classes() -> None:
    # PRODIST module 8, 127 V: 117 to 133 V adequate, 110 to 135 V not critical
    rules = supply_rules(supply("br-supply-127"), 127)
    assert rules == (
        SupplyRule(Quantity.VOLTAGE, 100 * 117 / 127, 100 * 133 / 127, 97),
        SupplyRule(Quantity.VOLTAGE, 100 * 110 / 127, 100 * 135 / 127, 99.5),
    )


def test_a_law_without_a_period_is_always_indicative() -> None:
    (answer,) = supply_answers(supply("uk-supply-230"), two_days(), 230)
    assert answer.words() == (
        "all 10-minute values within 94 to 110 %: 97.2 %, indicative, over 2 days (the source "
        "names no period)"
    )
    assert answer.verdict is Verdict.BEYOND_LIMIT


def test_distortion_of_a_week() -> None:
    statistics = filled(Quantity.DISTORTION, [3.0] * 960 + [9.0] * 48)
    (answer,) = supply_answers(supply("ieee-519-lv"), statistics, 480)
    # 960 / 1008 = 95.24 %
    assert answer.words() == (
        "95 % of 10-minute values of distortion up to 8 %: 95.2 %, over 7 days"
    )
    assert answer.verdict is Verdict.WITHIN


def test_every_quantity_of_a_contract() -> None:
    contract = SupplyProfile.model_validate(
        {"id": "contract", "kind": "supply", "title": "c", "source": "a test",
         "frequency": {"down_to_hz": 49.5, "up_to_hz": 50.5, "share_pct": 99.5},
         "unbalance": {"up_to_pct": 2}, "flicker": {"pst": 1},
         "averaging": {"interval_s": 600, "period_s": WEEK_S, "share_pct": 95}}
    )  # fmt: skip
    statistics = filled(Quantity.FREQUENCY, [50.0] * 8639 + [49.4])
    statistics.add(Quantity.FLICKER, 1.2)
    frequency, unbalance, flicker = supply_answers(contract, statistics, 230)
    assert frequency.words() == (
        "99.5 % of 10-second values of frequency within 49.5 to 50.5 Hz: more than 99.9 %, "
        "indicative, 1 day of 7"
    )
    assert unbalance.words() == "95 % of 10-minute values of unbalance up to 2 %: no values"
    assert (unbalance.verdict, flicker.verdict) == (None, Verdict.BEYOND_LIMIT)
    assert flicker.words().endswith("up to 1: 0.0 %, indicative, 10 min 00 s of 7 days")


def test_covered_time_counts_flagged_values() -> None:
    rule = SupplyRule(Quantity.VOLTAGE, 90, 110, 95)
    answer = SupplyAnswer(rule, 100.0, 1000, 8, WEEK_S)
    assert answer.covered_s == WEEK_S
    assert not answer.is_indicative
