"""Dips, swells and interruptions of the supply as a whole, from the events of its lines.

IEC 61000-4-30, 5.4 and 5.5 (from memory): over several lines a dip or swell begins with the first
line beyond its threshold and is over when all are back; an interruption begins when all lines are
below its threshold and is over as soon as any is back.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from daemon.archive import EventRow
from daemon.measure.unbalance import (
    DipFamily,
    PolyphaseSpan,
    Span,
    dip_family,
    join_dips,
    join_interruptions,
)
from daemon.page.words import duration_words, kind_words
from daemon.records import Kind

N_PHASES = 3
SOUND_PU = (0.85, 1.1)  # where a line without an event lies: thresholds are 85 to 90 and 110 %


@dataclass(frozen=True, slots=True)
class Group:
    """One disturbance of the supply; times in s from the first sample of the run."""

    kind: Kind  # dip, swell or interruption
    start_s: float
    end_s: float | None  # None: not seen, or it still lasts
    worst_channel: str
    value_v: float  # on the worst channel: residual voltage, or the highest of a swell
    value_pct: float  # of declared voltage
    channels: tuple[str, ...]  # that took part
    family: DipFamily | None = None  # dips of three phases, where the residual voltages tell
    dip_type: str | None = None  # A to G, where the phasors told

    @property
    def duration_s(self) -> float | None:
        return None if self.end_s is None else self.end_s - self.start_s

    def words(self) -> str:
        """`dip on L1, L2 for 0.2 s, L2 worst: 115.0 V, 50.0 %; two phases most, type C`."""
        lasted = (
            "end not seen" if self.duration_s is None else f"for {duration_words(self.duration_s)}"
        )
        text = (
            f"{kind_words(self.kind)} on {', '.join(self.channels)} {lasted}, "
            f"{self.worst_channel} worst: {self.value_v:.1f} V, {self.value_pct:.1f} %"
        )
        return "; ".join([text, *([self.shape_words()] if self.shape_words() else [])])

    def shape_words(self) -> str:
        """`two phases most, type C`; empty where the voltages do not tell."""
        shape = [str(self.family)] if self.family not in (None, DipFamily.UNCLEAR) else []
        shape += [f"type {self.dip_type}"] if self.dip_type else []
        return ", ".join(shape)

    def has(self, row: EventRow) -> bool:
        """Whether this event of the same group number is part of it."""
        if row.channel not in self.channels or row.kind not in _PARTS.get(self.kind, ()):
            return False
        return self.start_s <= _last_s(row) and (self.end_s is None or row.start_s <= self.end_s)


_PARTS = {
    Kind.DIP: (Kind.DIP, Kind.INTERRUPTION),
    Kind.SWELL: (Kind.SWELL,),
    Kind.INTERRUPTION: (Kind.INTERRUPTION,),
}


def _last_s(row: EventRow) -> float:
    return math.inf if row.duration_s is None else row.start_s + row.duration_s


def line_names(channels: Sequence[str], settings: Mapping[str, object]) -> list[str]:
    """The channels of a run that measure the supply.

    :param settings: the run's own; one that does not say what a channel is has only lines.
    """
    described = settings.get("channels")
    others = {
        channel.get("name")
        for channel in (described if isinstance(described, list) else [])
        if isinstance(channel, dict) and channel.get("kind") == "neutral_to_earth"
    }
    return [name for name in channels if name not in others]


def disturbances(
    rows: Sequence[EventRow], channels: Sequence[str], settings: Mapping[str, object]
) -> list[Group]:
    """The disturbances of the supply that these events of one run are part of.

    :param channels, settings: of that run.
    """
    supply = settings.get("supply")
    wiring = supply.get("wiring") if isinstance(supply, dict) else None
    lines = line_names(channels, settings)
    return join_rows(rows, lines, is_three_phase=wiring == "three_phase")


def shared(groups: Sequence[Group]) -> list[Group]:
    """Those that more than one line took part in.

    An interruption of all lines is a dip of all lines, too; the dip says nothing more then.
    """
    several = [group for group in groups if len(group.channels) > 1]
    gone = [group for group in several if group.kind is Kind.INTERRUPTION]
    return [
        group
        for group in several
        if group.kind is not Kind.DIP
        or not any(set(one.channels) == set(group.channels) for one in gone)
    ]


def join_rows(
    rows: Sequence[EventRow], lines: Sequence[str], *, is_three_phase: bool = False
) -> list[Group]:
    """The disturbances of the supply that these events of one run are part of, in order of time.

    A dip that is also an interruption of all lines is in the list as both.

    :param rows: as many as there are; those of other kinds and other channels do not count.
    :param lines: names of all lines of the supply, in the order of their phases.
    """
    ours = [row for row in rows if row.channel in lines]
    dips = [row for row in ours if row.kind in (Kind.DIP, Kind.INTERRUPTION)]
    swells = [row for row in ours if row.kind is Kind.SWELL]
    gone = [row for row in ours if row.kind is Kind.INTERRUPTION]
    found = [
        *(_group(Kind.DIP, span, dips, lines) for span in join_dips(_spans(dips, lines))),
        *(
            _group(Kind.SWELL, span, swells, lines)
            for span in join_dips(_spans(swells, lines), are_swells=True)
        ),
        *(
            _group(Kind.INTERRUPTION, span, gone, lines)
            for span in join_interruptions(_stays(gone, lines), len(lines))
        ),
    ]
    if is_three_phase and len(lines) == N_PHASES:
        found = [_with_family(group, dips, lines) for group in found]
    return sorted(found, key=lambda group: (group.start_s, group.kind))


def _spans(rows: Sequence[EventRow], lines: Sequence[str]) -> list[Span]:
    return [Span(lines.index(row.channel), row.start_s, _end_s(row), row.value) for row in rows]


def _stays(rows: Sequence[EventRow], lines: Sequence[str]) -> list[Span]:
    """From the first crossing of the interruption threshold to the latest way back."""
    spans = []
    for row in rows:
        start_s, end_s = row.detail.interruption_start_s, row.detail.interruption_end_s
        if start_s is None:  # a database from before this was kept: the dip around it
            start_s, end_s = row.start_s, _end_s(row)
        spans.append(Span(lines.index(row.channel), start_s, end_s, row.value))
    return spans


def _end_s(row: EventRow) -> float | None:
    return None if row.duration_s is None else row.start_s + row.duration_s


def _group(
    kind: Kind, span: PolyphaseSpan, rows: Sequence[EventRow], lines: Sequence[str]
) -> Group:
    worst = next(
        row
        for row in rows
        if row.channel == lines[span.worst_channel] and row.value == span.extreme_v
    )
    return Group(
        kind=kind,
        start_s=span.start_index,
        end_s=span.end_index,
        worst_channel=worst.channel,
        value_v=worst.value,
        value_pct=worst.value_pct,
        channels=tuple(lines[number] for number in span.channels),
        dip_type=worst.detail.dip_type if kind is Kind.DIP else None,
    )


def _with_family(group: Group, dips: Sequence[EventRow], lines: Sequence[str]) -> Group:
    """What the residual voltages tell, if all were low at one time; the other lines were sound."""
    if group.kind is not Kind.DIP:
        return group
    until_s = np.inf if group.end_s is None else group.end_s
    ours = [row for row in dips if group.start_s <= row.start_s <= until_s]
    ends = [np.inf if (end := _end_s(row)) is None else end for row in ours]
    if len(ours) != len(group.channels) or max(row.start_s for row in ours) >= min(ends):
        return group
    known = {row.channel: row.value_pct / 100 for row in ours}
    ranges = [(known[name],) if name in known else SOUND_PU for name in lines]
    families = {dip_family(np.array(residual_pu)) for residual_pu in product(*ranges)}
    return replace(group, family=families.pop()) if len(families) == 1 else group
