"""The acquisition process: reads the driver, writes the ring, and does nothing else.

Started by `daemon.sampler_process` as `python -m daemon.sampler MEMORY REPORTS CREDITS`, three
file descriptors; the driver's name and options arrive on standard input as JSON, or nothing when
there is nothing to do.
"""

import ctypes
import gc
import json
import os
import select
import signal
import sys
from dataclasses import asdict

from daemon.allocation import BORDER_BYTES, fix_borders
from daemon.ring import (
    LONGEST_WAIT_S,
    MAX_UNREAD_REPORTS,
    RING_S,
    BlockReport,
    Credit,
    ReportKind,
    Ring,
    latest_credit,
    pack_report,
)
from drivers.clock import Clock, SystemClock
from drivers.errors import OptionError, SourceEnded, SourceFailed, SourceUnavailable
from drivers.registry import find_driver
from drivers.source import Block, Source, SourceInfo

READ_TIMEOUT_S = 0.25
LIVE_BORDER_BYTES = 1 << 20  # above the blocks of live inputs, which are short
SILENCE_S = 15.0  # of a live input that says nothing at all: it is opened again
FIRST_WAIT_S = 1.0
REALTIME_PRIORITY = 20  # below the kernel's interrupt threads, which run at 50
MCL_CURRENT, MCL_FUTURE, MCL_ONFAULT = 1, 2, 4


class _ReaderGoneError(Exception):
    """The measuring process is not there any more."""


class Sampler:
    """Moves blocks from a source to the ring for as long as there are any."""

    def __init__(self, clock: Clock, descriptors: tuple[int, int, int]) -> None:
        self._clock = clock
        self._memory, self._reports, self._credits = descriptors
        os.set_blocking(self._credits, False)
        self._ring: Ring | None = None
        self._credit = Credit()
        self._n_written = 0  # samples put into the ring
        self._n_reports = 0
        self._n_dropped = 0  # samples lost since the last block in the ring
        self._held: BlockReport | None = None  # of blocks in the ring, when too many are unread
        self._seen_ns = 0  # when the latest sample was there
        self._index_offset = 0  # of the source opened last, against the first one
        self._next_index = 0

    def run(self, name: str, options: dict[str, object]) -> None:
        """Sample until the source ends or the reader goes away."""
        driver = find_driver(name)
        source = driver(driver.Options.model_validate(options), self._clock)
        info = source.open()
        capacity = max(int(RING_S * info.sample_rate_hz), 1)
        self._ring = Ring(self._memory, capacity, len(info.inputs))
        self._report(ReportKind.OPENED, json.dumps(asdict(info)).encode())
        settle_process(LIVE_BORDER_BYTES if info.is_live else BORDER_BYTES)
        self._seen_ns = self._clock.monotonic_ns()
        try:
            while True:
                self._sample(source, info)
        except SourceEnded:
            self._tell_rest()
            self._report(ReportKind.ENDED)
        except _ReaderGoneError:  # it gives no more credit, and may still read what there is
            self._tell_rest()
            raise
        finally:
            source.close()

    def _sample(self, source: Source, info: SourceInfo) -> None:
        try:
            block = source.read(READ_TIMEOUT_S)
            self._check_silence(block, info)
        except SourceFailed as error:
            if not info.is_live:  # a file that cannot be read on would only start over
                raise
            self._report_fault(error)
            self._reopen(source, info)
            return
        self._take_credit(wait_s=0.0)
        if block is not None:
            self._place(block, info)

    def _check_silence(self, block: Block | None, info: SourceInfo) -> None:
        silent_s = (self._clock.monotonic_ns() - self._seen_ns) / 1e9
        if block is None and info.is_live and silent_s > SILENCE_S:
            raise SourceFailed(f"no sample came for {SILENCE_S:g} s")

    def _reopen(self, source: Source, info: SourceInfo) -> None:
        """Try until the device is back; the time since its last sample counts as lost samples."""
        try:
            self._open_until_back(source, info)
        finally:  # also when the reader goes away meanwhile
            self._count_away(info)

    def _open_until_back(self, source: Source, info: SourceInfo) -> None:
        wait_s = FIRST_WAIT_S
        while True:
            source.close()
            self._wait(wait_s)
            try:
                self._open_again(source, info)
                break
            except (SourceUnavailable, SourceFailed, OptionError) as error:
                # it worked before, so options that do not fit now are the device's fault
                self._report_fault(error)
                wait_s = min(2 * wait_s, LONGEST_WAIT_S)

    def _count_away(self, info: SourceInfo) -> None:
        away_s = (self._clock.monotonic_ns() - self._seen_ns) / 1e9
        n_away = max(1, round(away_s * info.sample_rate_hz))
        self._seen_ns = self._clock.monotonic_ns()
        self._n_dropped += n_away
        self._index_offset = self._next_index + n_away
        self._next_index = self._index_offset

    @staticmethod
    def _open_again(source: Source, before: SourceInfo) -> None:
        """:raises SourceUnavailable: what is there now is not what was there before."""
        now = source.open()
        if (now.inputs, now.sample_rate_hz) != (before.inputs, before.sample_rate_hz):
            raise SourceUnavailable(
                f"the device came back different: {now.sample_rate_hz:g} Hz on "
                f"{', '.join(now.inputs)} instead of {before.sample_rate_hz:g} Hz on "
                f"{', '.join(before.inputs)}"
            )

    def _place(self, block: Block, info: SourceInfo) -> None:
        """Put a block into the ring, or count it as lost when a live input finds no room."""
        arrival_ns = self._seen_ns = self._clock.monotonic_ns()
        first_index = block.first_index + self._index_offset
        self._next_index = first_index + len(block.volts)
        if not info.is_live:
            while not (self._has_space(block) and self._may_report):
                self._take_credit(wait_s=1.0)
        elif not (self._has_space(block) and (self._may_report or self._can_join(block))):
            self._n_dropped += len(block.volts) + block.n_lost
            return
        assert self._ring is not None
        self._ring.write(self._n_written, block.volts)
        self._n_written += len(block.volts)
        n_lost, self._n_dropped = block.n_lost + self._n_dropped, 0
        self._tell(BlockReport(first_index, len(block.volts), n_lost, arrival_ns))

    def _tell(self, report: BlockReport) -> None:
        """Report a block now, or joined to its neighbours once there are fewer unread reports."""
        if self._held is not None and report.n_lost == 0:
            report = self._held.joined(report)
        elif self._held is not None:
            self._send(self._held)
        self._held = report
        self._send_held()

    def _send_held(self) -> None:
        if self._held is not None and self._may_report:
            report, self._held = self._held, None
            self._send(report)

    def _send(self, report: BlockReport) -> None:
        self._n_reports += 1
        self._report(ReportKind.BLOCK, report.pack())

    def _tell_rest(self) -> None:
        """What was held back, and an empty block that counts what was lost after it."""
        if self._held is not None:
            self._send(self._held)
            self._held = None
        if self._n_dropped:
            arrival_ns = self._clock.monotonic_ns()
            self._send(BlockReport(self._next_index, 0, self._n_dropped, arrival_ns))

    def _has_space(self, block: Block) -> bool:
        assert self._ring is not None
        unread = self._n_written - self._credit.n_samples
        return unread + len(block.volts) <= self._ring.capacity or unread == 0

    @property
    def _may_report(self) -> bool:
        return self._n_reports - self._credit.n_reports < MAX_UNREAD_REPORTS

    def _can_join(self, block: Block) -> bool:
        return self._held is None or not (block.n_lost or self._n_dropped)

    def _wait(self, wait_s: float) -> None:
        until_ns = self._clock.monotonic_ns() + round(wait_s * 1e9)
        while (left_s := (until_ns - self._clock.monotonic_ns()) / 1e9) > 0:
            self._take_credit(left_s)  # which returns as soon as there is any

    def _take_credit(self, wait_s: float) -> None:
        ready, _, _ = select.select([self._credits], [], [], wait_s)
        if not ready:
            return
        arrived = os.read(self._credits, 65536)
        if not arrived:
            raise _ReaderGoneError
        self._credit = latest_credit(arrived, self._credit)
        self._send_held()

    def _report_fault(self, error: Exception) -> None:
        """Told unless a reader that hears nothing left no room: nothing may block a live input."""
        if select.select([], [self._reports], [], 0)[1]:
            self._report(ReportKind.FAILED, str(error).encode())

    def _report(self, kind: ReportKind, payload: bytes = b"") -> None:
        report = memoryview(pack_report(kind, payload))
        while report:
            report = report[os.write(self._reports, report) :]


