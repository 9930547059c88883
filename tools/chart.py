"""A small chart in block characters: values over time, with one level marked."""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_BLOCKS = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}
_MARK = "╌"
_CUT = "┊"


def chart(time_s: Floats, values: Floats, level: float, columns: int, rows: int) -> list[str]:
    """Lines of at most `columns` characters, the scale at the left, the time below.

    Each column spans the values that fall into it. Where the time jumps, as in the middle of a
    long event, a dotted line stands for what is left out.
    """
    is_known = np.isfinite(values)
    time_s, values = time_s[is_known], values[is_known]
    if len(values) == 0:
        return []
    low, high = min(float(values.min()), level), max(float(values.max()), level)
    margin = max((high - low) * 0.05, abs(high) * 1e-3, 1e-6)
    low = max(low - margin, 0.0) if low >= 0 else low - margin  # no rms lies below zero
    high += margin
    labels = _labels(low, high, level, rows)
    room = max(columns - len(labels[0]), 10)
    spans = _spans(time_s, values, room)
    level_row = _row_of(level, low, high, rows)
    lines = []
    for row, label in enumerate(labels):
        blank = _MARK if row == level_row else " "
        cells = [_cell(span, row, (low, high, rows)) for span in spans]
        lines.append(label + "".join(blank if cell == " " else cell for cell in cells))
    return [*lines, _axis(time_s, len(labels[0]), len(spans))]


def _row_of(value: float, low: float, high: float, rows: int) -> int:
    return min(int((high - value) / (high - low) * rows), rows - 1)


def _labels(low: float, high: float, level: float, rows: int) -> list[str]:
    texts = [""] * rows
    texts[0], texts[-1] = f"{high:.1f}", f"{low:.1f}"
    texts[_row_of(level, low, high, rows)] = f"{level:.1f}"
    width = max(map(len, texts))
    return [f"{text:>{width}} │" for text in texts]


def _spans(time_s: Floats, values: Floats, room: int) -> list[tuple[float, float] | None]:
    """For each column the lowest and highest value, joined to the column before; None: a cut."""
    parts = _parts(time_s)
    share = max(room - len(parts) + 1, len(parts)) / len(values)
    spans: list[tuple[float, float] | None] = []
    for first, last in pairwise([*parts, len(values)]):
        if spans:
            spans.append(None)
        n_columns = max(min(round((last - first) * share), last - first), 1)
        edges = np.linspace(first, last, n_columns + 1).astype(int)
        for start, end in pairwise(edges.tolist()):
            piece = values[max(start - 1, first) : end]
            spans.append((float(piece.min()), float(piece.max())))
    return spans[:room]


def _parts(time_s: Floats) -> list[int]:
    """Where each unbroken part begins."""
    steps = np.diff(time_s)
    if len(steps) == 0:
        return [0]
    jumps = np.flatnonzero(steps > 4 * np.median(steps)) + 1
    return [0, *jumps.tolist()]


def _cell(span: tuple[float, float] | None, row: int, scale: tuple[float, float, int]) -> str:
    if span is None:
        return _CUT
    low, high, rows = scale
    half = (high - low) / (2 * rows)
    top = high - 2 * half * row
    return _BLOCKS[_touches(span, top - half, top), _touches(span, top - 2 * half, top - half)]


def _touches(span: tuple[float, float], bottom: float, top: float) -> bool:
    return span[0] < top and span[1] >= bottom


def _axis(time_s: Floats, indent: int, width: int) -> str:
    first, last = f"{time_s[0]:+.2f} s", f"{time_s[-1]:+.2f} s"
    return " " * indent + first + " " * max(width - len(first) - len(last), 1) + last
