"""Whether two watches may be held against each other at all, and with what caution."""

from daemon.errors import InputError
from daemon.page.words import duration_words
from tools.comparison import Side
from tools.verdicts import Supply, known_supplies

DAY_S, WEEK_S = 86_400.0, 604_800.0
SHORTEST_RATE_S = 3600.0  # of a shorter watch nothing is said of a week
UNLIKE = 10.0  # one watch so many times as long as the other
_CAPTURED = {
    "dip_pct": ("dips below", "dips"),
    "swell_pct": ("swells above", "swells"),
    "transient_pct": ("transients above", "transients"),
}


def check_comparable(a: Side, b: Side) -> None:
    """:raises InputError: they watched supplies of another voltage or frequency."""
    one, other = _declared(a), _declared(b)
    if one and other and one != other:
        raise InputError(
            f"{a.path} watched a supply of {' and '.join(one)}, {b.path} one of "
            f"{' and '.join(other)}: their events cannot be compared"
        )


def _declared(side: Side) -> list[str]:
    supplies = known_supplies(side.archive).values()
    return sorted({f"{one.nominal_v:g} V, {one.frequency_hz:g} Hz" for one in supplies})


def caution_words(a: Side, b: Side, *, is_at_once: bool) -> list[str]:
    """What the reader has to know before he believes the figures.

    :param is_at_once: only the time that both watched is compared.
    """
    found = _thresholds_words(a, b)
    sides = (("A", a.coverage.basis), ("B", b.coverage.basis))
    found += [f"Of {name}, {basis}." for name, basis in sides if basis]
    if not is_at_once:
        found += _length_words(a.coverage.watched_s, b.coverage.watched_s)
    return found


def _thresholds_words(a: Side, b: Side) -> list[str]:
    found = []
    for key, (noun, plain) in _CAPTURED.items():
        at_a, at_b = _thresholds(a, key), _thresholds(b, key)
        if at_a and at_b and at_a != at_b:
            found.append(
                f"Careful: A kept {noun} {' and '.join(at_a)}, B {noun} {' and '.join(at_b)}. What "
                f"lies between was kept by one of them only, so {plain} are not comparable."
            )
    return found


def _thresholds(side: Side, key: str) -> list[str]:
    values = {_threshold(one, key) for one in known_supplies(side.archive).values()}
    return sorted("not at all" if value is None else f"{value:g} %" for value in values)


def _threshold(supply: Supply, key: str) -> float | None:
    value: float | None = getattr(supply, key)
    return value


def _length_words(first_s: float, second_s: float) -> list[str]:
    lengths = (
        f"A was watched for {duration_words(round(first_s))}, B for "
        f"{duration_words(round(second_s))}"
    )
    shorter_s, longer_s = sorted((first_s, second_s))
    if longer_s >= UNLIKE * shorter_s:
        return [f"Careful, indicative only: {lengths}. So short a watch says little of the other."]
    if shorter_s < DAY_S:
        return [f"Careful, indicative only: {lengths}. Less than a day is not any day."]
    return []


def rate_words(a: Side, b: Side) -> str:
    """How far rates a week can be trusted; empty where both watched for a week."""
    lengths_s = a.coverage.watched_s, b.coverage.watched_s
    if min(lengths_s) >= WEEK_S:
        return ""
    names = [name for name, watched_s in zip("AB", lengths_s, strict=True) if watched_s < WEEK_S]
    text = f"Rates a week are indicative: {' and '.join(names)} watched for less than a week."
    if min(lengths_s) < SHORTEST_RATE_S:
        text += " None is given of less than an hour."
    return text
