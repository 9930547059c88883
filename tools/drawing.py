"""What all pictures share: their look, and how a figure becomes SVG or PNG.

The same data give the same bytes.
"""

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from daemon.records import Verdict

INK, GREY, PALE, BLUE = "#1f2933", "#667281", "#e4e8ec", "#1d5b8f"
LOOKS: dict[Verdict | None, tuple[str, str, str]] = {
    Verdict.WITHIN: ("o", "#5f8a72", "within"),
    Verdict.MAY_STOP: ("v", "#c2500c", "equipment may stop"),
    Verdict.MAY_DAMAGE: ("^", "#a51d2d", "may damage equipment"),
    Verdict.BEYOND_LIMIT: ("D", "#8a5a00", "beyond the supply limit"),
    None: ("s", GREY, "not judged"),
}
"""Marker, colour and words for each verdict; the markers differ for black and white as well."""
WIDTH_IN = 7.0
MOST_IN_A_ROW = 4  # of a legend, on this width
_STYLE: dict[Any, Any] = {
    "svg.hashsalt": "halfcycle",
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.size": 8.5,
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 8.5,
    "axes.titlelocation": "left",
    "text.color": INK,
    "xtick.color": GREY,
    "ytick.color": GREY,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "grid.color": PALE,
    "grid.linewidth": 0.6,
    "lines.linewidth": 1.0,
    "hatch.color": GREY,
    "hatch.linewidth": 0.4,
    "path.simplify": True,
}


@dataclass(frozen=True, slots=True)
class Mark:
    """An event as a point: when, how long, how far, and what the profile says."""

    utc_s: float
    duration_s: float | None
    value_pct: float
    verdict: Verdict | None
    label: str = ""


def legend_below(figure: Figure, axes: Axes) -> None:
    """What the marks mean, in rows of much the same length; none where nothing has a name."""
    n_entries = len(axes.get_legend_handles_labels()[1])
    if n_entries:
        ncols = n_entries if n_entries <= MOST_IN_A_ROW else (n_entries + 1) // 2
        figure.legend(loc="outside lower left", ncols=ncols, frameon=False, fontsize=8)


def svg_text(figure: Figure, prefix: str) -> str:
    """An SVG element to stand inside a page; `prefix` keeps its ids apart from other pictures'."""
    with styled():
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    text = out.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'(?<![:\w])id="', f'id="{prefix}-', text)
    text = re.sub(r'(href="#|url\(#)', rf"\1{prefix}-", text)
    return re.sub(r"<svg ", '<svg role="img" ', text, count=1).strip()


def svg_file(figure: Figure) -> bytes:
    """A whole SVG file."""
    with styled():
        out = io.BytesIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()


def png_file(figure: Figure) -> bytes:
    """A PNG file at 150 dots an inch."""
    with styled():
        out = io.BytesIO()
        figure.savefig(out, format="png", dpi=150, metadata={"Software": None})
    return out.getvalue()


@contextmanager
def styled() -> Iterator[None]:
    """Figures are made and written with the same look, whatever the user has set."""
    with mpl.rc_context(_STYLE):
        yield