def settle_process(border_bytes: int) -> None:
    """Keep the collector, the scheduler and the swap away from sampling, where that is allowed.

    With them goes the giving back of memory that the next block asks for again.
    """
    fix_borders(border_bytes)
    gc.collect()
    gc.freeze()
    gc.disable()
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(REALTIME_PRIORITY))
    except OSError:
        return  # not allowed here: the ring makes up for it, and locking memory without it is waste
    # On fault: what is used stays in memory; what was only reserved, such as stacks, stays out.
    ctypes.CDLL(None).mlockall(MCL_CURRENT | MCL_FUTURE | MCL_ONFAULT)


def main() -> int:
    """Entry of the process; its reports say how it ended."""
    for number in (signal.SIGINT, signal.SIGTERM):  # both are for the measuring process;
        signal.signal(number, signal.SIG_IGN)  # this one ends when that one goes away
    memory, reports, credits = (int(text) for text in sys.argv[1:4])
    text = sys.stdin.read()
    if not text:
        return 0
    task = json.loads(text)
    sampler = Sampler(SystemClock(), (memory, reports, credits))
    try:
        sampler.run(task["name"], task["options"])
    except OptionError as error:
        os.write(reports, pack_report(ReportKind.REFUSED, str(error).encode()))
    except (SourceUnavailable, SourceFailed) as error:
        os.write(reports, pack_report(ReportKind.UNAVAILABLE, str(error).encode()))
    except (_ReaderGoneError, BrokenPipeError):
        pass
    return 0


if __name__ == "__main__":
    sys.exit(main())
