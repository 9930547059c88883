"""The question behind a log of failures, answered in words: the supply, the machine, or unknown.

Our own rule: matches count for the supply where chance gives as many in 5 % of all shifts at most.
"""

from collections.abc import Sequence
from enum import StrEnum

from tools.correlation import Correlation, Occurrence
from tools.lag_words import window_words
from tools.probability import probability_words
from tools.quiet_watch import short_words
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
    if found.is_too_coarse and found.unmatched_failures:
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
    """The answer in one or two sentences, beside one that tells which failures were not watched."""
    aside = unwatched_words(found)
    return " ".join(one for one in answer_sentences(found) if one != aside)


def answer_sentences(found: Correlation) -> tuple[str, ...]:
    """The same, apart: the first can stand alone."""
    answer, aside = find_answer(found), unwatched_words(found)
    if answer is Answer.OPEN:
        said = [
            f"Whether the supply or the machine is to blame cannot be said: {_why_open(found)}."
        ]
    elif answer is Answer.MACHINE:
        said = _machine_sentences(found)
    else:
        said = _supply_sentences(found)
    return tuple(filter(None, (said[0], aside if found.failures else "", *said[1:])))


def unwatched_words(found: Correlation) -> str:
    """How many failures nothing can be said of; else empty."""
    n_aside = len(found.unwatched)
    if not n_aside:
        return ""
    verb, them = ("lies", "it") if n_aside == 1 else ("lie", "them")
    which = f"Of {found.n_all} failures {n_aside}" if found.n_all > n_aside else "Every failure"
    return f"{which} {verb} in time that was not watched: nothing can be said of {them}."


def _near_limit(found: Correlation) -> str:
    return f"{found.near_words} a disturbance that passed the limit"


def _none_came(found: Correlation) -> str:
    n_seen = len(found.failures)
    if n_seen == 1:
        return (
            "the failure did not come" if found.n_all == 1 else "the one that was seen did not come"
        )
    which = " that were seen" if found.unwatched else ""
    return f"none of {n_seen} failures{which} came"


def _machine_sentences(found: Correlation) -> list[str]:
    short = short_words(found.watched_s, len(found.failures))
    doubt = ", nor away from it" if short else ""
    return [
        f"This watch does not point to the supply{doubt}: {_none_came(found)} "
        f"{_near_limit(found)}.",
        short,
        f"Watch on, and look at the machine and {BLIND_SPOTS}."
        if short
        else f"Look at the machine first, and {BLIND_SPOTS}.",
    ]


def _supply_sentences(found: Correlation) -> list[str]:
    n_matched, n_rest = len(found.pairs), len(found.unmatched_failures)
    supply = (
        f"The supply is the likely cause of {_which(n_matched, found.n_all)}: "
        f"{'it' if n_matched == 1 else 'they'} came {_near_limit(found)} "
        f"(by chance {probability_words(found.chance.probability)})."
    )
    if not n_rest:
        return [supply]
    rest = "the other one" if n_rest == 1 else f"the other {n_rest}"
    if found.unwatched:
        rest = f"the {plural(n_rest, 'failure')} left" if n_rest > 1 else "the failure left"
    return [supply, f"For {rest} look at the machine first, and {BLIND_SPOTS}."]


def _which(n_some: int, n_all: int) -> str:
    if n_some < n_all:
        return f"{n_some} of {n_all} failures"
    return all_words(n_all)


def all_words(n_all: int) -> str:
    """`the failure`, `both failures`, `all 3 failures`."""
    return {1: "the failure", 2: "both failures"}.get(n_all, f"all {n_all} failures")


def _why_open(found: Correlation) -> str:
    if not found.failures:
        n_all = found.n_all
        which = f"{all_words(n_all)} {'lies' if n_all == 1 else 'lie'}"
        return (
            f"{which} in time that was not watched" if n_all else "there is no failure in the log"
        )
    if found.offset is not None:
        return "the clocks seem to differ, which has to be settled first"
    if not _can_judge(found):
        return "events were kept, and the profile judges none of them as passing a limit"
    if found.is_too_coarse and found.unmatched_failures:
        return (
            "the failures' times are whole minutes, too coarse for a window of "
            f"{window_words(found.window_s)}"
        )
    return (
        f"{_which(len(found.pairs), found.n_all)} came near a disturbance "
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
    near = [one.worst.id for one in others if found.is_near(one.span, moments)]
    if not near:
        return ""
    what = "event" if len(near) == 1 else "events"
    numbers = ", ".join(map(str, near[:5])) + (" and more" if len(near) > 5 else "")
    return (
        f"A failure did come {found.near_words} {what} {numbers}, which "
        "passed no limit or is not judged: the machine may bear less than the profile says."
    )
