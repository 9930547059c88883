"""SPI as the converter drivers use it: whole frames between two edges of chip select.

Real buses go through the `spidev` package, imported only when a bus is opened. Frames are handed to
it as tuples: it overwrites a list that it is given. Its `xfer2` lets other threads run meanwhile,
`xfer` does not. What it cannot do (raise chip select between frames of one call, wait between two
parts of a frame) is done by the kernel's own message request on the same descriptor.
Layout and numbers: linux/spi/spidev.h; limits of a message: drivers/spi/spidev.c of Linux.
"""

import ctypes
import errno
import fcntl
import struct
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from importlib import import_module
from typing import Annotated, Protocol, cast

from pydantic import Field

from drivers.errors import SourceFailed, SourceUnavailable
from drivers.source import SourceOptions

TRANSFER = struct.Struct("=QQIIHBBBBBB")
"""struct spi_ioc_transfer: tx_buf, rx_buf, len, speed_hz, delay_usecs, bits_per_word, cs_change,
tx_nbits, rx_nbits, word_delay_usecs, pad."""
MESSAGE_REQUEST = 0x40006B00  # SPI_IOC_MESSAGE(0); the size of all transfers goes to bit 16
MAX_TRANSFERS = 511  # the size field has 14 bits
BUFFER_BYTES = 4096  # spidev.bufsiz unless the kernel command line says more
ALIGNMENT_BYTES = 128  # each transfer's share of that buffer is rounded up to this on 64-bit ARM


@dataclass(frozen=True, slots=True)
class SpiSettings:
    """Which bus, and how to talk on it."""

    bus: int
    device: int
    mode: int
    speed_hz: int

    @property
    def path(self) -> str:
        return f"/dev/spidev{self.bus}.{self.device}"


class SpiOptions(SourceOptions):
    """Keys that every driver on an SPI bus takes."""

    bus: Annotated[int, Field(ge=0, le=10)] = 0
    device: Annotated[int, Field(ge=0, le=4)] = 0  # chip select


@dataclass(frozen=True, slots=True)
class Part:
    """Bytes to send, and what happens after them."""

    data: bytes
    delay_us: int = 0  # wait after the last bit, chip select still low
    is_last: bool = True  # chip select goes high after it


class Spi(Protocol):
    """One chip on a bus. Every method raises `SourceFailed` when the device fails."""

    def exchange(self, data: tuple[int, ...]) -> bytes:
        """Send one frame, chip select low from its first to its last bit; what came back."""
        ...

    def exchange_parts(self, parts: tuple[Part, ...]) -> bytes:
        """Send several frames, or frames in parts, in one call; all that came back.

        The kernel keeps chip select high for 10 microseconds between two frames.
        """
        ...

    def close(self) -> None:
        """Release the bus. Harmless the second time."""
        ...


OpenSpi = Callable[[SpiSettings], Spi]
"""How a driver gets its bus: `open_spidev`, or a chip model in a test."""


class SpiDevice(Protocol):
    """What is used of `spidev.SpiDev`."""

    mode: int
    max_speed_hz: int

    def open(self, bus: int, device: int, /) -> None: ...
    def xfer2(self, data: tuple[int, ...], /) -> tuple[int, ...]: ...
    def fileno(self) -> int: ...
    def close(self) -> None: ...


class SpiLibrary(Protocol):
    """What is used of the module `spidev`."""

    def SpiDev(self) -> SpiDevice: ...  # noqa: N802


class Ioctl(Protocol):
    """`fcntl.ioctl` with an argument that it may change."""

    def __call__(self, descriptor: int, request: int, argument: bytearray, /) -> int: ...


