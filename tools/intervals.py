"""How far counts and shares can be trusted: exact and closed forms, without scipy.

95 % intervals: Garwood's for a Poisson count, Wilson's for a share; the exact conditional test for
two counts over two times (Przyborowski and Wilenski 1940).
"""

import math
from collections.abc import Callable

TAIL = 0.025
Z = 1.959963984540054  # the 97.5 % point of the normal distribution


def count_interval(count: int) -> tuple[float, float]:
    """The means for which a Poisson count as small, or as large, is as rare as 2.5 %."""
    low = 0.0
    if count:
        low = _solve(lambda mean: 1 - _poisson_up_to(count - 1, mean) - TAIL, float(count))
    return low, _solve(lambda mean: TAIL - _poisson_up_to(count, mean), 2.0 * count + 20.0)


def _poisson_up_to(count: int, mean: float) -> float:
    if mean <= 0:
        return 1.0
    logs = (k * math.log(mean) - mean - math.lgamma(k + 1) for k in range(count + 1))
    return min(math.fsum(math.exp(value) for value in logs), 1.0)


def _solve(rising: Callable[[float], float], high: float) -> float:
    """Where a rising function passes zero, between 0 and some end not below `high`."""
    low = 0.0
    while rising(high) < 0:
        high *= 2
    for _ in range(100):
        middle = (low + high) / 2
        low, high = (middle, high) if rising(middle) < 0 else (low, middle)
    return (low + high) / 2


def share_interval(count: int, whole: int) -> tuple[float, float]:
    """Wilson's interval of a share."""
    share = count / whole
    divisor = 1 + Z * Z / whole
    centre = (share + Z * Z / (2 * whole)) / divisor
    half = Z / divisor * math.sqrt(share * (1 - share) / whole + (Z / (2 * whole)) ** 2)
    return max(centre - half, 0.0), min(centre + half, 1.0)


def same_rate_probability(first: int, first_s: float, second: int, second_s: float) -> float:
    """How likely counts at least as unlike are when both had the same rate; two-sided, exact."""
    whole = first + second
    share = first_s / (first_s + second_s)
    odds = [math.comb(whole, k) * share**k * (1 - share) ** (whole - k) for k in range(whole + 1)]
    return min(math.fsum(one for one in odds if one <= odds[first] * (1 + 1e-7)), 1.0)
