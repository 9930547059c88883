"""Two watches held against each other: input and output of a conditioner, before and after it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

from daemon.archive import Archive
from daemon.errors import InputError
from daemon.judge import is_serious, severity_order
from daemon.records import Kind
from daemon.spans import Span, common
from tools.clocks import (
    ClockDifference,
    Twins,
    alike_pairs,
    clock_difference,
    difference_by_twins,
    find_twins,
)
from tools.correlate import coverage_of
from tools.correlation import Occurrence, find_occurrences
from tools.coverage import Coverage, common_coverage
from tools.matching import NearSpans
from tools.monitors import Monitors

SIMULTANEOUS_SHARE = 0.5  # of the shorter watch: as much must be common
SMALL_PCT = 2.0  # of declared: a smaller difference is none
VOLTAGE_KINDS = (Kind.DIP, Kind.SWELL, Kind.INTERRUPTION, Kind.TRANSIENT)


class Fate(StrEnum):
    """What became of a disturbance on its way from A to B."""

    REMOVED = "removed"
    REDUCED = "reduced"
    PASSED = "passed on"
    WORSE = "made worse"


@dataclass(frozen=True, slots=True)
class Side:
    """One database."""

    path: Path
    archive: Archive
    monitors: Monitors
    coverage: Coverage
    occurrences: tuple[Occurrence, ...]
    profile: str
    left_out: tuple[Kind, ...] = ()  # of each event that is not compared


@dataclass(frozen=True, slots=True)
class Travelled:
    """A disturbance at A, and what was seen of it at B."""

    at_a: Occurrence
    at_b: Occurrence | None
    fate: Fate


@dataclass(frozen=True, slots=True)
class Simultaneous:
    """Both watched at the same time."""

    common_s: float
    clocks: ClockDifference
    travelled: tuple[Travelled, ...]
    added: tuple[Occurrence, ...]
    twins: Twins | None = None  # left after pairing: the clocks may differ all the same

    @property
    def removed(self) -> list[Occurrence]:
        """What A saw and B did not."""
        return [one.at_a for one in self.travelled if one.at_b is None]

    def count(self, fate: Fate, *, serious_only: bool = False) -> int:
        """How many had this fate."""
        return sum(
            one.fate is fate and (is_serious(one.at_a.verdict) or not serious_only)
            for one in self.travelled
        )


def read_side(path: Path, archive: Archive, profile_name: str | None) -> Side:
    """The voltage events of one database.

    :raises InputError: nothing was watched.
    """
    found, profile = find_occurrences(path, archive, profile_name, serious_only=False)
    voltage = tuple(one for one in found if one.worst.kind in VOLTAGE_KINDS)
    coverage = common_coverage(archive) or coverage_of(path, archive)
    if coverage.basis:  # rates of several monitors are of the time in which all of them watched
        voltage = tuple(one for one in voltage if coverage.holds(one.span[0]))
    left_out = tuple(one.worst.kind for one in found if one.worst.kind not in VOLTAGE_KINDS)
    return Side(path, archive, Monitors(archive), coverage, voltage, profile, left_out)


def is_simultaneous(a: Side, b: Side) -> bool:
    """Whether most of the shorter watch was common to both."""
    return common_s(a, b) >= SIMULTANEOUS_SHARE * min(a.coverage.watched_s, b.coverage.watched_s)


def common_s(a: Side, b: Side) -> float:
    """How long both watched at the same time."""
    return _length(common(a.coverage.watched, b.coverage.watched))


def compare_simultaneous(a: Side, b: Side, window_s: float) -> Simultaneous:
    """Match disturbances by time, after a difference of clocks was taken out.

    :raises InputError: there was no common time.
    """
    shared = common(a.coverage.watched, b.coverage.watched)
    if not shared:
        raise InputError(f"{a.path} and {b.path} were never watched at the same time")
    clocks = clock_difference(a.occurrences, b.occurrences, window_s)
    found = _paired(a, b, shared, clocks, window_s)
    alike = alike_pairs(found.removed, found.added)
    twins = find_twins(alike)
    n_paired = len(found.travelled) - len(found.removed)
    by_twins = difference_by_twins(twins, len(alike), n_paired, found.common_s)
    if by_twins is not None:
        found = _paired(a, b, shared, by_twins, window_s)
        twins = find_twins(alike_pairs(found.removed, found.added))
    return replace(found, twins=_doubtful(twins, len(found.added)))


def _paired(
    a: Side, b: Side, shared: Sequence[Span], clocks: ClockDifference, window_s: float
) -> Simultaneous:
    at_a = [one for one in a.occurrences if _is_in(one.span[0], shared)]
    at_b = [one for one in b.occurrences if _is_in(one.span[0] - clocks.offset_s, shared)]
    partners = _partners(at_a, at_b, clocks.offset_s, window_s)
    travelled = tuple(
        _travelled(one, at_b[partners[number]] if number in partners else None)
        for number, one in enumerate(at_a)
    )
    used = set(partners.values())
    added = tuple(one for number, one in enumerate(at_b) if number not in used)
    return Simultaneous(_length(shared), clocks, travelled, added)


def _doubtful(twins: Sequence[Twins], n_added: int) -> Twins | None:
    """Twins that make up half or more of what came in addition: they may be what was removed."""
    if not twins or 2 * len(twins[0].numbers) < n_added:
        return None
    return twins[0]


def _partners(
    at_a: Sequence[Occurrence], at_b: Sequence[Occurrence], offset_s: float, window_s: float
) -> dict[int, int]:
    """For each disturbance at A that came to B, its number there: each once, the likest first."""
    if not at_a or not at_b:
        return {}
    near = NearSpans([one.span for one in at_a], window_s)
    lines = {e.channel for one in at_a for e in one.events} & {
        e.channel for one in at_b for e in one.events
    }
    found = []
    for number, one in enumerate(at_b):
        moment = one.span[0] - offset_s
        for place in near.at(moment)[0].tolist():
            unlike = _unlike(at_a[place], one, lines)
            if unlike is not None:
                found.append((unlike, abs(at_a[place].span[0] - moment), place, number))
    partners: dict[int, int] = {}
    taken: set[int] = set()
    for _, _, place, number in sorted(found):
        if place not in partners and number not in taken:
            partners[place] = number
            taken.add(number)
    return partners


def _unlike(at_a: Occurrence, at_b: Occurrence, lines: set[str]) -> int | None:
    """How unlike two disturbances are, 0: of one kind on one line; None: never the same.

    What sank is not what rose. A dip may reach another line through a transformer, as a dip; a
    transient may become something else, on its own line.

    :param lines: names that both databases have: only then do other names mean other lines.
    """
    one, other = at_a.worst, at_b.worst
    is_other_line = one.channel != other.channel and bool({one.channel, other.channel} & lines)
    if one.kind is other.kind:
        return int(is_other_line)
    if {one.kind, other.kind} <= {Kind.DIP, Kind.INTERRUPTION}:
        return 2 + is_other_line
    is_jump = Kind.TRANSIENT in (one.kind, other.kind)
    return 4 if is_jump and not is_other_line else None


def _travelled(at_a: Occurrence, at_b: Occurrence | None) -> Travelled:
    if at_b is None:
        return Travelled(at_a, None, Fate.REMOVED)
    before, after = _size_pct(at_a), _size_pct(at_b)
    rank_a, rank_b = severity_order(at_a.verdict), severity_order(at_b.verdict)
    if rank_b > rank_a or (rank_b == rank_a and after > before + SMALL_PCT):
        return Travelled(at_a, at_b, Fate.WORSE)
    if rank_b < rank_a or after < before - SMALL_PCT:
        return Travelled(at_a, at_b, Fate.REDUCED)
    return Travelled(at_a, at_b, Fate.PASSED)


def _size_pct(one: Occurrence) -> float:
    return abs(one.worst.value_pct - 100.0)


def _is_in(moment: float, spans: Sequence[Span]) -> bool:
    return any(start <= moment <= end for start, end in spans)


def _length(spans: Sequence[Span]) -> float:
    return sum(end - start for start, end in spans)