class Message:
    """Parts laid out as the kernel wants them, in memory that stays where it is."""

    def __init__(self, parts: tuple[Part, ...]) -> None:
        lengths = [len(part.data) for part in parts]
        _refuse_too_large(lengths)
        self._sent = ctypes.create_string_buffer(b"".join(part.data for part in parts))
        self._received = (ctypes.c_ubyte * sum(lengths))()
        self.request = MESSAGE_REQUEST | (TRANSFER.size * len(parts)) << 16
        self.argument = bytearray()  # more than 1024 bytes must be changeable for fcntl.ioctl
        start = 0
        for number, part in enumerate(parts, start=1):
            # On the last transfer the flag would mean the opposite: leave chip select low.
            is_raised_between = part.is_last and number < len(parts)
            self.argument += TRANSFER.pack(
                ctypes.addressof(self._sent) + start,
                ctypes.addressof(self._received) + start,
                *(len(part.data), 0, part.delay_us, 0, is_raised_between, 0, 0, 0, 0),
            )
            start += len(part.data)

    @property
    def received(self) -> bytes:
        return bytes(self._received)


class SpidevSpi:
    """A chip behind /dev/spidevB.D."""

    def __init__(self, device: SpiDevice, path: str, ioctl: Ioctl = fcntl.ioctl) -> None:
        self._device: SpiDevice | None = device
        self._path = path
        self._ioctl = ioctl
        self._messages: dict[tuple[Part, ...], Message] = {}  # a driver has only a few

    def exchange(self, data: tuple[int, ...]) -> bytes:
        device = self._opened()
        try:
            received = device.xfer2(data)
        except OSError as error:
            raise self._failure(error) from error
        if len(received) != len(data):
            raise SourceFailed(f"{self._path} gave {len(received)} bytes for {len(data)}")
        return bytes(received)

    def exchange_parts(self, parts: tuple[Part, ...]) -> bytes:
        device = self._opened()
        message = self._messages.get(parts)
        if message is None:
            message = self._messages[parts] = Message(parts)
        try:
            self._ioctl(device.fileno(), message.request, message.argument)
        except OSError as error:
            raise self._failure(error) from error
        return message.received

    def close(self) -> None:
        device, self._device = self._device, None
        if device is not None:
            with suppress(OSError):
                device.close()

    def _opened(self) -> SpiDevice:
        if self._device is None:
            raise SourceFailed(f"{self._path} is not open")
        return self._device

    def _failure(self, error: OSError) -> SourceFailed:
        return SourceFailed(f"{self._path}: {error.strerror or error}")


def open_spidev(settings: SpiSettings, library: SpiLibrary | None = None) -> SpidevSpi:
    """The chip at `settings.path`, with mode and speed set.

    :raises SourceUnavailable: no such device, no right to use it, or `spidev` is not installed.
    """
    device = (library or _spidev()).SpiDev()
    try:
        device.open(settings.bus, settings.device)
        device.mode = settings.mode
        device.max_speed_hz = settings.speed_hz  # the kernel's own default may be 125 MHz
    except OSError as error:
        device.close()
        raise SourceUnavailable(f"{settings.path}: {_advice(error)}") from error
    return SpidevSpi(device, settings.path)


def _spidev() -> SpiLibrary:
    try:
        return cast(SpiLibrary, import_module("spidev"))
    except ImportError as error:
        raise SourceUnavailable(
            "the Python package spidev is missing: pip install '.[pi]' in the checkout,"
            " or apt install python3-spidev"
        ) from error


def _advice(error: OSError) -> str:
    if error.errno in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
        return "is not there: switch SPI on (dtparam=spi=on in config.txt) and check bus and device"
    if error.errno in (errno.EACCES, errno.EPERM):
        return "may not be used by this user: it must be in the group spi"
    return error.strerror or str(error)


def _refuse_too_large(lengths: list[int]) -> None:
    if not 1 <= len(lengths) <= MAX_TRANSFERS:
        raise ValueError(f"a message has 1 to {MAX_TRANSFERS} parts, not {len(lengths)}")
    needed = sum(-(-length // ALIGNMENT_BYTES) * ALIGNMENT_BYTES for length in lengths)
    if needed > BUFFER_BYTES:
        raise ValueError(f"the kernel's buffer has {BUFFER_BYTES} bytes; this needs {needed}")
