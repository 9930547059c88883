"""How good or bad something is. The page shows a word and a shape for it, and then a colour."""

from enum import StrEnum


class Level(StrEnum):
    """Also the name of the CSS class and of the shape."""

    GOOD = "good"
    UNKNOWN = "unknown"
    ATTENTION = "attention"
    BAD = "bad"

    @property
    def rank(self) -> int:
        """Larger is worse."""
        return list(Level).index(self)
