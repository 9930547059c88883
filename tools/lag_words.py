"""How long after an event a failure came, and how near is near, in words."""

from daemon.page.words import duration_words


def lag_words(lag_s: float) -> str:
    """How long after something, or before it: `1.0 s after`, `1 h 33 min before`."""
    length_s = abs(lag_s)
    length = f"{length_s:.1f} s" if length_s < 60 else duration_words(length_s)
    return f"{length} {'before' if lag_s < 0 else 'after'}"


def window_words(window_s: float) -> str:
    """How near is near: `5 s`, `2 min`, `1 min 30 s`."""
    if window_s >= 60 and window_s % 60 == 0 and window_s < 3600:
        return f"{window_s / 60:.0f} min"
    return duration_words(window_s)
