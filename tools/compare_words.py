"""What two watches show, in sentences: which question was asked, and the answer."""

from collections import Counter

from daemon.judge import is_serious
from daemon.page.words import duration_words, kind_words
from tools.comparison import Side, Simultaneous, common_s
from tools.intervals import same_rate_probability, share_interval
from tools.probability import probability_words
from tools.site import find_site
from tools.text import local_words, plural

UNLIKELY = 0.05


def question_words(a: Side, b: Side, relation: str, *, is_at_once: bool) -> list[str]:
    """How the two were taken, when they watched, and what speaks against it.

    :param relation: as the option `--as` says it.
    """
    why = f"as --as {relation} says"
    if relation == "auto":
        why = f"as they watched at {'the same time' if is_at_once else 'different times'}"
    taken = "the input, B the output" if is_at_once else "before, B after"
    found = [f"A is taken for {taken}, {why}. A: {_dates(a)}. B: {_dates(b)}."]
    shared_s = common_s(a, b)
    if not is_at_once and shared_s > 0:
        found.append(
            f"Careful: both watched at the same time for {duration_words(round(shared_s))}; an "
            "input and an output are compared with --as in-out."
        )
    if not is_at_once and a.coverage.since_utc_s > b.coverage.since_utc_s:
        found.append("Careful: A was watched later than B; name the earlier watch first.")
    return found


def _dates(side: Side) -> str:
    zone, coverage = find_site(side.archive).zone, side.coverage
    since, until = coverage.since_utc_s, coverage.until_utc_s
    return f"{local_words(since, zone)} to {local_words(until, zone)}"


def left_out_words(a: Side, b: Side) -> list[str]:
    """The events of other kinds, which are not compared."""
    parts = [
        f"{name} {', '.join(f'{n} {kind_words(kind)}' for kind, n in Counter(kinds).items())}"
        for name, kinds in (("at A", a.left_out), ("at B", b.left_out))
        if kinds
    ]
    if not parts:
        return []
    return [f"Not compared, as they are no single events of voltage: {'; '.join(parts)}."]


def work_words(found: Simultaneous, a: Side) -> str:
    """Whether a conditioner does its work: the answer first."""
    bad_at_a = [one for one in found.travelled if is_serious(one.at_a.verdict)]
    bad_at_b = [one for one in found.travelled if one.at_b and is_serious(one.at_b.verdict)]
    n_worse = sum(not is_serious(one.at_a.verdict) for one in bad_at_b)
    n_added = sum(is_serious(one.verdict) for one in found.added)
    more = _more_words(n_worse, n_added)
    if not bad_at_a and more:
        return f"In the common time no event at A passed the limit, but at B.{more}"
    if not bad_at_a:
        return (
            "No event at A passed the limit in the common time: whether it does its work, this "
            "watch cannot say."
        )
    n_serious, kept = len(bad_at_a), len(bad_at_a) - len(bad_at_b) + n_worse
    low, high = share_interval(kept, n_serious)
    verb = "was" if kept == 1 else "were"
    return (
        f"Of {plural(n_serious, 'event')} at A that passed the limit (compared with {a.profile}), "
        f"{kept} {verb} kept from B or brought within it ({100 * kept / n_serious:.0f} %, 95 % "
        f"interval {100 * low:.0f} to {100 * high:.0f} %).{more}"
    )


def _more_words(n_worse: int, n_added: int) -> str:
    worse = f" {plural(n_worse, 'event')} within it at A passed the limit at B: made worse."
    added = f" {plural(n_added, 'event')} that passed the limit came in addition."
    return (worse if n_worse else "") + (added if n_added else "")


def change_words(a: Side, b: Side) -> str:
    """Whether there were more or fewer events that passed the limit: the answer first."""
    before, after = (sum(is_serious(one.verdict) for one in side.occurrences) for side in (a, b))
    first_s, second_s = a.coverage.watched_s, b.coverage.watched_s
    if not before and not after:
        return "No difference is shown: no event passed the limit, at A or at B."
    probability = same_rate_probability(before, first_s, after, second_s)
    chance, test = probability_words(probability), "(exact test of two counts)"
    if probability > UNLIKELY:
        return (
            f"No difference is shown: {before} at A and {after} at B passed the limit. Were "
            f"nothing changed, counts would differ as much or more in {chance} of such pairs "
            f"{test}."
        )
    change = "fewer" if after / second_s < before / first_s else "more"
    where = "Since then" if a.coverage.since_utc_s <= b.coverage.since_utc_s else "At B"
    return f"{where} there are {change} events that pass the limit; by chance {chance} {test}."
