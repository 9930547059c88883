"""One line of a GPIO chip: its falling edges with the kernel's own time.

Spoken directly to the kernel's character device (version 2 of its interface, Linux 5.10 and later),
because the Python packages for it differ in interface from release to release. An edge carries a
number, so that a missed one shows, and a time stamp of the clock that is never stepped.
Layout: linux/gpio.h.
"""

import errno
import fcntl
import os
import select
import struct
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from drivers.errors import SourceFailed, SourceUnavailable

CHIP_INFO = struct.Struct("=32s32sI")  # name, label, number of lines
LINE_REQUEST = struct.Struct("=256s32sQI20s240sII20si")
"""offsets, consumer, config (flags, num_attrs, padding, attrs), num_lines, event_buffer_size,
padding, fd."""
LINE_EVENT = struct.Struct("=QIIII24s")  # timestamp_ns, id, offset, seqno, line_seqno, padding
GET_CHIP_INFO = 0x8044B401
GET_LINE = 0xC250B407
FLAG_INPUT = 1 << 2
FLAG_FALLING = 1 << 5
HEADER_LABELS = (b"pinctrl-rp1", b"pinctrl-bcm2711", b"pinctrl-bcm2835")
HEADER_LINES = 54  # a chip without a known label that has as many is the 40-pin header's
EVENT_BUFFER = 64  # edges kept by the kernel
CONSUMER = b"halfcycle"


@dataclass(frozen=True, slots=True)
class Edge:
    """One falling edge."""

    t_ns: int  # monotonic
    number: int  # counted by the kernel, missed ones included


class EdgeLine(Protocol):
    """A line whose falling edges are waited for."""

    def wait(self, timeout_s: float) -> Edge | None:
        """The oldest edge not yet given, or None when none came in time.

        :raises SourceFailed: the line failed.
        """
        ...

    def close(self) -> None:
        """Release the line. Harmless the second time."""
        ...


OpenEdges = Callable[[int], EdgeLine]
"""How a driver gets its line by GPIO number: `open_edges`, or a chip model's in a test."""


class GpioEdges:
    """Falling edges read from the descriptor of a line request."""

    def __init__(self, descriptor: int, name: str) -> None:
        self._descriptor = descriptor
        self._name = name

    def wait(self, timeout_s: float) -> Edge | None:
        if self._descriptor < 0:
            raise SourceFailed(f"{self._name} is not open")
        try:
            ready, _, _ = select.select([self._descriptor], [], [], max(timeout_s, 0.0))
            event = os.read(self._descriptor, LINE_EVENT.size) if ready else b""
        except OSError as error:
            raise SourceFailed(f"{self._name}: {error.strerror or error}") from error
        if not ready:
            return None
        if len(event) != LINE_EVENT.size:
            raise SourceFailed(f"{self._name}: gave {len(event)} bytes for an edge")
        t_ns, _, _, _, number, _ = LINE_EVENT.unpack(event)
        return Edge(t_ns, number)

    def close(self) -> None:
        descriptor, self._descriptor = self._descriptor, -1
        if descriptor >= 0:
            with suppress(OSError):
                os.close(descriptor)


def open_edges(gpio: int) -> GpioEdges:
    """Falling edges of a header line, by its GPIO number.

    :raises SourceUnavailable: there is no such line, or it is taken.
    """
    return GpioEdges(_request_line(gpio, FLAG_INPUT | FLAG_FALLING), f"GPIO {gpio}")


def packed_request(gpio: int, flags: int) -> bytearray:
    """The argument of GET_LINE for one line."""
    offsets = struct.pack("=64I", gpio, *[0] * 63)
    return bytearray(
        LINE_REQUEST.pack(offsets, CONSUMER, flags, 0, b"", b"", 1, EVENT_BUFFER, b"", 0)
    )


def _request_line(gpio: int, flags: int) -> int:
    chip = _header_chip(sorted(Path("/dev").glob("gpiochip*")))
    request = packed_request(gpio, flags)
    descriptor = -1
    try:
        descriptor = os.open(chip, os.O_RDWR | os.O_CLOEXEC)
        fcntl.ioctl(descriptor, GET_LINE, request)
    except OSError as error:
        raise SourceUnavailable(f"GPIO {gpio} of {chip}: {_advice(error)}") from error
    finally:
        if descriptor >= 0:
            os.close(descriptor)
    line: int = LINE_REQUEST.unpack(request)[-1]
    return line


def _header_chip(paths: list[Path]) -> Path:
    """The chip behind the header: its number differs between models and kernels."""
    for path in paths:
        label, n_lines = _chip_info(path)
        if label in HEADER_LABELS or (not label.startswith(b"pinctrl") and n_lines >= HEADER_LINES):
            return path
    raise SourceUnavailable("there is no GPIO chip of a Raspberry Pi header here")


def _chip_info(path: Path) -> tuple[bytes, int]:
    info = bytearray(CHIP_INFO.size)
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return b"", 0
    try:
        fcntl.ioctl(descriptor, GET_CHIP_INFO, info)
    except OSError:
        return b"", 0
    finally:
        os.close(descriptor)
    _, label, n_lines = CHIP_INFO.unpack(info)
    return label.rstrip(b"\0"), n_lines


def _advice(error: OSError) -> str:
    if error.errno in (errno.EACCES, errno.EPERM):
        return "may not be used by this user: it must be in the group gpio"
    if error.errno == errno.EBUSY:
        return "is in use by another program"
    return error.strerror or str(error)
