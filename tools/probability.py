"""A probability in words."""


def probability_words(share: float) -> str:
    """A probability in %, with one figure that counts."""
    percent = 100 * share
    if percent < 0.01:
        return "less than 0.01 %"
    return f"{percent:.0f} %" if percent >= 10 else f"{percent:.1g} %"
