"""Ties the sample index to monotonic time and to UTC; the only module that does.

`TimeBase` gives the monotonic time of a sample. What UTC is then, the wall clock says: how far the
two clocks lie apart is a tie, and it changes only when somebody sets the wall clock. Every tie is
kept. A stamp always comes from the best of them, so all stamps of a run are in the order of its
samples however often the clock is set:

  * ties noted while the kernel was synchronised are believed, and those before one that
    contradicts them are not;
  * without such a tie the newest one counts: nobody sets a clock to make it worse.

A Raspberry Pi without a clock of its own starts with the time of its last shutdown. When it learns
the time, everything before is corrected: `corrected_utc_s` gives the new stamp, `stamped_utc_s`
the one that was given at the time.

"Monotonic" means here: with the time in which the computer was suspended. So a computer that slept
is no clock that was set; what it did not see is told by `take_sleep`.
"""

from bisect import bisect_right
from dataclasses import dataclass

from daemon.records import FirstStamp
from daemon.timebase import RateEstimate, TimeBase
from drivers.clock import Clock
from drivers.source import SourceInfo

STEP_S = 0.05  # a larger change between wall clock and monotonic clock means it was set
TIE_S = 0.005  # a smaller change is the noise of reading two clocks one after the other
READINGS = 3
SUSPENDED_S = 0.5  # less is the time between reading two clocks
SLOT_S = 600.0  # intervals of ten minutes begin at tens of minutes of UTC (IEC 61000-4-30, 4.5.4)
MOST_TIES = 4096


@dataclass(frozen=True, slots=True)
class Tie:
    """How far UTC lies from the monotonic clock, from this moment on."""

    monotonic_s: float  # when it was noted
    offset_s: float  # UTC minus monotonic time
    is_synchronised: bool  # what the kernel said of its UTC then


@dataclass(frozen=True, slots=True)
class TieHistory:
    """Every tie of a run, oldest first; never empty."""

    ties: tuple[Tie, ...]

    def with_tie(self, tie: Tie) -> "TieHistory":
        """The same with one more at the end; only thousands of changes push out the oldest."""
        return TieHistory((*self.ties[1 - MOST_TIES :], tie))

    @property
    def newest(self) -> Tie:
        return self.ties[-1]

    def stamped_utc_s(self, monotonic_s: float) -> float:
        """UTC as the wall clock had it at that moment."""
        return monotonic_s + self._in_force(monotonic_s).offset_s

    def corrected_utc_s(self, monotonic_s: float) -> float:
        """UTC by the best tie there is now. Later moments never get earlier stamps."""
        believed = self._believed()
        if not believed:
            return monotonic_s + self.newest.offset_s
        after = bisect_right(believed, monotonic_s, key=lambda tie: tie.monotonic_s)
        left, right = believed[max(after - 1, 0)], believed[min(after, len(believed) - 1)]
        if left is right:
            return monotonic_s + left.offset_s
        share = (monotonic_s - left.monotonic_s) / (right.monotonic_s - left.monotonic_s)
        return monotonic_s + left.offset_s + share * (right.offset_s - left.offset_s)

    def state_at(self, monotonic_s: float) -> str:
        """Of a stamp for that moment: synchronised, corrected (by a later tie) or free."""
        believed = self._believed()
        if not believed:
            return "free"
        in_force = self._in_force(monotonic_s)
        is_own = any(tie is in_force for tie in believed)
        return "synchronised" if is_own else "corrected"

    def state_then(self, monotonic_s: float) -> str:
        """What was thought of the wall clock at that moment: synchronised or free."""
        return "synchronised" if self._in_force(monotonic_s).is_synchronised else "free"

    def _in_force(self, monotonic_s: float) -> Tie:
        after = bisect_right(self.ties, monotonic_s, key=lambda tie: tie.monotonic_s)
        return self.ties[max(after - 1, 0)]

    def _believed(self) -> tuple[Tie, ...]:
        """The synchronised ties since the last one that contradicts the ones before it."""
        synchronised = [tie for tie in self.ties if tie.is_synchronised]
        first = 0
        for number in range(1, len(synchronised)):
            change_s = synchronised[number].offset_s - synchronised[number - 1].offset_s
            if abs(change_s) > STEP_S:
                first = number
        return tuple(synchronised[first:])


