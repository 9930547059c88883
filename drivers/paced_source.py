"""What every driver of a converter that converts when it is asked has in common."""

from abc import abstractmethod
from typing import Protocol

from drivers.clock import Clock
from drivers.errors import SourceFailed, SourceUnavailable
from drivers.paced import PacedInput, Scanner
from drivers.source import Block, Source, SourceInfo, SourceOptions
from drivers.spi import OpenSpi, Spi, SpiSettings, open_spidev


class ScaledScanner(Scanner, Protocol):
    """A chip that is set up, and its range."""

    @property
    def bits(self) -> int: ...
    @property
    def full_scale_v(self) -> float: ...


class PacedSource(Source):
    """One chip, its inputs converted in turn at the program's pace.

    A driver gives `_settings`, how to talk to its chip, and `_ready`, the chip once it is set up.
    """

    def __init__(
        self, options: SourceOptions, clock: Clock, open_spi: OpenSpi = open_spidev
    ) -> None:
        self._clock = clock
        self._name = options.name
        self._open_spi = open_spi
        self._spi: Spi | None = None
        self._input: PacedInput | None = None

    @abstractmethod
    def _settings(self) -> SpiSettings:
        """Bus, mode and speed.

        :raises OptionError: options that do not fit each other.
        """

    @abstractmethod
    def _ready(self, spi: Spi) -> ScaledScanner:
        """Set the chip up.

        :raises SourceFailed: it does not answer as it should.
        """

    @property
    @abstractmethod
    def _inputs(self) -> tuple[str, ...]: ...

    @property
    @abstractmethod
    def _rate_hz(self) -> float: ...

    def open(self) -> SourceInfo:
        self.close()
        self._spi = self._open_spi(self._settings())
        try:
            scanner = self._ready(self._spi)
            paced = PacedInput(scanner, self._clock, self._rate_hz)
            paced.try_out()
        except SourceFailed as error:
            self.close()
            raise SourceUnavailable(str(error)) from error
        self._input = paced
        return SourceInfo(
            sample_rate_hz=self._rate_hz,
            inputs=self._inputs,
            bits=scanner.bits,
            full_scale_v=scanner.full_scale_v,
            bandwidth_hz=paced.bandwidth_hz,
            is_simultaneous=len(self._inputs) == 1,
            is_live=True,
            jitter_s=paced.jitter_s,
        )

    def read(self, timeout_s: float) -> Block | None:
        if self._input is None:
            raise SourceFailed(f"the {self._name} is not open")
        return self._input.read(timeout_s)

    def close(self) -> None:
        self._input = None
        if self._spi is not None:
            self._spi.close()
            self._spi = None
