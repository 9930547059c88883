"""The shared ring between the acquisition process and the measuring one.

Samples lie in memory that both processes map; what is in it is told through pipes. A pipe is a
system call on both sides, so it orders memory on ARM as well, which a bare index in shared memory
would not. The reader gives back what it has read (credit), and the writer never writes over
samples that were not given back: a live input that finds no room drops the new block and counts
it, a recording waits.
"""

import mmap
import os
import struct
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

RING_S = 40.0  # longer than the worst stall of a worn SD card
MAX_UNREAD_REPORTS = 800  # reports that fit into a pipe of 64 KiB with room to spare
LONGEST_WAIT_S = 30.0  # between two attempts to open a device that failed; each is told
_HEADER = struct.Struct("<BI")
_BLOCK = struct.Struct("<QQQQ")
_CREDIT = struct.Struct("<QQ")


class ReportKind(IntEnum):
    """What the acquisition process tells."""

    OPENED = 1  # payload: the source's description as JSON
    BLOCK = 2
    FAILED = 3  # payload: what went wrong; it will be tried again
    REFUSED = 4  # payload: the options are wrong
    UNAVAILABLE = 5  # payload: the device could not be opened at the start
    ENDED = 6


@dataclass(frozen=True, slots=True)
class Report:
    """One message from the acquisition process."""

    kind: ReportKind
    payload: bytes


@dataclass(frozen=True, slots=True)
class BlockReport:
    """A block that lies in the ring."""

    first_index: int
    n_samples: int
    n_lost: int  # just before it
    arrival_ns: int  # monotonic time at which its last sample was there

    def pack(self) -> bytes:
        return _BLOCK.pack(self.first_index, self.n_samples, self.n_lost, self.arrival_ns)

    @classmethod
    def unpack(cls, payload: bytes) -> "BlockReport":
        return cls(*_BLOCK.unpack(payload))

    def joined(self, later: "BlockReport") -> "BlockReport":
        """This block and the one right after it, of which no sample is lost, as one."""
        n_samples = self.n_samples + later.n_samples
        return BlockReport(self.first_index, n_samples, self.n_lost, later.arrival_ns)


class Ring:
    """Samples of all inputs, float32, in memory behind a file descriptor."""

    def __init__(self, descriptor: int, capacity: int, n_inputs: int) -> None:
        size = max(capacity * n_inputs * 4, 1)
        os.ftruncate(descriptor, size)
        self._map = mmap.mmap(descriptor, size)
        self._samples = np.frombuffer(self._map, np.float32).reshape(capacity, n_inputs)
        self.capacity = capacity

    def write(self, position: int, volts: NDArray[np.float32]) -> None:
        """Put samples at a running position; it wraps."""
        start = position % self.capacity
        first = min(len(volts), self.capacity - start)
        self._samples[start : start + first] = volts[:first]
        self._samples[: len(volts) - first] = volts[first:]

    def read(self, position: int, n_samples: int) -> NDArray[np.float32]:
        """A copy of the samples at a running position, read-only."""
        start = position % self.capacity
        first = min(n_samples, self.capacity - start)
        parts = [self._samples[start : start + first], self._samples[: n_samples - first]]
        volts = np.concatenate(parts)
        volts.flags.writeable = False
        return volts


def pack_report(kind: ReportKind, payload: bytes = b"") -> bytes:
    return _HEADER.pack(kind, len(payload)) + payload


def take_report(buffer: bytearray) -> Report | None:
    """Take one whole report off the front of what has arrived."""
    if len(buffer) < _HEADER.size:
        return None
    kind, length = _HEADER.unpack_from(buffer)
    end = _HEADER.size + length
    if len(buffer) < end:
        return None
    payload = bytes(buffer[_HEADER.size : end])
    del buffer[:end]
    return Report(ReportKind(kind), payload)


@dataclass(frozen=True, slots=True)
class Credit:
    """What the reader has read so far: samples, and reports of blocks."""

    n_samples: int = 0
    n_reports: int = 0

    def pack(self) -> bytes:
        return _CREDIT.pack(self.n_samples, self.n_reports)


def latest_credit(arrived: bytes, before: Credit) -> Credit:
    """The newest whole credit in what arrived; credits are written whole."""
    whole = len(arrived) // _CREDIT.size * _CREDIT.size
    return Credit(*_CREDIT.unpack_from(arrived, whole - _CREDIT.size)) if whole else before
