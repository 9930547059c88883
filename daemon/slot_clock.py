"""Keeps the slots of ten seconds, ten minutes and two hours on UTC while the converter drifts."""

from daemon.clock import SLOT_S, SampleClock
from daemon.measure.grid import SLIDE_S, SlotGrid

LOOK_S = 10.0
CALM_S = 60.0  # between two small corrections
MOVED_S = 0.002  # of the next tick: the arrival of blocks hardly places it any better


class SlotClock:
    """Makes a new slot grid when the ticks of UTC have moved against the samples.

    The first grid, before the first sample, is as good as the time is then. Later ones need the
    converter's true rate, which is known a minute after the start or after lost samples, and a
    clock that is or was synchronised: by one that never was the slots just go on. Where it becomes
    synchronised they move to where UTC has them.

    :param first: by which the slots are laid until there is a new one.
    """

    def __init__(self, clock: SampleClock, sample_rate_hz: float, first: SlotGrid) -> None:
        self._clock = clock
        self._nominal_hz = sample_rate_hz
        self._grid = first
        self._next_look_index = 0.0

    def look(self, next_index: int) -> SlotGrid | None:
        """A grid for the samples from this one on; None while the one in force will do.

        To be asked before each block. The clock has to know of that block already.
        """
        if next_index < self._next_look_index or not self._is_sure(next_index):
            return None
        is_first = not self._next_look_index
        self._next_look_index = next_index + LOOK_S * self._nominal_hz
        grid = self._grid_at(next_index)
        moved_s = abs(grid.index_at(grid.tick_s) - self._grid.index_at(grid.tick_s))
        moved_s /= self._nominal_hz
        is_calm = next_index - self._grid.from_index >= CALM_S * self._nominal_hz
        if moved_s <= MOVED_S or not (is_first or is_calm or moved_s > SLIDE_S):
            return None
        self._grid = grid
        return grid

    def _is_sure(self, index: int) -> bool:
        state = self._clock.state_at(index)
        if state == "recording":
            return False
        is_known = self._clock.rate is not None and state != "free"
        return is_known or not self._next_look_index

    def _grid_at(self, index: int) -> SlotGrid:
        """By all that is known now; its tick is the next one."""
        rate = self._clock.rate
        rate_hz = self._nominal_hz if rate is None else rate.sample_rate_hz
        utc_s = self._clock.utc_s(index)
        tick_s = round(SLOT_S) * (int(utc_s // SLOT_S) + 1)
        return SlotGrid(index, index + (tick_s - utc_s) * rate_hz, tick_s, rate_hz)
