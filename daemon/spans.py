"""Stretches of time as pairs of seconds: joined, taken out of each other, shared."""

from collections.abc import Iterable, Sequence

Span = tuple[float, float]
ROUNDING_S = 0.002  # stamps are rounded to milliseconds: a shorter stretch is none


def joined(spans: Iterable[Span]) -> list[Span]:
    """The union: disjoint, in order. Stretches that all but touch become one."""
    found: list[Span] = []
    for start, end in sorted(span for span in spans if span[1] > span[0]):
        if found and start <= found[-1][1] + ROUNDING_S:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        else:
            found.append((start, end))
    return found


def without(spans: Iterable[Span], holes: Sequence[Span]) -> list[Span]:
    """What is left of stretches when the holes, disjoint and in order, are taken out."""
    found: list[Span] = []
    for start, end in spans:
        reached = start
        for hole_start, hole_end in holes:
            if hole_end > reached and hole_start < end:
                found.append((reached, hole_start))
                reached = hole_end
        found.append((reached, end))
    return [(start, end) for start, end in found if end - start > ROUNDING_S]


def common(spans: Sequence[Span], others: Sequence[Span]) -> list[Span]:
    """What two series of disjoint stretches share."""
    return [(max(a, c), min(b, d)) for a, b in spans for c, d in others if max(a, c) < min(b, d)]
