"""A line that begins with a time and goes on in words, as logs of computers have it. Pure."""

import re

from tools.failure_times import LETTERS, read_stamp

_BRACKETED = re.compile(r"(\[[^\]]+\])[:\s]*(.*)")
_WEEKDAY = re.compile(r"(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*,?", re.IGNORECASE)
_YEAR = re.compile(r"\d{4}")
_ENDING = re.compile(
    r"[+-]\d{2}:?\d{2}|Z|UTC|GMT|[A-Z][a-z]+/\S+|(?i:[ap]\.?m\.?)"
    rf"|\(?(?:{'|'.join(LETTERS).upper()})\)?"
)
"""What may belong to the time before it. Letters of a zone in capitals only: `ist` is a word."""
_CELL_ENDING = re.compile(rf"(?![+-]\d{{4}}$)(?:{_ENDING.pattern})")
_DOUBTFUL = re.compile(
    r"[+-]\d|\(?[A-Z]{2,5}\)?\s*(?:[;,|]|$)|[A-Z]{2,5}[+-]\d"
    r"|(?i:[\[(]?(?:utc|gmt)\b|[ap]\.? ?m\.(?:\s|$)|(?:vor|nach)m(?:\.|ittags?\b))"
)
"""What may be a zone or a half of the day in another spelling: no word to leave aside."""
_LATE_YEAR = re.compile(r"(?:19|20)\d{2}\b")
MOST_WORDS = 6  # of a time: weekday, month, day, clock, zone, year


def split_line(text: str) -> tuple[str, str] | None:
    """The time a line begins with, and the words after it; None where there is none, or a doubt.

    >>> split_line("Nov 25 08:15:33 press-2 kernel: restart")
    ('Nov 25 08:15:33', 'press-2 kernel: restart')
    """
    bracketed = _BRACKETED.fullmatch(text)
    if bracketed is not None:
        return None if read_stamp(bracketed[1]) is None else (bracketed[1], bracketed[2])
    words = text.split()
    n_words = next((n for n in range(1, MOST_WORDS) if _is_stamp(words, n)), 0)
    while n_words and _goes_on(words, n_words):
        n_words += 1
    rest = " ".join(words[n_words:])
    if not n_words or _DOUBTFUL.match(rest):
        return None
    stamp = read_stamp(_joined(words, n_words))
    if stamp is None or (stamp.lacks_year and _LATE_YEAR.match(rest)):
        return None
    return _joined(words, n_words), rest.lstrip("-: ")


def is_ending(cell: str) -> bool:
    """Whether a cell beside a time belongs to it: a half of the day, or a zone."""
    return _CELL_ENDING.fullmatch(cell) is not None


def _joined(words: list[str], n_words: int) -> str:
    return " ".join(words[:n_words]).rstrip(":,;")


def _is_stamp(words: list[str], n_words: int) -> bool:
    return read_stamp(_joined(words, n_words)) is not None


def _goes_on(words: list[str], n_words: int) -> bool:
    """Whether the next word belongs to the time: a zone, a half of the day, the year at its end."""
    if n_words >= len(words) or not _is_stamp(words, n_words + 1):
        return False
    following = words[n_words].rstrip(":,;")
    is_year = _YEAR.fullmatch(following) and _WEEKDAY.fullmatch(words[0])
    return bool(is_year or _ENDING.fullmatch(following))
