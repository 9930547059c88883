"""What two watches show, in sentences: which question was asked, and the answer."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from daemon.judge import is_serious
from daemon.page.words import duration_words, kind_words, what_words
from tools.clocks import ClockDifference
from tools.comparison import Side, Simultaneous, common_s
from tools.correlation import Occurrence
from tools.intervals import same_rate_probability, share_interval
from tools.probability import probability_words
from tools.site import find_site
from tools.text import local_words, plural

UNLIKELY = 0.05
HALF = 0.5
LEAST_OFFSET_S = 0.001


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


def clock_doubt_words(found: Simultaneous) -> list[str]:
    """To be said first: what looks removed and added may be the same, by clocks that differ."""
    if found.twins is None:
        return []
    shift_s, numbers = found.twins.shift_s, found.twins.numbers
    first = found.removed[numbers[0][0]].worst
    more = f", and {len(numbers) - 1} more like it" if len(numbers) > 1 else ""
    window_s = math.ceil(abs(shift_s) + 0.5)
    return [
        f"Careful, the clocks of A and B may differ by {abs(shift_s):.2f} s: what A alone saw "
        f"({what_words(first, None)}{more}) B alone saw {abs(shift_s):.2f} s "
        f"{'later' if shift_s > 0 else 'earlier'}. If so, it was not removed, and the answer is "
        f"another one: ask again with --window {window_s}s."
    ]


def clock_words(clocks: ClockDifference) -> list[str]:
    """Which difference of the clocks was taken out, and what it rests on."""
    if abs(clocks.offset_s) < LEAST_OFFSET_S:
        return []
    side = "ahead of" if clocks.offset_s > 0 else "behind"
    text = f"The clock of B was taken to be {abs(clocks.offset_s):.2f} s {side} that of A"
    pairs = plural(clocks.n_agreeing, "pair")
    if clocks.probability is None:
        return [f"{text}, by {pairs} of events."]
    chance = probability_words(clocks.probability)
    return [f"{text}: {pairs} of events agree on it, which chance does in at most {chance}."]


@dataclass(frozen=True, slots=True)
class _Counts:
    """Disturbances that passed the limit."""

    at_a: int
    kept: int  # of those: not at B, or within the limit there
    made_worse: int  # within it at A
    added: int  # at B alone

    @property
    def share(self) -> tuple[float, float]:
        """95 % interval of the share that was kept."""
        return share_interval(self.kept, self.at_a) if self.at_a else (0.0, 1.0)


def _counts(found: Simultaneous) -> _Counts:
    ways = Counter(
        (is_serious(one.at_a.verdict), one.at_b is not None and is_serious(one.at_b.verdict))
        for one in found.travelled
    )
    return _Counts(
        at_a=ways[True, False] + ways[True, True],
        kept=ways[True, False],
        made_worse=ways[False, True],
        added=sum(is_serious(one.verdict) for one in found.added),
    )


def work_words(found: Simultaneous, a: Side) -> str:
    """Whether a conditioner does its work: yes, no, or not yet, and then the counts."""
    question = "Does it do its work?"
    if are_unjudged([*(one.at_a for one in found.travelled), *found.added]):
        return f"{question} Cannot be said yet: no event was judged."
    counts = _counts(found)
    answer = "Cannot be said yet" if found.twins else _answer(counts)
    return f"{question} {answer}. {_count_words(counts, a)}"


def are_unjudged(occurrences: Sequence[Occurrence]) -> bool:
    """Whether there are disturbances, and not one of them has a verdict."""
    return bool(occurrences) and all(one.verdict is None for one in occurrences)


def _answer(counts: _Counts) -> str:
    """Our own rule. No: more came in than was kept, or the interval lies below half.

    Yes: the interval of the share that was kept lies above half, and nothing came in.
    """
    n_new, (low, high) = counts.made_worse + counts.added, counts.share
    if n_new > counts.kept or high < HALF:
        return "No"
    if low > HALF:
        return "Mostly" if n_new else "Yes"
    return "Cannot be said yet"


def _count_words(counts: _Counts, a: Side) -> str:
    more = _more_words(counts.made_worse, counts.added)
    if not counts.at_a and more:
        return f"In the common time no event at A passed the limit, but at B.{more}"
    if not counts.at_a:
        return (
            "No event at A passed the limit in the common time: so this watch does not show what "
            "it would have done."
        )
    low, high = counts.share
    verb = "was" if counts.kept == 1 else "were"
    return (
        f"Of {plural(counts.at_a, 'event')} at A that passed the limit (compared with "
        f"{a.profile}), {counts.kept} {verb} kept from B or brought within it "
        f"({100 * counts.kept / counts.at_a:.0f} %, 95 % interval {100 * low:.0f} to "
        f"{100 * high:.0f} %).{more}"
    )


def _more_words(n_worse: int, n_added: int) -> str:
    worse = f" {plural(n_worse, 'event')} within it at A passed the limit at B: made worse."
    added = f" {plural(n_added, 'event')} that passed the limit came in addition."
    return (worse if n_worse else "") + (added if n_added else "")


def change_words(a: Side, b: Side) -> str:
    """Whether it is better at B: yes, no, or not yet, and then the counts."""
    before, after = (sum(is_serious(one.verdict) for one in side.occurrences) for side in (a, b))
    first_s, second_s = a.coverage.watched_s, b.coverage.watched_s
    question = "Is it better at B?"
    if are_unjudged([*a.occurrences, *b.occurrences]):
        return f"{question} Cannot be said yet: no event was judged."
    if not before and not after:
        return f"{question} Cannot be said yet: no event passed the limit, at A or at B."
    probability = same_rate_probability(before, first_s, after, second_s)
    chance, test = probability_words(probability), "(exact test of two counts)"
    if probability > UNLIKELY:
        return (
            f"{question} Cannot be said yet: {before} at A and {after} at B passed the limit. "
            f"Were nothing changed, counts would differ as much or more in {chance} of such "
            f"pairs {test}."
        )
    answer = "Yes, fewer" if after / second_s < before / first_s else "No, more"
    return (
        f"{question} {answer} events pass the limit: {before} at A and {after} at B. Were nothing "
        f"changed, counts would differ as much or more in {chance} of such pairs {test}."
    )
