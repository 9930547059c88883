"""What the light shows and what the buttons mean: a state machine that knows no hardware.

Each turn of the monitor it takes what was pressed since the turn before and how the watch goes,
and gives what is to be done. `gpio_board.py` is the wire to real lines.
"""

from dataclasses import dataclass
from enum import StrEnum
from importlib import import_module
from typing import Protocol

from daemon.errors import InputError
from daemon.settings_tables import Gpio

POWER_TURNS = 2  # the line must say the same for so many turns: contacts bounce, and so does mains


class Light(StrEnum):
    """What the status light does."""

    OFF = "off"  # not watching
    STEADY = "steady"  # watching, nothing to tell
    BLINKING = "blinking"  # an event since the last look, which is the last press of the button
    FAST = "fast"  # a fault


@dataclass(frozen=True, slots=True)
class Inputs:
    """What came from the lines since the last turn."""

    n_marks: int = 0  # presses of the mark button
    is_shutdown_held: bool = False  # the shutdown button was held long enough
    is_power_lost: bool = False  # what the power-fail line says now


@dataclass(frozen=True, slots=True)
class WatchState:
    """How the watch goes."""

    is_watching: bool
    n_serious_events: int  # so far in this run, or any number that grows with each
    has_fault: bool


@dataclass(frozen=True, slots=True)
class Actions:
    """What the monitor is to do."""

    light: Light
    n_marks: int = 0  # write so many marks into the log
    is_shutdown: bool = False  # end in good order
    power_lost: bool = False  # commit, write it down, watch on for as long as it lasts
    power_returned: bool = False


class Board(Protocol):
    """The lines themselves."""

    def poll(self) -> Inputs:
        """What came since the last call.

        :raises SourceFailed: the lines cannot be read.
        """
        ...

    def show(self, light: Light) -> None:
        """Set the status light.

        :raises SourceFailed: it cannot be set.
        """
        ...

    def close(self) -> None:
        """Let go of the lines. Harmless the second time."""
        ...


class Indicators:
    """Remembers what was seen, and whether power was lost."""

    def __init__(self) -> None:
        self._n_seen = 0
        self._is_power_lost = False
        self._n_other = 0  # turns in a row in which the line said otherwise

    def step(self, inputs: Inputs, watch: WatchState) -> Actions:
        """One turn."""
        if inputs.n_marks:
            self._n_seen = watch.n_serious_events  # who presses the button has looked
        has_changed = self._settle_power(inputs.is_power_lost)
        return Actions(
            light=self._light(watch),
            n_marks=inputs.n_marks,
            is_shutdown=inputs.is_shutdown_held,
            power_lost=has_changed and self._is_power_lost,
            power_returned=has_changed and not self._is_power_lost,
        )

    def _light(self, watch: WatchState) -> Light:
        if watch.has_fault:
            return Light.FAST
        if not watch.is_watching:
            return Light.OFF
        return Light.BLINKING if watch.n_serious_events > self._n_seen else Light.STEADY

    def _settle_power(self, is_lost: bool) -> bool:
        self._n_other = self._n_other + 1 if is_lost != self._is_power_lost else 0
        if self._n_other < POWER_TURNS:
            return False
        self._is_power_lost, self._n_other = is_lost, 0
        return True


def open_board(gpio: Gpio) -> Board | None:
    """The configured lines, or None when there are none. gpiozero is imported only here.

    :raises InputError: gpiozero is not installed, so the configuration asks for too much.
    :raises SourceUnavailable: a line cannot be had.
    """
    if not gpio.is_used:
        return None
    try:
        module = import_module("daemon.gpio_board")
    except ImportError as error:
        raise InputError(
            f"the table gpio needs gpiozero, which is not installed ({error}): "
            "pip install '.[pi]' in the checkout, or leave the table out"
        ) from error
    board: Board = module.GpioBoard(gpio)
    return board
