"""What is wrong with a time in the equipment's own log, in words."""

import re
from collections.abc import Sequence

from tools.failure_times import is_clock, is_date, read_stamp

_TIMED = re.compile(r"\b\d{1,2}:\d{2}|\b\d{1,4}[-/.]\d{1,2}[-/.]\d{2,4}\b")
"""What no heading holds: a line with it is meant as a time, even where it cannot be read."""
_DAY_NUMBER = re.compile(r"[2-7]\d{4}(?:[.,]\d{1,15})?")
"""Days since 1899-12-30, of the years 1954 to 2119: how spreadsheets keep a time."""
_ZONE_LETTERS = re.compile(r"\d\s*\(?(?P<zone>[a-z]{2,5})\)?$", re.IGNORECASE)
LOOKS = "Times look like 2026-11-25T08:15:33+01:00, 25.11.2026 08:15:33 or 11/25/2026 8:15:33 AM"
LONGEST_QUOTE = 60


def looks_timed(text: str) -> bool:
    """Whether a line is meant as a time, whether or not it can be read."""
    return _TIMED.search(text) is not None


def timed_text(row: Sequence[str]) -> str:
    """What of a row is meant as a time: a column, or one with a date and the next; else empty."""
    for place, cell in enumerate(row):
        if not looks_timed(cell):
            continue
        following = row[place + 1] if place + 1 < len(row) else ""
        return f"{cell} {following}" if is_date(cell) and is_clock(following) else cell
    return ""


def day_number(rows: Sequence[Sequence[str]]) -> str:
    """The first time of a column that holds only day numbers of a spreadsheet; else empty."""
    width = max((len(row) for row in rows), default=0)
    for place in range(width):
        cells = [row[place] for row in rows if place < len(row) and row[place]]
        known = [cell for cell in cells if _DAY_NUMBER.fullmatch(cell)]
        # Beside a heading; and whole numbers alone, which might count anything, are not meant.
        if known and len(known) >= len(cells) - 1 and any("." in c or "," in c for c in known):
            return known[0]
    return ""


def day_number_words(text: str) -> str:
    """Why a day number is not read, as the end of a sentence."""
    return (
        f"{text!r} seems to be a day number of a spreadsheet, which is rounded as it is shown; "
        "format its cells as yyyy-mm-dd hh:mm:ss and save the file again"
    )


def why_unread(text: str) -> str:
    """What is wrong with a time, as the end of a sentence."""
    words = text.split()
    for n_words in range(len(words) - 1, 0, -1):
        if read_stamp(" ".join(words[:n_words])) is None:
            continue
        rest = " ".join(words[n_words:])
        if _ZONE_LETTERS.search(f"0 {rest}"):
            return (
                f"ends with {rest}, which is no zone that is known; write an offset such as "
                "+01:00, or leave it out and give --zone"
            )
        return "has more after the time; put a comma, a semicolon or a tab between the columns"
    return f"is not a time that is read. {LOOKS}"
