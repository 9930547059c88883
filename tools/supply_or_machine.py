"""The question behind a log of failures, answered in words: the supply, the machine, or unknown.

Our own rule: matches count for the supply where chance gives as many in 5 % of all shifts at most.
"""

from bisect import bisect_left
from collections.abc import Sequence
from enum import StrEnum

from daemon.page.words import duration_words
from tools.correlation import Correlation, Occurrence
from tools.probability import probability_words
from tools.text import plural

UNLIKELY = 0.05
BLIND_SPOTS = "at what this watch could not see"


class Answer(StrEnum):
    """What the failures point to."""

    SUPPLY = "supply"
    BOTH = "supply for some, machine for others"
    MACHINE = "machine"
    OPEN = "cannot say"


def find_answer(found: Correlation) -> Answer:
    """What the matches and their chance point to; a likely difference of clocks leaves it open."""
    if not found.failures or found.offset is not None or not _can_judge(found):
        return Answer.OPEN
    if not found.pairs:
        return Answer.MACHINE
    if found.chance.probability > UNLIKELY:
        return Answer.OPEN
    return Answer.BOTH if found.unmatched_failures else Answer.SUPPLY


def _can_judge(found: Correlation) -> bool:
    """Whether there were limits: nothing passed may also mean that nothing was judged."""
    return bool(found.occurrences or not found.unjudged)


def answer_words(found: Correlation) -> str:
    """The answer in one or two sentences."""
    return " ".join(answer_sentences(found))


def answer_sentences(found: Correlation) -> tuple[str, ...]:
    """The same, apart: the first can stand alone."""
    answer = find_answer(found)
    if answer is Answer.OPEN:
        why = _why_open(found)
        return (f"Whether the supply or the machine is to blame cannot be said: {why}.",)
    n_all, n_matched = len(found.failures), len(found.pairs)
    near = f"within {duration_words(found.window_s)} of a disturbance that passed the limit"
    if answer is Answer.MACHINE:
        return (
            f"This watch does not point to the supply: none of {plural(n_all, 'failure')} came "
            f"{near}.",
            f"Look at the machine first, and {BLIND_SPOTS}.",
        )
    which = f"{n_matched} of {plural(n_all, 'failure')}"
    if answer is Answer.SUPPLY:
        which = "the failure" if n_all == 1 else f"all {n_all} failures"
    supply = (
        f"The supply is the likely cause of {which}: {'it' if n_matched == 1 else 'they'} came "
        f"{near} (by chance {probability_words(found.chance.probability)})."
    )
    n_rest = n_all - n_matched
    rest = "the other one" if n_rest == 1 else f"the other {n_rest}"
    return (supply, f"For {rest} look at the machine first, and {BLIND_SPOTS}.")[: 1 + (n_rest > 0)]


def _why_open(found: Correlation) -> str:
    if not found.failures:
        return "no failure lies in the watched time"
    if found.offset is not None:
        return "the clocks seem to differ, which has to be settled first"
    if not _can_judge(found):
        return "events were kept, and the profile judges none of them as passing a limit"
    return (
        f"{len(found.pairs)} of {plural(len(found.failures), 'failure')} came near a disturbance "
        f"that passed the limit, and by chance as many do in "
        f"{probability_words(found.chance.probability)} of all cases"
    )


def sensitive_words(found: Correlation, others: Sequence[Occurrence]) -> str:
    """Failures near an event that passed no limit: the machine may bear less than the profile says.

    :param others: the disturbances that are within their limit, or not judged.
    """
    if found.offset is not None:  # what is near which is not known yet
        return ""
    moments = sorted(one.utc_s for one in found.unmatched_failures)
    near = []
    for one in others:
        place = bisect_left(moments, one.span[0] - found.window_s)
        if place < len(moments) and moments[place] <= one.span[1] + found.window_s:
            near.append(one.worst.id)
    if not near:
        return ""
    what = "event" if len(near) == 1 else "events"
    numbers = ", ".join(map(str, near[:5])) + (" and more" if len(near) > 5 else "")
    return (
        f"A failure did come within {duration_words(found.window_s)} of {what} {numbers}, which "
        "passed no limit or is not judged: the machine may bear less than the profile says."
    )
