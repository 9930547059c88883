"""What is wrong with a time in the equipment's own log, in words."""

import re

_TIMED = re.compile(r"\b\d{1,2}:\d{2}|\b\d{1,4}[-/.]\d{1,2}[-/.]\d{2,4}\b")
"""What no heading holds: a line with it is meant as a time, even where it cannot be read."""
_SHORT_YEAR = re.compile(r"(?<!\d)\d{1,2}[-/.]\d{1,2}[-/.]\d{2}(?!\d)")
_ZONE_LETTERS = re.compile(r"\d\s*\(?(?P<zone>[a-z]{2,5})\)?$", re.IGNORECASE)
LOOKS = "Times look like 2026-11-25T08:15:33+01:00, 25.11.2026 08:15:33 or 11/25/2026 8:15:33 AM"


def looks_timed(text: str) -> bool:
    """Whether a line is meant as a time, whether or not it can be read."""
    return _TIMED.search(text) is not None


def why_unread(text: str) -> str:
    """What is wrong with a time, as the end of a sentence."""
    if _SHORT_YEAR.search(text):
        return "has a year of two digits, which might be the day as well; write it with four"
    letters = _ZONE_LETTERS.search(text)
    if letters and letters["zone"].lower().replace(".", "") not in ("am", "pm"):
        return (
            f"has a zone in letters, {letters['zone']}, which several zones go by; write an offset "
            "such as +01:00, or leave it out and give --zone"
        )
    return f"is not a time that is read. {LOOKS}"
