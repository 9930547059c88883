"""What the home page was asked for, and the addresses of its neighbours."""

from dataclasses import dataclass, replace
from urllib.parse import urlencode

from daemon.archive import EventFilter
from daemon.records import Kind

ROWS = 25
HOUR_S = 3600
DAY_S = 86_400
SPANS = {
    "5m": (300, "5 minutes"),
    "1h": (HOUR_S, "1 hour"),
    "6h": (6 * HOUR_S, "6 hours"),
    "1d": (DAY_S, "1 day"),
    "1w": (7 * DAY_S, "1 week"),
    "4w": (28 * DAY_S, "4 weeks"),
    "26w": (182 * DAY_S, "half a year"),
}


@dataclass(frozen=True, slots=True)
class HomeQuery:
    """Everything behind the question mark of the home page; the defaults are left out of it."""

    is_all: bool = False
    kind: Kind | None = None
    page: int = 1
    span: str | None = None  # None: the whole watch
    end_s: int | None = None  # UTC seconds; None: now
    is_part: bool = False  # only what changes each second

    def wanted(self, limit: int | None = None, offset: int = 0) -> EventFilter:
        """The events it speaks of, newest first."""
        return EventFilter(kind=self.kind, serious_only=not self.is_all, limit=limit, offset=offset)

    def rows(self) -> EventFilter:
        """The events of this page of the list."""
        return self.wanted(ROWS, (self.page - 1) * ROWS)

    def link(self, fragment: str = "") -> str:
        """The address of this."""
        pairs = {
            "all": "1" if self.is_all else None,
            "kind": self.kind,
            "page": self.page if self.page > 1 else None,
            "span": self.span,
            "end": self.end_s,
        }
        query = urlencode({key: value for key, value in pairs.items() if value is not None})
        return f"/{'?' if query else ''}{query}{fragment}"

    def of_kind(self, kind: Kind | None) -> "HomeQuery":
        """The same, of one kind of event or of all."""
        return replace(self, kind=kind, page=1)

    def with_all(self, is_all: bool) -> "HomeQuery":
        """The same, serious events only or all that were captured."""
        return replace(self, is_all=is_all, page=1)

    def at_page(self, page: int) -> "HomeQuery":
        """Another page of the list."""
        return replace(self, page=page)

    def at_time(self, span: str | None, end_s: float | None) -> "HomeQuery":
        """Another window of the timeline."""
        return replace(self, span=span, end_s=None if end_s is None else round(end_s))
