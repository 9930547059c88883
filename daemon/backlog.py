"""What waits to be written: bounded, and the worst is kept longest.

While the disk takes nothing, evidence of the least serious events goes first, waveforms before
traces, then the least serious events themselves. Gaps are joined into one entry rather than lost,
so that the account of samples stays exact. Everything that goes is counted.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from daemon.records import Event, JudgedEvent, LogEntry, LogKind, Verdict
from daemon.schema import utc_text
from daemon.service_log import told
from daemon.stamping import Stamper

RANK: dict[Verdict | None, int] = {
    Verdict.WITHIN: 0,
    None: 1,
    Verdict.BEYOND_LIMIT: 2,
    Verdict.MAY_STOP: 3,
    Verdict.MAY_DAMAGE: 4,
}
"""How serious a verdict is: what is lowest is let go first."""

BATCH_EVENTS = 200
BATCH_BYTES = 1_000_000  # a batch is one transaction: small enough to fit where there is some room


@dataclass(frozen=True, slots=True)
class Limits:
    """How much may wait."""

    evidence_bytes: int = 24_000_000
    events: int = 5000
    log_entries: int = 1000


@dataclass(frozen=True, slots=True)
class Batch:
    """What is written together."""

    events: tuple[JudgedEvent, ...]
    log: tuple[LogEntry, ...]

    @property
    def count(self) -> int:
        return len(self.events) + len(self.log)


@dataclass(slots=True)
class LetGo:
    """What there was no room for."""

    waveforms: int = 0  # events that lost them
    traces: int = 0
    events: int = 0
    log_entries: int = 0

    def since(self, before: "LetGo") -> "LetGo":
        """What came to it after that."""
        return LetGo(
            self.waveforms - before.waveforms,
            self.traces - before.traces,
            self.events - before.events,
            self.log_entries - before.log_entries,
        )

    def words(self) -> str:
        """For the log; empty when nothing was let go."""
        counts = [
            (self.waveforms, "waveforms of {} events"),
            (self.traces, "traces of {} events"),
            (self.events, "{} events"),
            (self.log_entries, "{} log entries"),
        ]
        return ", ".join(text.format(count) for count, text in counts if count)


class Backlog:
    """Events and log entries on their way to the database."""

    def __init__(self, limits: Limits | None = None) -> None:
        self._limits = limits or Limits()
        self._events: dict[int, JudgedEvent] = {}  # by number, in the order they came
        self._log: list[LogEntry] = []
        self._n_bytes = 0
        self._let_go, self._let_go_told = LetGo(), LetGo()

    @property
    def n_waiting(self) -> int:
        """Events and log entries."""
        return len(self._events) + len(self._log)

    def put(self, events: Iterable[JudgedEvent], log: Iterable[LogEntry]) -> None:
        """Add these. An event handed on again takes the place of its older self."""
        for judged in events:
            before = self._events.pop(judged.event.number, None)
            merged = judged if before is None else _merged(before, judged)
            self._n_bytes += _evidence_bytes(merged) - (_evidence_bytes(before) if before else 0)
            self._events[judged.event.number] = merged
        self._log += told(list(log))
        self._shed()

    def restamp(self, stamper: Stamper) -> None:
        """Give everything that waits the stamps that are best now."""
        self._events = {n: stamper.judged_again(judged) for n, judged in self._events.items()}
        self._log = [stamper.entry_again(entry) for entry in self._log]

    @property
    def everything(self) -> Batch:
        """All that waits."""
        return Batch(tuple(self._events.values()), tuple(self._log))

    def batch(self) -> Batch:
        """The oldest that fit together; they stay here until they are `done`."""
        chosen: list[JudgedEvent] = []
        n_bytes = 0
        for judged in self._events.values():
            n_bytes += _evidence_bytes(judged)
            if chosen and (n_bytes > BATCH_BYTES or len(chosen) >= BATCH_EVENTS):
                return Batch(tuple(chosen), ())
            chosen.append(judged)
        return Batch(tuple(chosen), tuple(self._log))

    def done(self, batch: Batch) -> None:
        """These are on the disk."""
        for judged in batch.events:
            del self._events[judged.event.number]
            self._n_bytes -= _evidence_bytes(judged)
        del self._log[: len(batch.log)]

    def take_let_go(self) -> LetGo:
        """What was let go since this was asked last."""
        before, self._let_go_told = self._let_go_told, replace(self._let_go)
        return self._let_go.since(before)

    @property
    def let_go_untold(self) -> LetGo:
        """The same, and it can be asked again."""
        return self._let_go.since(self._let_go_told)

    @property
    def let_go_in_all(self) -> LetGo:
        """Since the beginning."""
        return replace(self._let_go)

    def _shed(self) -> None:
        limits = self._limits
        if self._n_bytes > limits.evidence_bytes:
            self._let_go.waveforms += self._strip(_without_waveforms)
            self._let_go.traces += self._strip(_without_trace)
        if len(self._events) > limits.events:
            for number in self._least_serious()[: len(self._events) - limits.events * 9 // 10]:
                self._n_bytes -= _evidence_bytes(self._events.pop(number))
                self._let_go.events += 1
        if len(self._log) > limits.log_entries:
            self._log = _joined_gaps(self._log)
            n_too_many = max(0, len(self._log) - limits.log_entries)
            self._let_go.log_entries += n_too_many
            self._log = self._log[:1] + self._log[1 + n_too_many :]

    def _strip(self, without: Callable[[Event], Event]) -> int:
        """Take evidence from the least serious events until there is some room again."""
        enough, n_stripped = self._limits.evidence_bytes * 9 // 10, 0
        for number in self._least_serious():
            if self._n_bytes <= enough:
                break
            judged = self._events[number]
            stripped = replace(judged, event=without(judged.event))
            saved = _evidence_bytes(judged) - _evidence_bytes(stripped)
            self._events[number] = stripped
            self._n_bytes -= saved
            n_stripped += saved > 0
        return n_stripped

    def _least_serious(self) -> list[int]:
        """Numbers, the least serious first, the oldest first among equals."""
        rank = {n: RANK[judged.judgement.verdict] for n, judged in self._events.items()}
        return sorted(rank, key=lambda number: (rank[number], number))


def _merged(before: JudgedEvent, now: JudgedEvent) -> JudgedEvent:
    """As in the database: what comes without evidence keeps what it had."""
    waveforms = {wave.first_index: wave for wave in before.event.waveforms}
    waveforms |= {wave.first_index: wave for wave in now.event.waveforms}
    event = replace(
        now.event,
        trace=now.event.trace or before.event.trace,
        waveforms=tuple(waveforms[first] for first in sorted(waveforms)),
    )
    return replace(now, event=event)


def _without_waveforms(event: Event) -> Event:
    return replace(event, waveforms=())


def _without_trace(event: Event) -> Event:
    return replace(event, trace=None)


def _evidence_bytes(judged: JudgedEvent) -> int:
    event = judged.event
    n_bytes = sum(wave.volts.nbytes for wave in event.waveforms)
    if event.trace is not None:
        n_bytes += event.trace.start_s.nbytes + event.trace.urms_v.nbytes
    return n_bytes


def _joined_gaps(log: Sequence[LogEntry]) -> list[LogEntry]:
    """All gaps whose length is known as one entry, at the place of the first."""
    gaps = [e for e in log if e.kind is LogKind.UNOBSERVED and e.duration_s is not None]
    if len(gaps) < 2:
        return list(log)
    first, last = gaps[0], gaps[-1]
    joined = replace(
        first,
        duration_s=sum(gap.duration_s or 0.0 for gap in gaps),
        text=f"{len(gaps)} gaps until {utc_text(last.start_utc_s)}, their lengths added up: "
        "there was no room for each of them while nothing could be written",
    )
    rest = [entry for entry in log if entry not in gaps]
    return [joined, *rest]
