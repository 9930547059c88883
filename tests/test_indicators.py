"""Light, buttons and power-fail line: the state machine, and gpiozero's own mock pins."""

import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from threading import Event

import pytest
from gpiozero import LED
from gpiozero.pins.mock import MockFactory
from pydantic import ValidationError

from daemon.app import POWER_LOST, POWER_RETURNED, WITH_BUTTON, Monitor
from daemon.errors import InputError
from daemon.gpio_board import GpioBoard
from daemon.indicators import Actions, Indicators, Inputs, Light, WatchState, open_board
from daemon.settings_tables import Gpio
from daemon.spool import SHUTDOWN
from drivers.clock import SystemClock
from drivers.errors import SourceUnavailable
from tests.database_material import rows
from tests.whole_material import (
    CHECKOUT,
    RATE_HZ,
    environment,
    mains,
    settings_in,
    until,
    wav_driver,
    write_wav,
)

WATCHING = WatchState(is_watching=True, n_serious_events=0, has_fault=False)


def watch(n_events: int, *, fault: bool = False) -> WatchState:
    return WatchState(is_watching=True, n_serious_events=n_events, has_fault=fault)


def test_the_light_tells_how_the_watch_goes() -> None:
    indicators = Indicators()
    waiting = WatchState(is_watching=False, n_serious_events=0, has_fault=False)
    assert indicators.step(Inputs(), waiting).light is Light.OFF
    assert indicators.step(Inputs(), watch(0)).light is Light.STEADY
    assert indicators.step(Inputs(), watch(1)).light is Light.BLINKING
    assert indicators.step(Inputs(), watch(1)).light is Light.BLINKING
    assert indicators.step(Inputs(), watch(1, fault=True)).light is Light.FAST
    assert indicators.step(Inputs(), watch(1)).light is Light.BLINKING


def test_who_presses_the_mark_button_has_looked() -> None:
    indicators = Indicators()
    assert indicators.step(Inputs(), watch(3)).light is Light.BLINKING
    assert indicators.step(Inputs(n_marks=2), watch(3)) == Actions(Light.STEADY, n_marks=2)
    assert indicators.step(Inputs(), watch(3)).light is Light.STEADY
    assert indicators.step(Inputs(), watch(4)).light is Light.BLINKING


def test_holding_the_shutdown_button_ends_the_watch() -> None:
    assert Indicators().step(Inputs(is_shutdown_held=True), WATCHING).is_shutdown
    assert not Indicators().step(Inputs(), WATCHING).is_shutdown


def test_power_lost_is_told_once_and_only_when_it_lasts() -> None:
    indicators = Indicators()
    lost, there = Inputs(is_power_lost=True), Inputs()
    turns = [there, lost, there, lost, lost, lost, there, lost, there, there, there]
    told = [indicators.step(turn, WATCHING) for turn in turns]
    assert [n for n, actions in enumerate(told) if actions.power_lost] == [4]
    assert [n for n, actions in enumerate(told) if actions.power_returned] == [9]


def test_power_that_is_lost_from_the_start_is_told() -> None:
    indicators = Indicators()
    told = [indicators.step(Inputs(is_power_lost=True), WATCHING).power_lost for _ in range(4)]
    assert told == [False, True, False, False]


@pytest.fixture
def board(pins: MockFactory) -> Iterator[GpioBoard]:
    gpio = Gpio(
        status_light=17, mark_button=22, shutdown_button=23, power_fail=24, shutdown_hold_s=0.5
    )
    opened = GpioBoard(gpio)
    yield opened
    opened.close()


def test_presses_between_two_polls_are_counted(pins: MockFactory, board: GpioBoard) -> None:
    button = pins.pin(22)
    for _ in range(3):
        button.drive_low()
        button.drive_high()
    assert board.poll().n_marks == 3
    assert board.poll() == Inputs()


def test_a_short_press_is_no_shutdown(pins: MockFactory, board: GpioBoard) -> None:
    button = pins.pin(23)
    button.drive_low()
    time.sleep(0.1)
    button.drive_high()
    assert not board.poll().is_shutdown_held
    button.drive_low()
    until(lambda: board.poll().is_shutdown_held, 5.0)
    button.drive_high()


def test_the_power_line_is_healthy_when_nothing_is_connected(
    pins: MockFactory, board: GpioBoard
) -> None:
    assert not board.poll().is_power_lost  # pulled up
    pins.pin(24).drive_low()
    assert board.poll().is_power_lost
    pins.pin(24).drive_high()
    assert not board.poll().is_power_lost


def test_a_power_line_that_is_high_when_lost(pins: MockFactory) -> None:
    board = GpioBoard(Gpio(power_fail=5, power_fail_when="high"))
    assert not board.poll().is_power_lost
    pins.pin(5).drive_high()
    assert board.poll().is_power_lost
    board.close()


def test_the_light_on_its_line(pins: MockFactory, board: GpioBoard) -> None:
    pin = pins.pin(17)
    board.show(Light.STEADY)
    assert pin.state
    board.show(Light.OFF)
    assert not pin.state
    board.show(Light.FAST)
    until(lambda: [state.state for state in pin.states].count(True) >= 3, 5.0)
    board.show(Light.OFF)
    board.show(Light.OFF)
    assert not pin.state


