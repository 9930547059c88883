"""What `preflight` says of lights, buttons and the driver's own lines on the 40-pin header.

GPIO numbers of the SPI buses: Raspberry Pi documentation (from memory; SPI0 is also gpiozero's own
table, held against it below).
"""

import sys
from pathlib import Path

import pytest
from gpiozero import LED
from gpiozero.pins.mock import MockFactory, MockPin
from gpiozero.pins.pi import SPI_HARDWARE_PINS

from daemon.settings_tables import Gpio
from drivers.ads131m0x import Ads131m0xOptions
from drivers.mcp320x import Mcp320xOptions
from drivers.soundcard import SoundcardOptions
from drivers.source import SourceOptions
from tests.sensor_source import GAIN, register, write_bench
from tests.test_preflight import preflight, subjects
from tools.preflight_checks import Grade
from tools.preflight_lines import CHIP_SELECTS, SPI_LINES, check_lines

LOOK, NO = Grade.LOOK, Grade.NO
SIMULATED = SourceOptions(name="simulated")


def mcp(**keys: int) -> Mcp320xOptions:
    return Mcp320xOptions.model_validate(
        {"name": "mcp320x", "chip": "mcp3208", "vref_v": 3.3, **keys}
    )


def ads(drdy_gpio: int, **keys: int) -> Ads131m0xOptions:
    raw = {"name": "ads131m0x", "chip": "ads131m04", "drdy_gpio": drdy_gpio, **keys}
    return Ads131m0xOptions.model_validate(raw)


SOUND = SoundcardOptions.model_validate(
    {"name": "soundcard", "device": "hw:1", "full_scale_v": 1.0}
)


@pytest.mark.parametrize(
    ("gpio", "driver", "grade", "words"),
    [
        ({"mark_button": 10}, mcp(), NO, ("gpio.mark_button", "GPIO 10", "data out", "bus 0")),
        ({"status_light": 9}, mcp(), NO, ("gpio.status_light", "data in")),
        ({"power_fail": 11}, mcp(), NO, ("gpio.power_fail", "clock")),
        ({"mark_button": 8}, mcp(), NO, ("chip select 0",)),
        ({"mark_button": 7}, mcp(), LOOK, ("GPIO 7", "spi0-1cs")),
        ({"mark_button": 7}, mcp(device=1), NO, ("chip select 1",)),
        ({"mark_button": 16}, mcp(bus=1, device=2), NO, ("chip select 2 of SPI bus 1",)),
        ({"mark_button": 21}, mcp(bus=1), NO, ("clock of SPI bus 1",)),
        ({"mark_button": 5}, mcp(bus=3), LOOK, ("SPI bus 3", "not known")),
        ({"mark_button": 17}, ads(17), NO, ("gpio.mark_button", "driver.drdy_gpio", "GPIO 17")),
        ({}, ads(11), NO, ("driver.drdy_gpio", "clock")),
        ({}, ads(40), LOOK, ("driver.drdy_gpio", "0 to 27")),
        ({"status_light": 0}, SIMULATED, LOOK, ("gpio.status_light", "hat")),
        ({}, ads(1), LOOK, ("driver.drdy_gpio", "hat")),
        ({"status_light": 19}, SOUND, LOOK, ("gpio.status_light", "I2S")),
    ],
)
def test_lines_that_are_needed_twice(
    gpio: dict[str, int], driver: SourceOptions, grade: Grade, words: tuple[str, ...]
) -> None:
    (finding,) = check_lines(Gpio.model_validate(gpio), driver)
    assert finding.grade is grade
    assert all(word in finding.text for word in words), finding.text


@pytest.mark.parametrize(
    ("gpio", "driver"),
    [
        ({}, mcp()),
        ({}, mcp(bus=3)),
        ({"mark_button": 10}, SIMULATED),
        ({"mark_button": 10, "status_light": 8}, mcp(bus=1)),
        ({"mark_button": 17, "status_light": 22, "power_fail": 27}, ads(4)),
        ({"status_light": 26}, SOUND),
    ],
)
def test_lines_that_keep_clear(gpio: dict[str, int], driver: SourceOptions) -> None:
    assert check_lines(Gpio.model_validate(gpio), driver) == []


def test_bus_lines_are_those_that_gpiozero_knows() -> None:
    for bus, known in SPI_HARDWARE_PINS.items():
        lines = {use: f"GPIO{line}" for line, use in SPI_LINES[bus]}
        assert lines["clock"] == known["clock"]
        assert (lines["data out"], lines["data in"]) == (known["mosi"], known["miso"])
        assert tuple(f"GPIO{line}" for line in CHIP_SELECTS[bus]) == tuple(known["select"])


@pytest.fixture
def wired(tmp_path: Path, pins: MockFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    register(monkeypatch)
    channel = {"name": "L1", "input": 0, "gain_v_per_v": GAIN, "offset_v": 0.012}
    return write_bench(tmp_path, channels=[channel], gpio={"status_light": 17, "power_fail": 24})


def test_lines_are_opened_and_let_go(wired: Path) -> None:
    result = preflight(wired)
    assert "Lines" in subjects(result, "good")
    assert "status_light 17, power_fail 24" in result.stdout
    free = LED(17)  # the line is let go of
    free.close()


def test_a_power_fail_line_that_says_lost_at_once(
    wired: Path, pins: MockFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(MockPin, "_set_pull", lambda *_: None)  # what drives the line is stronger
    pins.pin(24).drive_low()
    result = preflight(wired)
    assert "Lines" in subjects(result, "look at this")
    assert "GPIO 24 is low" in result.stdout


def test_lines_that_cannot_be_had(wired: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "daemon.gpio_board", None)
    result = preflight(wired)
    assert "Lines" in subjects(result, "will not work")
    assert "needs gpiozero" in result.stdout
