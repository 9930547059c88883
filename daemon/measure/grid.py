"""Where the slots of UTC lie on the sample axis: ten seconds, ten minutes, two hours.

The converter's clock is never quite right: 50 millionths are 30 s a week. So what is known of UTC
comes in as a `SlotGrid` from time to time, each with the sample from which it counts. A slot under
way ends where the newest grid has its end; slots neither overlap nor leave anything out. Only
where UTC moves by more than `SLIDE_S`, because the clock was set, is the slot under way cut off;
the one that begins there is seen only in part, as the first one of a run is.
"""

import math
from dataclasses import dataclass

TEN_SECONDS_S = 10
TEN_MINUTES_S = 600
TWO_HOURS_S = 7200
SLIDE_S = 0.5  # ten seconds become 5 % shorter at most, ten minutes less than a thousandth
TOUCH = 0.01  # samples: a crossing that little before a tick is at the tick, but for rounding
KEEP_S = 10_800  # nobody asks for a slot that was over so long before the newest grid


@dataclass(frozen=True, slots=True)
class SlotGrid:
    """What is known of UTC, for the samples from one on."""

    from_index: float
    tick_index: float  # any sample index, even negative, at which
    tick_s: int  # this second begins, counted from the beginning of 1970, or of a recording
    sample_rate_hz: float  # the true one

    def index_at(self, second: int) -> float:
        """The sample index at which a second begins."""
        return self.tick_index + (second - self.tick_s) * self.sample_rate_hz

    def number_at(self, index: float, length_s: int) -> int:
        """The slots of this length that began by then, counted as seconds are."""
        into_slot_s = self.tick_s % length_s
        since = index - self.tick_index + into_slot_s * self.sample_rate_hz
        return self.tick_s // length_s + math.floor(since / (length_s * self.sample_rate_hz))

    def ahead_of_s(self, other: "SlotGrid", index: float) -> float:
        """By how many seconds this grid has a later time for a sample than the other one."""
        ours = (index - self.tick_index) / self.sample_rate_hz
        theirs = (index - other.tick_index) / other.sample_rate_hz
        return (self.tick_s - other.tick_s) + (ours - theirs)


@dataclass(frozen=True, slots=True)
class Slot:
    """One slot, as far as it lies in time as it is known now."""

    start_index: float  # may lie before the first sample
    end_index: float
    is_cut: bool  # the clock was set before its end


class SlotSchedule:
    """All grids so far; every stage that works by slots asks here.

    The answer for an index depends on the grids that count from there or earlier, and an end that
    is still to come on what is known when one asks: so it makes no difference when a grid is
    handed in, as long as that is before the samples from which it counts.
    """

    def __init__(self, grid: SlotGrid) -> None:
        self._grids = [grid]
        self._latest: dict[int, tuple[float, Slot]] = {}  # by length: from where on it was seen

    def take(self, grid: SlotGrid) -> None:
        """Count by another grid from its `from_index` on.

        :raises ValueError: it counts from before the one that was handed in last.
        """
        if grid.from_index < self._grids[-1].from_index:
            raise ValueError("a grid counts from before the one that was handed in last")
        oldest = grid.from_index - KEEP_S * grid.sample_rate_hz
        n_old = sum(later.from_index < oldest for later in self._grids[1:])
        self._grids = [*self._grids[n_old:], grid]
        self._latest = {}

    def slot_at(self, index: float, length_s: int) -> Slot:
        """The slot of this length in which a sample index lies."""
        index += TOUCH
        seen_from, slot = self._latest.get(length_s, (math.inf, None))
        if slot is None or not seen_from <= index < slot.end_index:
            seen_from, slot = self._find(index, length_s)
            self._latest[length_s] = seen_from, slot
        return slot

    def _find(self, index: float, length_s: int) -> tuple[float, Slot]:
        """That slot, and from where on it was seen."""
        run, stop = self._unbroken_at(index)
        in_force = [grid for grid in run[1:] if grid.from_index <= index] or run[:1]
        number = in_force[-1].number_at(index, length_s)
        if _boundary(run, (number + 1) * length_s) <= index:  # it had begun before it was moved on
            number += 1
        start = _boundary(run, number * length_s)
        end = _boundary(run, (number + 1) * length_s)
        is_first = run[0] is self._grids[0]
        seen_from = start if is_first else max(start, run[0].from_index)
        return seen_from, Slot(start, min(end, stop), is_cut=stop < end)

    def _unbroken_at(self, index: float) -> tuple[list[SlotGrid], float]:
        """The grids between the settings of the clock around an index, and where they end."""
        run = self._grids[:1]
        for grid in self._grids[1:]:
            if abs(grid.ahead_of_s(run[-1], grid.from_index)) <= SLIDE_S:
                run.append(grid)
            elif grid.from_index > index:
                return run, grid.from_index
            else:
                run = [grid]
        return run, math.inf


def _boundary(run: list[SlotGrid], second: int) -> float:
    """Where a second begins: by the first grid that has it before the next one counts."""
    place = run[0].index_at(second)
    for grid in run[1:]:
        if place < grid.from_index:
            return place
        place = max(grid.index_at(second), grid.from_index)
    return place
