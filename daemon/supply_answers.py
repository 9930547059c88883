"""Statistics compared with a supply profile: the share of the values within its limits."""

import math
from dataclasses import dataclass

from daemon.page.words import duration_words
from daemon.records import Verdict
from daemon.supply_statistics import Quantity, SupplyStatistics
from daemon.tolerance import SupplyProfile
from daemon.tolerance_steps import Over, Under

DAY_S = 86400
INTERVAL_S = dict.fromkeys(Quantity, 600) | {Quantity.FREQUENCY: 10}
_UNITS = {
    Quantity.VOLTAGE: " %", Quantity.FREQUENCY: " Hz", Quantity.DISTORTION: " %",
    Quantity.UNBALANCE: " %", Quantity.FLICKER: "",
}  # fmt: skip
ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class SupplyRule:
    """`needed_pct` of the values of a quantity lie from `low` to `high` (None: no limit there)."""

    quantity: Quantity
    low: float | None
    high: float | None
    needed_pct: float


@dataclass(frozen=True, slots=True)
class SupplyAnswer:
    """What was found for one rule."""

    rule: SupplyRule
    share_pct: float | None  # None: no values
    n_values: int
    n_flagged: int
    period_s: float | None  # the standard's; None where it names none

    @property
    def covered_s(self) -> float:
        """How much time the values stand for, flagged ones included."""
        return (self.n_values + self.n_flagged) * float(INTERVAL_S[self.rule.quantity])

    @property
    def is_indicative(self) -> bool:
        """Whether less was seen than the standard asks for, or it does not say how much."""
        return self.period_s is None or self.covered_s < self.period_s

    @property
    def verdict(self) -> Verdict | None:
        """Within or beyond, for the time that was seen."""
        if self.share_pct is None:
            return None
        is_kept = self.share_pct >= self.rule.needed_pct - 100 * ROUNDING
        return Verdict.WITHIN if is_kept else Verdict.BEYOND_LIMIT

    def words(self) -> str:
        """`95 % of 10-minute values within ±10 %: 97.2 %, indicative, 2 days of 7`."""
        needed_pct, quantity = self.rule.needed_pct, self.rule.quantity
        share = "all" if needed_pct == 100 else f"{needed_pct:g} % of"
        interval = "10-second" if quantity is Quantity.FREQUENCY else "10-minute"
        noun = "" if quantity is Quantity.VOLTAGE else f" of {quantity}"
        head = f"{share} {interval} values{noun} {_range_words(self.rule)}"
        if self.share_pct is None:
            return f"{head}: no values"
        return f"{head}: {_share_words(self.share_pct)}, {self._time_words()}"

    def left_out_words(self) -> str:
        """`97 of these 107 values count, 10 are left out: ...`; empty where none is left out."""
        if not self.n_flagged:
            return ""
        n_whole = self.n_values + self.n_flagged
        rest = "1 is left out, as an event or a gap lay in it"
        if self.n_flagged > 1:
            rest = f"{self.n_flagged} are left out, as an event or a gap lay in them"
        return f"{self.n_values} of these {n_whole} values count, {rest}"

    def _time_words(self) -> str:
        is_short = self.covered_s < DAY_S
        number = f"{self.covered_s / DAY_S:.3g}"
        days = f"{number} {'day' if number == '1' else 'days'}"
        seen = duration_words(self.covered_s) if is_short else days
        if self.period_s is None:
            return f"indicative, over {seen} (the source names no period)"
        if not self.is_indicative:
            return f"over {days}"
        whole = f"{self.period_s / DAY_S:g}"
        return f"indicative, {seen} of {whole}{' days' if is_short else ''}"


def supply_rules(profile: SupplyProfile, nominal_v: float) -> tuple[SupplyRule, ...]:
    """What the profile asks of the statistics; single harmonics are not counted and not asked."""
    rules = [*_voltage_rules(profile, nominal_v)]
    distortion, frequency = profile.distortion, profile.frequency
    if distortion and distortion.thd_pct:
        share_pct = profile.share_pct(distortion.share_pct)
        rules.append(SupplyRule(Quantity.DISTORTION, None, distortion.thd_pct, share_pct))
    if frequency:
        share_pct = profile.share_pct(frequency.share_pct)
        low, high = frequency.down_to_hz, frequency.up_to_hz
        rules.append(SupplyRule(Quantity.FREQUENCY, low, high, share_pct))
    if profile.unbalance:
        share_pct = profile.share_pct(profile.unbalance.share_pct)
        rules.append(SupplyRule(Quantity.UNBALANCE, None, profile.unbalance.up_to_pct, share_pct))
    if profile.flicker:
        share_pct = profile.share_pct(profile.flicker.share_pct)
        rules.append(SupplyRule(Quantity.FLICKER, None, profile.flicker.pst, share_pct))
    return tuple(rules)


def _voltage_rules(profile: SupplyProfile, nominal_v: float) -> list[SupplyRule]:
    """One rule for each share; a limit for a larger share holds for a smaller one too."""
    under = [
        (_percent(step, nominal_v), profile.share_pct(step.share_pct))
        for step in profile.under
        if math.isinf(step.time_s(50))
    ]
    over = [
        (_percent(step, nominal_v), profile.share_pct(step.share_pct))
        for step in profile.over
        if math.isinf(step.time_s(50))
    ]
    voltage = Quantity.VOLTAGE
    if profile.averaging and profile.averaging.each_side:
        lower = [SupplyRule(voltage, level, None, share) for level, share in under]
        return lower + [SupplyRule(voltage, None, level, share) for level, share in over]
    rules = []
    for wanted in sorted({share for _, share in (*under, *over)}):
        low = max((level for level, share in under if share >= wanted), default=None)
        high = min((level for level, share in over if share >= wanted), default=None)
        rules.append(SupplyRule(voltage, low, high, wanted))
    return rules


def _percent(step: Under | Over, nominal_v: float) -> float:
    level, unit = step.level
    return level if unit == "%" else 100 * level / nominal_v


def supply_answers(
    profile: SupplyProfile, statistics: SupplyStatistics, nominal_v: float
) -> tuple[SupplyAnswer, ...]:
    """The statistics compared with every rule of the profile.

    :param statistics: of the days that count, at best the standard's period and no more.
    """
    period_s = profile.averaging.period_s if profile.averaging else None
    answers = []
    for rule in supply_rules(profile, nominal_v):
        histogram = statistics.of(rule.quantity)
        share_pct = histogram.share_within_pct(rule.low, rule.high)
        answers.append(
            SupplyAnswer(rule, share_pct, histogram.n_values, histogram.n_flagged, period_s)
        )
    return tuple(answers)


def _range_words(rule: SupplyRule) -> str:
    unit = _UNITS[rule.quantity]
    if rule.low is None:
        return f"up to {rule.high:.4g}{unit}"
    if rule.high is None:
        return f"down to {rule.low:.4g}{unit}"
    is_voltage = rule.quantity is Quantity.VOLTAGE
    if is_voltage and math.isclose(100 - rule.low, rule.high - 100, rel_tol=1e-6):
        return f"within ±{rule.high - 100:.4g} %"
    return f"within {rule.low:.4g} to {rule.high:.4g}{unit}"


def _share_words(share_pct: float) -> str:
    """One decimal, and never 100 % where a value was outside."""
    return f"{share_pct:.1f} %" if share_pct < 99.95 or share_pct == 100 else "more than 99.9 %"
