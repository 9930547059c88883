"""What every driver of a converter that converts by itself, and says when, has in common."""

from abc import abstractmethod
from typing import Annotated, Protocol

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from drivers.clock import Clock
from drivers.equaliser import Equaliser
from drivers.errors import SourceFailed, SourceUnavailable
from drivers.gpio_line import EdgeLine, OpenEdges, open_edges
from drivers.ready import LOST_READY_S, ReadyCounter
from drivers.runs import Runs
from drivers.source import Block, Source, SourceInfo
from drivers.spi import OpenSpi, Spi, SpiOptions, SpiSettings, open_spidev

BLOCK_S = 0.02
MODE = 1  # of SPI
RATE_CHECK_S = 0.3  # shows a clock that is off by 1 % at 4 kS/s
SAME_FAULT_S = 10.0  # off its rate twice within it: setting the chip up anew does not help


class ReadyOptions(SpiOptions):
    """Keys that every converter with a data-ready line takes."""

    drdy_gpio: Annotated[int, Field(ge=0, le=63)]
    """GPIO number of the line that the chip's DRDY pin is wired to."""
    speed_hz: int


class Converter(Protocol):
    """A chip behind its registers."""

    def set_up(self) -> None:
        """Reset, write and read back.

        :raises SourceFailed: the chip does not answer as it should.
        """
        ...

    def volts(self, samples: list[bytes]) -> NDArray[np.float64]:
        """Shape (n_samples, n_inputs)."""
        ...


class ReadySource(Source):
    """Reads every conversion once, as the ready line says.

    A driver gives its chip, what it says of itself, and how it starts and reads.
    """

    def __init__(
        self,
        options: ReadyOptions,
        clock: Clock,
        open_spi: OpenSpi = open_spidev,
        open_line: OpenEdges = open_edges,
    ) -> None:
        self._wires = options
        self._clock = clock
        self._open_spi = open_spi
        self._open_line = open_line
        self._spi: Spi | None = None
        self._line: EdgeLine | None = None

    @abstractmethod
    def _describe(self) -> SourceInfo:
        """What the input can do; called before the device is opened.

        :raises OptionError: options that do not fit each other.
        """

    @property
    @abstractmethod
    def _taps(self) -> NDArray[np.float64]:
        """Undo the droop of the chip's filter."""

    @abstractmethod
    def _attach(self, spi: Spi) -> Converter:
        """The chip, not yet spoken to."""

    @abstractmethod
    def _start(self) -> None:
        """Nothing unread may be in the chip when counting begins; it is set up and settled."""

    @abstractmethod
    def _read_ready(self) -> None:
        """Read what is ready, and `_keep` it.

        :raises SourceFailed: the bus failed.
        """

    def open(self) -> SourceInfo:
        self.close()
        info = self._describe()
        try:
            self._connect(info)
        except SourceFailed as error:
            self.close()
            raise SourceUnavailable(str(error)) from error
        except SourceUnavailable:
            self.close()
            raise
        return info

    def read(self, timeout_s: float) -> Block | None:
        if self._line is None:
            raise SourceFailed(f"the {self._wires.name} is not open")
        end_ns = self._clock.monotonic_ns() + round(timeout_s * 1e9)
        while (block := self._runs.take()) is None:
            left_s = (end_ns - self._clock.monotonic_ns()) / 1e9
            if not self._counter.wait(max(left_s, 0.0)):
                return None
            if self._counter.is_off_rate:
                self._mend_rate()
            else:
                self._read_ready()
            if len(self._held) >= self._block_samples:
                self._hand_on()
        return block

    def close(self) -> None:
        spi, line = self._spi, self._line
        self._spi = self._line = None
        if line is not None:
            line.close()
        if spi is not None:
            spi.close()

    def _connect(self, info: SourceInfo) -> None:
        wires = self._wires
        self._rate_hz = info.sample_rate_hz
        self._block_samples = max(round(BLOCK_S * self._rate_hz), 1)
        self._spi = self._open_spi(SpiSettings(wires.bus, wires.device, MODE, wires.speed_hz))
        self._line = self._open_line(wires.drdy_gpio)
        self._chip = self._attach(self._spi)
        self._held: list[bytes] = []  # samples not yet handed on
        self._first_index = 0  # of the oldest of them
        self._off_rate_ns: int | None = None  # when it last came at another rate
        self._runs = Runs(Equaliser(self._taps, len(info.inputs)))
        self._chip.set_up()
        counter = ReadyCounter(self._line, self._clock, self._rate_hz)
        counter.restart()
        counter.check_rate(RATE_CHECK_S)
        self._counter = ReadyCounter(self._line, self._clock, self._rate_hz)
        self._count()

    def _begin(self) -> None:
        """Set the chip up, and count from then on."""
        self._chip.set_up()
        self._count()

    def _count(self) -> None:
        self._counter.restart()
        self._start()
        if not self._counter.wait(2.0 * LOST_READY_S):
            raise SourceFailed("the data-ready line is still")

    def _begin_again(self) -> None:
        """The chip lost its set-up since the last block: what is in hand is not to be trusted."""
        self._held = []
        self._begin()

    def _mend_rate(self) -> None:
        """Once it may be a reset, which setting up mends; soon again, it is the clock."""
        now_ns, before_ns = self._clock.monotonic_ns(), self._off_rate_ns
        self._off_rate_ns = now_ns
        if before_ns is not None and (now_ns - before_ns) / 1e9 < SAME_FAULT_S:
            raise SourceFailed(self._counter.off_rate_words())
        self._begin_again()

    def _keep(self, index: int, sample: bytes) -> None:
        """Add a sample; where one is left out, the run before it is handed on."""
        if not self._held or index != self._first_index + len(self._held):
            self._hand_on()
            self._first_index = index
        self._held.append(sample)

    def _hand_on(self) -> None:
        if self._held:
            self._push(self._chip.volts(self._held))

    def _push(self, volts: NDArray[np.float64]) -> None:
        self._runs.push(self._first_index, volts)
        self._held = []
