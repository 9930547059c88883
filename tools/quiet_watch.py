"""How little it proves that a watch saw no disturbance.

Our own rule: it proves little where less than a week was watched, as loads keep to the days of the
week (5 % of it may be missing), and fewer than five failures lay in it: if the supply were behind
every second failure, it would be behind none of five in 3 % of all cases.
"""

import math

from daemon.page.words import duration_words
from tools.text import plural

WEEK_S = 7 * 86_400.0
LEAST_S = 0.95 * WEEK_S
ENOUGH_FAILURES = 5
RARE = 0.05


def is_short(watched_s: float, n_failures: int = 0) -> bool:
    """Whether the supply cannot be cleared by a watch without a disturbance, or without a match.

    :param n_failures: that lay in it, none of them near a disturbance.
    """
    return watched_s < LEAST_S and n_failures < ENOUGH_FAILURES


def short_words(watched_s: float, n_failures: int) -> str:
    """That a watch is too short to clear the supply of failures; empty where it is not."""
    if not is_short(watched_s, n_failures):
        return ""
    return (
        f"No match in a watch of this length proves little: only {duration_words(watched_s)} were "
        f"watched, with {plural(n_failures, 'failure')} in it; our own rule asks for a week, or "
        f"for {ENOUGH_FAILURES} failures."
    )


def quiet_words(watched_s: float) -> str:
    """What no disturbance in such a time may say of the supply."""
    said = (
        f"A supply that passes the limit once in {duration_words(usual_s(watched_s))} in the mean "
        f"does not pass it for so long in {100 * RARE:.0f} % of all cases."
    )
    if not is_short(watched_s):
        return said
    return (
        f"Only {duration_words(watched_s)} were watched: a quiet watch of this length proves "
        f"little (our own rule asks for a week). {said}"
    )


def usual_s(watched_s: float) -> float:
    """The mean time between disturbances that come at random, of which none comes in `watched_s`
    in 5 % of all cases: exp(-watched / mean) = 0.05 (Poisson; "rule of three").
    """
    return watched_s / -math.log(RARE)
