"""The bus: the kernel's own header, a module in the place of spidev, and its traps."""

import ctypes
import errno
from collections.abc import Callable
from pathlib import Path

import pytest

from drivers.errors import SourceFailed, SourceUnavailable
from drivers.spi import (
    BUFFER_BYTES,
    MAX_TRANSFERS,
    MESSAGE_REQUEST,
    TRANSFER,
    Message,
    Part,
    SpidevSpi,
    SpiSettings,
    open_spidev,
)
from tests.chips.kernel_header import compiled

FIELDS = (
    "tx_buf", "rx_buf", "len", "speed_hz", "delay_usecs", "bits_per_word", "cs_change",
    "tx_nbits", "rx_nbits", "word_delay_usecs", "pad",
)  # fmt: skip
SETTINGS = SpiSettings(bus=0, device=1, mode=1, speed_hz=8_000_000)


class FakeDevice:
    """What spidev.SpiDev is seen to do: a tuple gives a new tuple, one call is one frame."""

    def __init__(self) -> None:
        self.mode = -1
        self.max_speed_hz = 125_000_000
        self.opened: tuple[int, int] | None = None
        self.n_closed = 0
        self.sent: list[object] = []
        self.error: OSError | None = None
        self.answer: Callable[[tuple[int, ...]], tuple[int, ...]] = lambda data: data

    def open(self, bus: int, device: int, /) -> None:
        if self.error is not None:
            raise self.error
        self.opened = (bus, device)

    def xfer2(self, data: tuple[int, ...], /) -> tuple[int, ...]:
        if self.error is not None:
            raise self.error
        self.sent.append(data)
        return self.answer(data)

    def fileno(self) -> int:
        return 7

    def close(self) -> None:
        self.n_closed += 1


class FakeLibrary:
    def __init__(self, device: FakeDevice) -> None:
        self._device = device

    def SpiDev(self) -> FakeDevice:  # noqa: N802
        return self._device


class Kernel:
    """Reads the transfers of a message as the kernel does, and answers each byte with ~byte."""

    def __init__(self) -> None:
        self.calls: list[tuple[int, int, list[tuple[int, ...]]]] = []
        self.error: OSError | None = None

    def __call__(self, descriptor: int, request: int, argument: bytearray, /) -> int:
        if self.error is not None:
            raise self.error
        transfers = list(TRANSFER.iter_unpack(argument))
        self.calls.append((descriptor, request, transfers))
        for transfer in transfers:
            sent = ctypes.string_at(transfer[0], transfer[2])
            ctypes.memmove(transfer[1], bytes(~byte & 0xFF for byte in sent), transfer[2])
        return sum(transfer[2] for transfer in transfers)


def test_a_transfer_has_the_layout_of_the_kernels_header(tmp_path: Path) -> None:
    asked = [f"offsetof(struct spi_ioc_transfer, {field})" for field in FIELDS]
    asked.append("sizeof(struct spi_ioc_transfer)")
    body = "".join(f'printf("%zu\\n", (size_t){one});' for one in asked)
    numbers = compiled(tmp_path, "linux/spi/spidev.h", body)
    packed = [TRANSFER.pack(*(n == i for i in range(len(FIELDS)))) for n in range(len(FIELDS))]
    assert numbers == [*(one.index(1) for one in packed), TRANSFER.size]


@pytest.mark.parametrize("n_parts", [1, 3, 32, MAX_TRANSFERS])
def test_the_request_is_the_kernels_macro(tmp_path: Path, n_parts: int) -> None:
    body = f'printf("%lu\\n", (unsigned long)SPI_IOC_MESSAGE({n_parts}));'
    number = MESSAGE_REQUEST | (TRANSFER.size * n_parts) << 16
    assert compiled(tmp_path, "linux/spi/spidev.h", body) == [number]


def test_opening_sets_mode_and_speed() -> None:
    device = FakeDevice()
    open_spidev(SETTINGS, FakeLibrary(device)).close()
    assert (device.opened, device.mode, device.max_speed_hz) == ((0, 1), 1, 8_000_000)
    assert device.n_closed == 1


