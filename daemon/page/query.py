"""What may be asked for behind the question mark. Anything else is answered with 400 and why."""

from starlette.datastructures import QueryParams
from starlette.exceptions import HTTPException

from daemon.archive import EventFilter
from daemon.page.address import SPANS, HomeQuery
from daemon.page.reading import MOST_ROWS
from daemon.records import Kind

_LARGEST_OFFSET = 1_000_000_000
LARGEST_ROW_ID = 2**63 - 1
_LARGEST_PAGE = 1_000_000
_LATEST_S = 9_999_999_999  # year 2286


def events_filter(params: QueryParams) -> EventFilter:
    """`limit`, `offset`, `kind` and `all` of /api/events."""
    only_known(params, "limit", "offset", "kind", "all")
    return EventFilter(
        kind=_kind(params),
        serious_only=not switch(params, "all"),
        limit=_whole(params, "limit", 50, (1, MOST_ROWS)),
        offset=_whole(params, "offset", 0, (0, _LARGEST_OFFSET)),
    )


def home_query(params: QueryParams) -> HomeQuery:
    """Everything that the home page can be asked for."""
    only_known(params, "all", "kind", "page", "span", "end", "part")
    span = params.get("span")
    if span is not None and span not in SPANS:
        raise HTTPException(400, f"span must be one of {', '.join(SPANS)}, not {span[:40]!r}")
    return HomeQuery(
        is_all=switch(params, "all"),
        kind=_kind(params),
        page=_whole(params, "page", 1, (1, _LARGEST_PAGE)),
        span=span,
        end_s=_whole(params, "end", 0, (0, _LATEST_S)) if "end" in params else None,
        is_part=switch(params, "part"),
    )


def only_known(params: QueryParams, *known: str) -> None:
    """Refuse what would otherwise be ignored: a misspelt limit is a wrong answer."""
    for key in params:
        if key not in known:
            names = ", ".join(known) or "none"
            raise HTTPException(400, f"unknown parameter {key[:40]!r}; known: {names}")


def switch(params: QueryParams, key: str) -> bool:
    """A parameter that is 0 or 1, 0 when left out."""
    value = params.get(key, "0")
    if value not in ("0", "1"):
        raise HTTPException(400, f"{key} must be 0 or 1, not {value[:40]!r}")
    return value == "1"


def _whole(params: QueryParams, key: str, default: int, limits: tuple[int, int]) -> int:
    text = params.get(key, str(default))
    low, high = limits
    if not (text.isascii() and text.isdecimal() and len(text) <= 10 and low <= int(text) <= high):
        raise HTTPException(400, f"{key} must be {low} to {high}, not {text[:40]!r}")
    return int(text)


def _kind(params: QueryParams) -> Kind | None:
    text = params.get("kind")
    if text is None:
        return None
    if text not in list(Kind):
        raise HTTPException(400, f"kind must be one of {', '.join(Kind)}, not {text[:40]!r}")
    return Kind(text)
