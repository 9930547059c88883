"""What waits to be written: what goes first when there is no room, and that it is counted."""

from typing import Any

import numpy as np

from daemon.backlog import Backlog, Limits
from daemon.records import JudgedEvent, Judgement, LogEntry, LogKind, Trace, Verdict, Waveform
from tests.database_material import START_UTC_S, dip, judged

VOLTS = np.ones(1000, np.float32)  # 4000 bytes
TRACE = Trace(np.arange(100.0), np.ones(100, np.float32))  # 1200 bytes
EVIDENCE_BYTES = 4000 + 1200


def event(number: int, verdict: Verdict | None, **changes: Any) -> JudgedEvent:
    evidence = {"trace": TRACE, "waveforms": (Waveform(number * 1000, 16000.0, VOLTS),)}
    return judged(dip(number, **evidence | changes), judgement=Judgement("x", verdict, None))


def gap(n: int, length_s: float = 0.5) -> LogEntry:
    return LogEntry(LogKind.UNOBSERVED, START_UTC_S + n, float(n), length_s, "gone")


def fault(n: int) -> LogEntry:
    return LogEntry(LogKind.FAULT, START_UTC_S + n, None, None, f"fault {n}")


def test_an_event_handed_on_again_keeps_the_evidence_it_had() -> None:
    backlog = Backlog()
    backlog.put([event(1, None, duration_s=None)], [])
    later = Waveform(50_000, 16000.0, VOLTS)
    backlog.put([event(1, Verdict.WITHIN, trace=None, waveforms=(later,))], [])
    (kept,) = backlog.batch().events
    assert kept.judgement.verdict is Verdict.WITHIN
    assert kept.event.trace is TRACE
    assert [wave.first_index for wave in kept.event.waveforms] == [1000, 50_000]


def test_waveforms_of_the_least_serious_go_first_then_the_oldest() -> None:
    verdicts = [Verdict.MAY_DAMAGE, Verdict.WITHIN, None, Verdict.WITHIN, Verdict.MAY_STOP]
    backlog = Backlog(Limits(evidence_bytes=5 * EVIDENCE_BYTES - 1))
    backlog.put([event(n, verdict) for n, verdict in enumerate(verdicts, start=1)], [])
    # down to nine tenths of the limit, 23 399 bytes: one waveform of 26 000 is enough
    kept = {one.event.number: len(one.event.waveforms) for one in backlog.batch().events}
    assert kept == {1: 1, 2: 0, 3: 1, 4: 1, 5: 1}
    assert backlog.take_let_go().words() == "waveforms of 1 events"
    assert backlog.take_let_go().words() == ""


def test_traces_go_when_there_are_no_waveforms_left_and_rows_last() -> None:
    backlog = Backlog(Limits(evidence_bytes=1300, events=20))
    backlog.put([event(n, Verdict.WITHIN) for n in range(1, 11)], [])
    let_go = backlog.take_let_go()
    assert (let_go.waveforms, let_go.traces, let_go.events) == (10, 10, 0)
    backlog.put([event(n, Verdict.MAY_STOP, trace=None, waveforms=()) for n in range(11, 22)], [])
    numbers = [one.event.number for one in backlog.batch().events]
    assert numbers == list(range(4, 22))  # 18 of 20: the three oldest of the least serious went
    assert backlog.take_let_go().words() == "3 events"


def test_gaps_are_joined_so_that_their_sum_stays_exact() -> None:
    backlog = Backlog(Limits(log_entries=10))
    backlog.put([], [fault(0), *(gap(n, 0.5 + n) for n in range(1, 12))])
    kept = backlog.batch().log
    assert [entry.kind for entry in kept] == [LogKind.UNOBSERVED, LogKind.FAULT]
    assert kept[0].start_s == 1.0
    # by Gauss: 11 x 0.5 + 1 + 2 + ... + 11
    assert kept[0].duration_s == 11 * 0.5 + 11 * 12 / 2
    assert kept[0].text.startswith("11 gaps until 2026-11-25T07:15:44.123Z")
    assert backlog.take_let_go().words() == ""


def test_other_entries_are_dropped_only_beyond_that_and_counted() -> None:
    backlog = Backlog(Limits(log_entries=10))
    backlog.put([], [gap(0), *(fault(n) for n in range(1, 13))])
    kept = backlog.batch().log
    assert [entry.text for entry in kept] == ["gone", *(f"fault {n}" for n in range(4, 13))]
    assert backlog.take_let_go().words() == "3 log entries"


def test_batches_are_small_in_order_and_gone_when_they_are_done() -> None:
    backlog = Backlog()
    volts = np.ones(100_000, np.float32)  # 400 kB: two fit into a batch of 1 MB
    backlog.put(
        [event(n, None, waveforms=(Waveform(0, 16000.0, volts),)) for n in range(1, 6)], [gap(0)]
    )
    sizes = []
    while backlog.n_waiting:
        batch = backlog.batch()
        sizes.append([one.event.number for one in batch.events])
        assert (batch.log != ()) == (batch.count == backlog.n_waiting)
        backlog.done(batch)
    assert sizes == [[1, 2], [3, 4], [5]]
    assert backlog._n_bytes == 0
