"""The measuring process's end of the acquisition: asks the sampler for blocks and fetches them."""

import contextlib
import json
import os
import select
import subprocess
from dataclasses import dataclass

from daemon.ring import RING_S, BlockReport, Credit, Report, ReportKind, Ring, take_report
from daemon.sampler_process import SamplerProcess
from drivers.errors import OptionError, SourceEnded, SourceFailed, SourceUnavailable
from drivers.source import Block, SourceInfo, SourceOptions

OPEN_TIMEOUT_S = 30.0
CLOSE_TIMEOUT_S = 5.0


@dataclass(frozen=True, slots=True)
class Fetched:
    """One block from the ring."""

    block: Block
    arrival_ns: int  # monotonic time at which its last sample was there


@dataclass(frozen=True, slots=True)
class DeviceFault:
    """The device failed; the sampler is trying to open it again."""

    text: str


class Acquisition:
    """A sampler process and the ring it fills."""

    def __init__(self, options: SourceOptions, sampler: SamplerProcess | None = None) -> None:
        """
        :param sampler: one that was started already; it is ended with this.
        """
        sampler = sampler or SamplerProcess()
        self._memory, self._process = sampler.memory, sampler.process
        self._reports, self._credits = sampler.reports, sampler.credits
        self._arrived = bytearray()
        self._ring: Ring | None = None
        self._n_read = 0
        self._n_reports = 0
        self._is_stopping = False
        task = {"name": options.name, "options": options.model_dump(mode="json")}
        sampler.give(json.dumps(task).encode())

    def open(self) -> SourceInfo:
        """Wait until the device is open.

        :raises OptionError: its options are wrong.
        :raises SourceUnavailable: it is not there.
        """
        report = self._next_report(OPEN_TIMEOUT_S)
        if report is None:
            raise SourceUnavailable(f"the input did not open within {OPEN_TIMEOUT_S:g} s")
        if report.kind is ReportKind.REFUSED:
            raise OptionError(report.payload.decode())
        if report.kind is not ReportKind.OPENED:
            raise SourceUnavailable(report.payload.decode())
        fields = json.loads(report.payload)
        info = SourceInfo(**{**fields, "inputs": tuple(fields["inputs"])})
        capacity = max(int(RING_S * info.sample_rate_hz), 1)
        self._ring = Ring(self._memory, capacity, len(info.inputs))
        return info

    def fetch(self, timeout_s: float) -> Fetched | DeviceFault | None:
        """The next block, or that the device failed, or None after `timeout_s` without either.

        :raises SourceEnded: there will be no more.
        :raises SourceFailed: the input cannot be read on, or the sampler itself is gone.
        """
        report = self._next_report(timeout_s)
        if report is None:
            return None
        if report.kind is ReportKind.BLOCK:
            return self._fetch(BlockReport.unpack(report.payload))
        if report.kind is ReportKind.ENDED:
            raise SourceEnded("the recording is over")
        text = report.payload.decode()
        if report.kind is not ReportKind.FAILED:
            raise SourceFailed(text)
        return DeviceFault(text)

    def stop(self) -> None:
        """Take no more samples. Those that were taken can still be fetched, until the end."""
        if not self._is_stopping:
            self._is_stopping = True
            os.close(self._credits)  # the sampler sees that nobody wants more

    def close(self) -> None:
        """Stop the sampler. Harmless the second time."""
        self.stop()
        if self._process.returncode is None:
            try:
                self._process.wait(CLOSE_TIMEOUT_S)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
            os.close(self._reports)
            os.close(self._memory)

    def _fetch(self, report: BlockReport) -> Fetched:
        assert self._ring is not None
        volts = self._ring.read(self._n_read, report.n_samples)
        self._n_read += report.n_samples
        self._n_reports += 1
        if not self._is_stopping:
            with contextlib.suppress(BrokenPipeError):  # it has told all and ended
                os.write(self._credits, Credit(self._n_read, self._n_reports).pack())
        return Fetched(Block(report.first_index, volts, report.n_lost), report.arrival_ns)

    def _next_report(self, timeout_s: float) -> Report | None:
        while True:
            report = take_report(self._arrived)
            if report is not None:
                return report
            ready, _, _ = select.select([self._reports], [], [], timeout_s)
            if not ready:
                return None
            arrived = os.read(self._reports, 65536)
            if not arrived and self._is_stopping:
                raise SourceEnded("sampling was stopped")
            if not arrived:
                raise SourceFailed("the sampling process ended unexpectedly")
            self._arrived += arrived