def test_closing_twice_and_opening_again(pins: MockFactory, board: GpioBoard) -> None:
    board.show(Light.BLINKING)
    board.close()
    board.close()
    again = GpioBoard(Gpio(status_light=17))
    again.close()


def test_a_line_that_is_taken_is_told_and_the_others_are_let_go(
    pins: MockFactory, board: GpioBoard
) -> None:
    with pytest.raises(SourceUnavailable, match="gpio: "):
        GpioBoard(Gpio(status_light=4, mark_button=17))
    free = GpioBoard(Gpio(status_light=4))
    free.close()


def test_nothing_configured_is_no_board_and_no_import() -> None:
    assert open_board(Gpio()) is None
    done = subprocess.run(
        [sys.executable, "-c", "import daemon.indicators, sys; print('gpiozero' in sys.modules)"],
        capture_output=True,
        text=True,
        check=True,
        env=environment(),
        cwd=CHECKOUT,
    )
    assert done.stdout == "False\n"


def test_without_gpiozero_one_sentence_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "daemon.gpio_board", raising=False)
    monkeypatch.setitem(sys.modules, "gpiozero", None)
    with pytest.raises(InputError, match="needs gpiozero, which is not installed"):
        open_board(Gpio(status_light=17))


def test_a_configured_board_opens(pins: MockFactory) -> None:
    board = open_board(Gpio(mark_button=22))
    assert board is not None
    assert board.poll() == Inputs()
    board.close()


@pytest.mark.parametrize(
    "keys",
    [{"status_light": 28}, {"status_light": -1}, {"status_light": 4, "mark_button": 4},
     {"power_fail_when": "maybe"}, {"shutdown_hold_s": 0.1}, {"light": 3}],
)  # fmt: skip
def test_wrong_tables(keys: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        Gpio.model_validate(keys)


class Fingers:
    """Presses the buttons of a running monitor, one after another; it is asked before each turn."""

    def __init__(self, pins: MockFactory, database: Path) -> None:
        self._pins, self._database = pins, database
        self._n_lights = 0
        self._steps = self._press()
        self.light_was_on = False

    def is_set(self) -> bool:
        self.light_was_on |= self._pins.pin(17).state
        return next(self._steps, True)

    def _press(self) -> Iterator[bool]:
        yield from self._until("SELECT 1 FROM log WHERE kind = 'started'")
        button, power, stop = self._pins.pin(22), self._pins.pin(24), self._pins.pin(23)
        button.drive_low()
        button.drive_high()
        yield from self._until(f"SELECT 1 FROM log WHERE text = '{WITH_BUTTON}'")
        power.drive_low()
        lost = POWER_LOST.replace("'", "''")
        yield from self._until(f"SELECT 1 FROM log WHERE text = '{lost}'")
        power.drive_high()
        yield from self._until("SELECT 1 FROM log WHERE kind = 'supply_returned'")
        stop.drive_low()  # and held
        end_s = time.monotonic() + 10.0
        while time.monotonic() < end_s:
            yield False

    def _until(self, sql: str) -> Iterator[bool]:
        end_s = time.monotonic() + 10.0
        while not rows(self._database, sql) and time.monotonic() < end_s:
            yield False


def test_the_monitor_minds_its_buttons(pins: MockFactory, tmp_path: Path) -> None:
    write_wav(tmp_path / "a.wav", mains(60.0))
    gpio = {"status_light": 17, "mark_button": 22, "shutdown_button": 23, "power_fail": 24}
    driver = wav_driver(pace="realtime", start_utc=None)
    settings = settings_in(tmp_path, driver, gpio=gpio | {"shutdown_hold_s": 0.5})
    monitor = Monitor(settings, SystemClock(), with_page=False)
    fingers = Fingers(pins, tmp_path / "events.db")
    monitor.run(fingers)
    texts = [text for (text,) in rows(tmp_path / "events.db", "SELECT text FROM log ORDER BY id")]
    wanted = [WITH_BUTTON, POWER_LOST, POWER_RETURNED, SHUTDOWN, "stopped in good order"]
    assert texts[1:] == wanted
    assert fingers.light_was_on
    free = GpioBoard(Gpio(status_light=17))  # the lines are let go of
    free.close()


def test_a_board_that_fails_does_not_end_measuring(
    pins: MockFactory, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise OSError("the chip is gone")

    monkeypatch.setattr(LED, "on", broken)
    write_wav(tmp_path / "a.wav", mains(1.5))
    driver = wav_driver(pace="realtime", start_utc=None)
    settings = settings_in(tmp_path, driver, gpio={"status_light": 17})
    summary = Monitor(settings, SystemClock(), with_page=False).run(Event())
    assert summary.n_samples == 1.5 * RATE_HZ
    faults = rows(tmp_path / "events.db", "SELECT text FROM log WHERE kind = 'fault'")
    assert faults == [("gpio: the chip is gone",)]