@pytest.mark.parametrize(
    ("code", "says"),
    [(errno.ENOENT, "dtparam=spi=on"), (errno.EACCES, "group spi"), (errno.EINVAL, "Invalid")],
)
def test_a_bus_that_cannot_be_opened_says_what_to_do(code: int, says: str) -> None:
    device = FakeDevice()
    device.error = OSError(code, "Invalid argument")
    with pytest.raises(SourceUnavailable, match=says):
        open_spidev(SETTINGS, FakeLibrary(device))
    assert device.n_closed == 1


def test_frames_are_handed_over_as_tuples() -> None:
    """py-spidev 3.8 overwrites a list that it is given (executed; its source names no reason)."""
    device = FakeDevice()
    assert open_spidev(SETTINGS, FakeLibrary(device)).exchange((1, 208, 0)) == bytes([1, 208, 0])
    assert device.sent == [(1, 208, 0)]
    assert type(device.sent[0]) is tuple


def test_an_error_of_the_bus_is_a_failed_source() -> None:
    device, kernel = FakeDevice(), Kernel()
    spi = SpidevSpi(device, "/dev/spidev0.1", kernel)
    device.error = kernel.error = OSError(errno.ETIMEDOUT, "Connection timed out")
    with pytest.raises(SourceFailed, match=r"/dev/spidev0\.1: Connection timed out"):
        spi.exchange((0,))
    with pytest.raises(SourceFailed, match=r"/dev/spidev0\.1: Connection timed out"):
        spi.exchange_parts((Part(b"\0"),))
    device.error, device.answer = None, lambda data: data[:1]
    with pytest.raises(SourceFailed, match="gave 1 bytes for 3"):
        spi.exchange((1, 2, 3))


def test_closing_twice_is_harmless_and_use_after_it_is_not() -> None:
    device = FakeDevice()
    spi = SpidevSpi(device, "/dev/spidev0.1", Kernel())
    spi.close()
    spi.close()
    assert device.n_closed == 1
    with pytest.raises(SourceFailed, match="not open"):
        spi.exchange((0,))
    with pytest.raises(SourceFailed, match="not open"):
        spi.exchange_parts((Part(b"\0"),))


def test_parts_reach_the_kernel_in_order_and_their_answers_come_back() -> None:
    kernel = Kernel()
    spi = SpidevSpi(FakeDevice(), "", kernel)
    parts = (Part(b"\x01", delay_us=7, is_last=False), Part(b"\x00\x02\x03"), Part(b"\x10\x20"))
    for _ in range(2):  # the second time from memory that is used again
        assert spi.exchange_parts(parts) == bytes([0xFE, 0xFF, 0xFD, 0xFC, 0xEF, 0xDF])
    descriptor, request, transfers = kernel.calls[1]
    assert descriptor == 7
    assert request == 0x40606B00  # SPI_IOC_MESSAGE(3)
    assert [transfer[2] for transfer in transfers] == [1, 3, 2]
    assert [transfer[4] for transfer in transfers] == [7, 0, 0]
    # Raised between the second and the third; on the last the flag would leave it low.
    assert [transfer[6] for transfer in transfers] == [0, 1, 0]


def test_a_message_that_the_kernel_would_refuse_is_not_sent() -> None:
    assert Message((Part(b"\0" * 3),) * 32).request == 0x44006B00
    with pytest.raises(ValueError, match=f"{BUFFER_BYTES} bytes; this needs 4224"):
        Message((Part(b"\0" * 3),) * 33)  # 128 bytes of the buffer each, on 64-bit ARM
    for n_parts in (0, MAX_TRANSFERS + 1):
        with pytest.raises(ValueError, match="1 to 511 parts"):
            Message((Part(b"\0"),) * n_parts)


def test_a_bus_that_is_not_there_or_a_package_that_is_missing_is_told() -> None:
    with pytest.raises(SourceUnavailable, match="spidev"):
        open_spidev(SpiSettings(bus=10, device=4, mode=0, speed_hz=1_000_000))
