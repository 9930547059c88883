"""How sure an event's figures are, in words: `161.2 V ± 0.9 V`, and what that leaves out."""

from daemon.archive import EventRow
from daemon.page.words import duration_words, lasted_words, value_words
from daemon.uncertainty import with_spread

LONGEST_PRECISE_S = 60.0  # beyond it a duration is said in minutes and seconds

MEANT = "within ± the value lies in about 95 % of all cases (k = 2)"


def sure_value(row: EventRow) -> str:
    """The value with its uncertainty, where that is known: `161.2 V ± 0.9 V`."""
    if row.uncertainty is None:
        return value_words(row.value, row.unit)
    if row.unit == "Pst":
        return f"Pst {with_spread(row.value, row.uncertainty, '')}"
    return with_spread(row.value, row.uncertainty, row.unit)


def sure_duration(row: EventRow, open_run_id: int | None) -> str:
    """How long it lasted, with the uncertainty where that is known: `0.610 s ± 0.020 s`."""
    if row.duration_s is None or row.duration_uncertainty_s is None:
        return lasted_words(row, open_run_id)
    return _duration(row.duration_s, row.duration_uncertainty_s)


def fine_duration(row: EventRow) -> str:
    """Between the waveform's own ends; empty where they were not found."""
    detail = row.detail
    if detail.start_fine_s is None or detail.end_fine_s is None:
        return ""
    lasted_s = max(detail.end_fine_s - detail.start_fine_s, 0.0)
    if detail.fine_uncertainty_s is None:
        return duration_words(lasted_s)
    return _duration(lasted_s, detail.fine_uncertainty_s)


def accuracy_remark(row: EventRow) -> str:
    """How the ± is meant and what it leaves out; empty where nothing is known of it."""
    without = row.detail.uncertainty_without
    if row.uncertainty is None and row.duration_uncertainty_s is None:
        return f"± not known, without: {without}" if without else ""
    if not without:
        return MEANT
    return f"{MEANT}; without: {without}"


def _duration(lasted_s: float, off_s: float) -> str:
    if lasted_s > LONGEST_PRECISE_S:
        return f"{duration_words(lasted_s)} ± {duration_words(off_s)}"
    return with_spread(lasted_s, off_s, "s")
