"""Whether what is said of the isolation says that there is any."""

import re

_NO_ANSWER = frozenset(
    ("", "na", "no", "no idea", "none", "not isolated", "not known", "not stated", "nothing")
) | {"tba", "tbd", "todo", "unisolated", "unknown", "unrated", "without", "not rated"}
_NO_BEGINNING = re.compile(r"(?:none|no isolation|no barrier|unknown|not isolated|not known)\b")
UNKNOWN = (
    "the configuration names no isolation: until a qualified electrician has found a rated, "
    "certified barrier, count the converter board, the computer and all that is plugged into it as "
    "live"
)


def is_unstated(text: str) -> bool:
    """Whether a barrier or its rating is given as `none`, `unknown`, `...` and the like.

    A word that is not in this list counts as a statement: what it says is for a person to judge.
    """
    plain = re.sub(r"[^\w\s]", "", text.casefold())
    words = " ".join(plain.split())
    return words in _NO_ANSWER or _NO_BEGINNING.match(words) is not None
