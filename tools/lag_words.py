"""How long after an event a failure came, in words."""

from daemon.page.words import duration_words


def lag_words(lag_s: float) -> str:
    """How long after something, or before it: `1.0 s after`, `1 h 33 min before`."""
    length_s = abs(lag_s)
    length = f"{length_s:.1f} s" if length_s < 60 else duration_words(length_s)
    return f"{length} {'before' if lag_s < 0 else 'after'}"
