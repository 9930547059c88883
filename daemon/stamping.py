"""Times for events and log entries, all from the one tie between sample index and UTC."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from daemon.appraise import Stamp, clock_ppm
from daemon.clock import STEP_S, SampleClock, Sleep, TieChange
from daemon.corrections import NewStamp, StampedRow
from daemon.records import Finding, Gap, JudgedEvent, LogEntry, LogKind

SLEPT = "the computer was suspended, or stood still"


@dataclass(frozen=True, slots=True)
class Stamper:
    """Knows when a sample was taken, so an event and a log entry of one moment never disagree."""

    times: SampleClock
    sample_rate_hz: float

    def stamp(self, index: float) -> Stamp:
        """Of an event that began with that sample."""
        clock = self.times.state_at(index)
        return Stamp(self.times.utc_s(index), clock, clock_ppm(self.times.rate, clock))

    def entry(
        self, kind: LogKind, index: float, text: str, duration_s: float | None = None
    ) -> LogEntry:
        """A log entry about that sample."""
        start_s = index / self.sample_rate_hz
        first = self.times.first_stamp(index)
        return LogEntry(kind, self.times.utc_s(index), start_s, duration_s, text, first)

    def entry_at(
        self, kind: LogKind, start_s: float, text: str, duration_s: float | None
    ) -> LogEntry:
        """A log entry about that second of the run."""
        return self.entry(kind, start_s * self.sample_rate_hz, text, duration_s)

    def unseen(self, gap: Gap) -> LogEntry:
        """That these samples are missing."""
        text = f"{gap.n_samples} samples were not seen: {gap.cause}"
        duration_s = gap.n_samples / self.sample_rate_hz
        return self.entry(LogKind.UNOBSERVED, gap.first_index, text, duration_s)

    def found(self, finding: Finding) -> LogEntry:
        """What measuring found that is no event."""
        return self.entry_at(LogKind.FAULT, finding.start_s, finding.text, finding.duration_s)

    def asleep(self, sleep: Sleep) -> LogEntry:
        """That nothing was seen while the computer slept."""
        return self.entry(LogKind.UNOBSERVED, sleep.index, SLEPT, sleep.duration_s)

    def placed(self, entry: LogEntry) -> LogEntry:
        """An entry that was stamped by the wall clock, elsewhere and just now, such as a mark."""
        index = self.times.index_of_utc_s(entry.start_utc_s)
        if entry.start_s is not None or index is None:
            return entry
        ours = self.entry(entry.kind, index, entry.text, entry.duration_s)
        is_same = abs(ours.start_utc_s - entry.start_utc_s) <= STEP_S
        return replace(ours, start_utc_s=entry.start_utc_s) if is_same else ours

    def judged_again(self, judged: JudgedEvent) -> JudgedEvent:
        """The same event with the best stamp there is now, and its first one."""
        index = judged.event.start_s * self.sample_rate_hz
        return replace(
            judged,
            start_utc_s=self.times.utc_s(index),
            clock=self.times.state_at(index),
            first=self.times.first_stamp(index),
        )

    def entry_again(self, entry: LogEntry) -> LogEntry:
        """The same entry with the best stamp there is now; without a place in the run, as it is."""
        if entry.start_s is None:
            return entry
        return self.entry_at(entry.kind, entry.start_s, entry.text, entry.duration_s)

    def new_stamps(self, rows: Sequence[StampedRow]) -> list[NewStamp]:
        """For rows that are stored."""
        found = []
        for row in rows:
            index = row.start_s * self.sample_rate_hz
            found.append(NewStamp(row.id, self.times.utc_s(index), self.times.state_at(index)))
        return found


def change_words(change: TieChange) -> str:
    """What happened to the clock, for the log; empty where it is not worth a word."""
    if change.step_s:
        text = f"the clock was set by {change.step_s:+.3f} s"
    elif change.is_correction:
        text = "a time source was found; the clock did not have to be set"
    else:
        return ""
    if change.is_correction:
        text += "; the times of this run before that are corrected, and the first ones kept"
    return text
