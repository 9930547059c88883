"""Light and buttons on the lines of the GPIO header, through gpiozero."""

from collections import deque
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

from gpiozero import LED, BadPinFactory, Button, DigitalInputDevice, GPIOZeroError

from daemon.indicators import Inputs, Light
from daemon.settings_tables import Gpio
from drivers.errors import SourceFailed, SourceUnavailable

BLINK_S = 0.8
FAST_S = 0.1
BOUNCE_S = 0.05


@contextmanager
def _told() -> Iterator[None]:
    """A fault of the lines in our own words."""
    try:
        yield
    except (GPIOZeroError, OSError) as error:
        raise SourceFailed(f"gpio: {error}") from error


class GpioBoard:
    """The configured lines.

    gpiozero calls back from threads of its own. All that happens there is a note in a deque, whose
    append and popleft need no lock; the monitor collects the notes when it polls.

    :raises SourceUnavailable: a line is not there or not free.
    """

    def __init__(self, gpio: Gpio) -> None:
        self._presses: deque[None] = deque(maxlen=100)
        self._holds: deque[None] = deque(maxlen=1)
        self._shown: Light | None = None
        with ExitStack() as undo:
            try:
                self._light = self._open_light(gpio, undo)
                self._open_buttons(gpio, undo)
                self._power = self._open_power(gpio, undo)
            except BadPinFactory as error:
                raise SourceUnavailable(
                    "gpio: this computer's lines cannot be reached: apt install python3-lgpio, "
                    "or pip install '.[pi]' in the checkout"
                ) from error
            except (GPIOZeroError, OSError) as error:
                raise SourceUnavailable(f"gpio: {error}") from error
            self._undo = undo.pop_all()

    def poll(self) -> Inputs:
        """Presses since the last call, and what the power-fail line says now.

        :raises SourceFailed: a line cannot be read.
        """
        n_marks = 0
        while self._presses:
            self._presses.popleft()
            n_marks += 1
        is_held = bool(self._holds)
        self._holds.clear()
        with _told():
            is_lost = self._power is not None and bool(self._power.is_active)
        return Inputs(n_marks, is_held, is_lost)

    def show(self, light: Light) -> None:
        """Set the status light; nothing happens when it already shows that.

        :raises SourceFailed: the line cannot be set.
        """
        if self._light is None or light is self._shown:
            return
        with _told():
            if light is Light.STEADY:
                self._light.on()
            elif light is Light.OFF:
                self._light.off()
            else:
                half_s = FAST_S if light is Light.FAST else BLINK_S
                self._light.blink(on_time=half_s, off_time=half_s)
        self._shown = light

    def close(self) -> None:
        """Let go of the lines; the light goes off."""
        self._undo.close()

    @staticmethod
    def _open_light(gpio: Gpio, undo: ExitStack) -> LED | None:
        if gpio.status_light is None:
            return None
        light = LED(gpio.status_light)
        undo.callback(light.close)
        return light

    def _open_buttons(self, gpio: Gpio, undo: ExitStack) -> None:
        if gpio.mark_button is not None:
            mark = Button(gpio.mark_button, bounce_time=BOUNCE_S)
            undo.callback(mark.close)
            mark.when_pressed = self._note_press
        if gpio.shutdown_button is not None:
            stop = Button(
                gpio.shutdown_button, bounce_time=BOUNCE_S, hold_time=gpio.shutdown_hold_s
            )
            undo.callback(stop.close)
            stop.when_held = self._note_hold

    @staticmethod
    def _open_power(gpio: Gpio, undo: ExitStack) -> DigitalInputDevice | None:
        """Active means lost; pulled to the healthy level, so that a loose wire says nothing."""
        if gpio.power_fail is None:
            return None
        is_low = gpio.power_fail_when == "low"
        line = DigitalInputDevice(gpio.power_fail, pull_up=is_low)
        undo.callback(line.close)
        return line

    def _note_press(self) -> None:
        self._presses.append(None)

    def _note_hold(self) -> None:
        self._holds.append(None)