@dataclass(frozen=True, slots=True)
class Sleep:
    """The computer was suspended: no sample was taken, and none was counted as lost."""

    index: int  # of the first sample after it
    duration_s: float


@dataclass(frozen=True, slots=True)
class TieChange:
    """The wall clock was set, or gained or lost its time source."""

    before: Tie
    after: Tie
    step_s: float  # by how much the wall clock was set; 0.0 when it was not
    is_correction: bool  # stamps given so far have to be given anew


class SampleClock:
    """Says when a sample was taken."""

    def __init__(self, clock: Clock, info: SourceInfo) -> None:
        self._clock = clock
        self._rate_hz = info.sample_rate_hz
        self._start_utc_s = info.start_utc_s
        self._is_live = info.is_live
        self._suspended_s = clock.suspended_ns() / 1e9
        self._next_index = 0
        self._sleep: Sleep | None = None  # not told yet
        self._opened_s = self._now_s()
        self._opened_utc_s = clock.utc_ns() / 1e9
        self._base = TimeBase(info.sample_rate_hz)
        self._history = TieHistory((self._tie_now(),))

    @property
    def state(self) -> str:
        """How far UTC stamps can be trusted now: recording, synchronised or free."""
        if self._is_recording:
            return "recording"
        return "synchronised" if self._clock.is_synchronised() else "free"

    @property
    def history(self) -> TieHistory:
        """Every tie so far, to be kept with the run: both stamps of an event follow from it."""
        return self._history

    @property
    def rate(self) -> RateEstimate | None:
        """The converter's true rate by this computer's clock; None while it is not known."""
        return None if self._is_recording else self._base.rate

    def note_arrival(self, next_index: int, arrival_ns: int) -> None:
        """Samples up to `next_index` (exclusive) were there at this monotonic time."""
        self._notice_suspension()
        self._next_index = next_index
        self._base.note_arrival(next_index, arrival_ns / 1e9 + self._suspended_s)

    def note_gap(self) -> None:
        """Samples were lost just before the block that is noted next."""
        self._base.note_gap()

    def take_sleep(self) -> Sleep | None:
        """Whether the computer was suspended since this was asked last."""
        self._notice_suspension()
        sleep, self._sleep = self._sleep, None
        return sleep

    @property
    def now_index(self) -> float:
        """The sample that is being taken now; never known better than blocks arrive."""
        return self._index_at(self._now_s())

    def index_of_utc_s(self, utc_s: float) -> float | None:
        """The sample taken when the wall clock, as it is set now, had that time.

        None for a recording, and for a time before the input was opened.
        """
        monotonic_s = utc_s - self._history.newest.offset_s
        if self._is_recording or monotonic_s < self._opened_s:
            return None
        return self._index_at(monotonic_s)

    def utc_s(self, index: float) -> float:
        """Seconds since 1970 UTC at a sample index, by all that is known now."""
        return self.corrected_utc_s(index)

    def first_stamp(self, index: float) -> FirstStamp | None:
        """What was said of the time then, where it is known better now."""
        if self._is_recording:
            return None
        monotonic_s = self._monotonic_s(index)
        stamped_utc_s = self._history.stamped_utc_s(monotonic_s)
        is_moved = abs(stamped_utc_s - self._history.corrected_utc_s(monotonic_s)) > STEP_S
        state = self._history.state_at(monotonic_s)
        if not is_moved and state != "corrected":
            return None
        return FirstStamp(stamped_utc_s, self._history.state_then(monotonic_s))

    def corrected_utc_s(self, index: float) -> float:
        """Seconds since 1970 UTC at a sample index, by the best tie there is now."""
        if self._is_recording:
            return self._recorded_utc_s(index)
        return self._history.corrected_utc_s(self._monotonic_s(index))

    def stamped_utc_s(self, index: float) -> float:
        """Seconds since 1970 UTC as the wall clock had it when the sample was taken."""
        if self._is_recording:
            return self._recorded_utc_s(index)
        return self._history.stamped_utc_s(self._monotonic_s(index))

    def state_at(self, index: float) -> str:
        """Of the stamp of one sample: recording, synchronised, corrected or free."""
        if self._is_recording:
            return "recording"
        return self._history.state_at(self._monotonic_s(index))

    @property
    def slot_origin_index(self) -> float:
        """A sample index, zero or negative, at which ten minutes of UTC begin, as known now.

        A recording that does not say when it was made counts from its first sample.
        """
        if self._start_utc_s is None and not self._is_live:
            return 0.0
        return -(self.utc_s(0) % SLOT_S) * self._rate_hz

    @property
    def slot_origin_s(self) -> int:
        """The second of UTC that begins there; 0 for a recording that does not say."""
        if self._start_utc_s is None and not self._is_live:
            return 0
        return round(self.utc_s(self.slot_origin_index))

    def look(self) -> TieChange | None:
        """Compare the clocks; to be called about once a second. What has changed, if anything."""
        self._notice_suspension()
        before, after = self._history.newest, self._tie_now()
        step_s = after.offset_s - before.offset_s
        is_same_state = after.is_synchronised == before.is_synchronised
        if self._is_recording or (abs(step_s) <= TIE_S and is_same_state):
            return None
        old = self._history
        self._history = old.with_tie(after)
        is_correction = _moves_stamps(old, self._history, before.monotonic_s)
        return TieChange(before, after, step_s if abs(step_s) > STEP_S else 0.0, is_correction)

    @property
    def _is_recording(self) -> bool:
        return self._start_utc_s is not None or not self._is_live

    def _recorded_utc_s(self, index: float) -> float:
        start_s = self._opened_utc_s if self._start_utc_s is None else self._start_utc_s
        return start_s + index / self._rate_hz

    def _monotonic_s(self, index: float) -> float:
        if not self._base.is_tied:
            return self._opened_s + index / self._rate_hz
        return self._base.monotonic_s(index)

    def _index_at(self, monotonic_s: float) -> float:
        if self._is_recording or not self._base.is_tied:
            return (monotonic_s - self._opened_s) * self._rate_hz
        return self._base.index_at(monotonic_s)

    def _now_s(self) -> float:
        return self._clock.monotonic_ns() / 1e9 + self._suspended_s

    def _notice_suspension(self) -> None:
        """The samples before and after are not one line any more."""
        suspended_s = self._clock.suspended_ns() / 1e9
        slept_s = suspended_s - self._suspended_s
        if slept_s > SUSPENDED_S:
            before_s = 0.0 if self._sleep is None else self._sleep.duration_s
            self._sleep = Sleep(self._next_index, before_s + slept_s)
            self._suspended_s = suspended_s
            self._base.note_sleep()

    def _tie_now(self) -> Tie:
        """The clocks read close together: of several readings the one that took least time."""
        readings = []
        for _ in range(READINGS):
            before_ns = self._clock.monotonic_ns()
            utc_ns = self._clock.utc_ns()
            after_ns = self._clock.monotonic_ns()
            readings.append((after_ns - before_ns, utc_ns - (before_ns + after_ns) // 2))
        offset_ns = min(readings)[1]
        offset_s = offset_ns / 1e9 - self._suspended_s
        return Tie(self._now_s(), offset_s, self._clock.is_synchronised())


def _moves_stamps(old: TieHistory, new: TieHistory, monotonic_s: float) -> bool:
    moved_s = new.corrected_utc_s(monotonic_s) - old.corrected_utc_s(monotonic_s)
    return abs(moved_s) > STEP_S or new.state_at(monotonic_s) != old.state_at(monotonic_s)
