"""The table `gpio` before a watch: lines the driver needs for itself, and whether they open."""

from collections.abc import Mapping
from types import MappingProxyType

from daemon.errors import InputError
from daemon.indicators import open_board
from daemon.settings import Settings
from daemon.settings_tables import Gpio
from drivers.errors import SourceFailed, SourceUnavailable
from drivers.ready_source import ReadyOptions
from drivers.source import SourceOptions
from drivers.spi import SpiOptions
from tools.preflight_checks import Finding, Grade

SUBJECT = "Lines"
# GPIO numbers of the 40-pin header (Raspberry Pi documentation, SPI and device tree overlays
# spi0-2cs and spi1-3cs as they come, from memory): clock, out, in, and chip selects in order.
SPI_LINES = {
    0: ((11, "clock"), (10, "data out"), (9, "data in")),
    1: ((21, "clock"), (20, "data out"), (19, "data in")),
}
CHIP_SELECTS = {0: (8, 7), 1: (18, 17, 16)}
HIGHEST_GPIO = 27  # of the header
HAT_MEMORY = (0, 1)  # ID_SD and ID_SC: read by the firmware at the start (HAT specification)
SOUND_LINES = range(18, 22)  # I2S: bit clock, frame, data in, data out


def line_findings(settings: Settings) -> list[Finding]:
    """What is wrong with the lines; one that is needed twice is not opened, to disturb nothing."""
    gpio, found = settings.gpio, check_lines(settings.gpio, settings.driver)
    if any(one.grade is Grade.NO for one in found):
        return found
    if not gpio.is_used:
        return [*found, Finding(Grade.GOOD, SUBJECT, "no light or button is configured")]
    return [*found, _opened(gpio)]


def check_lines(gpio: Gpio, driver: SourceOptions) -> list[Finding]:
    """Whether the lines keep clear of the driver's and of each other's; empty when all is well."""
    taken = _named(gpio)
    bus = bus_lines(driver) if isinstance(driver, SpiOptions) else {}
    found = [
        Finding(
            Grade.NO,
            SUBJECT,
            f"{key} is GPIO {line}, which the driver needs as {bus[line]}; choose another",
        )
        for key, line in (*taken.items(), *_ready(driver).items())
        if line in bus
    ]
    for key, line in _ready(driver).items():
        found += _check_ready(key, line, taken)
    return [*found, *_reserved(taken, driver)]


def bus_lines(driver: SpiOptions) -> Mapping[int, str]:
    """GPIO number of each line of the driver's SPI bus, with its use; empty for a bus unknown."""
    bus, device = driver.bus, driver.device
    lines = {line: f"{use} of SPI bus {bus}" for line, use in SPI_LINES.get(bus, ())}
    selects = CHIP_SELECTS.get(bus, ())
    if device < len(selects):
        lines[selects[device]] = f"chip select {device} of SPI bus {bus}"
    return MappingProxyType(lines)


def _named(gpio: Gpio) -> dict[str, int]:
    keys = ("status_light", "mark_button", "shutdown_button", "power_fail")
    lines: dict[str, int | None] = {key: getattr(gpio, key) for key in keys}
    return {f"gpio.{key}": line for key, line in lines.items() if line is not None}


def _ready(driver: SourceOptions) -> dict[str, int]:
    return {"driver.drdy_gpio": driver.drdy_gpio} if isinstance(driver, ReadyOptions) else {}


def _check_ready(key: str, line: int, taken: Mapping[str, int]) -> list[Finding]:
    twice = [other for other, number in taken.items() if number == line]
    if twice:
        text = f"{twice[0]} and {key} are both GPIO {line}; each needs a line of its own"
        return [Finding(Grade.NO, SUBJECT, text)]
    if line > HIGHEST_GPIO:
        text = f"{key} is GPIO {line}; the 40-pin header has 0 to {HIGHEST_GPIO}"
        return [Finding(Grade.LOOK, SUBJECT, text)]
    return []


def _reserved(taken: Mapping[str, int], driver: SourceOptions) -> list[Finding]:
    """Lines that have another use on some boards."""
    found = []
    if isinstance(driver, SpiOptions) and driver.bus not in SPI_LINES and taken:
        text = f"which lines SPI bus {driver.bus} uses is not known here; compare with its overlay"
        found.append(Finding(Grade.LOOK, SUBJECT, text))
    for key, line in (*taken.items(), *_ready(driver).items()):
        if isinstance(driver, SpiOptions) and line in _other_selects(driver):
            text = f"{key} is GPIO {line}, a chip select too unless config.txt has spi0-1cs"
            found.append(Finding(Grade.LOOK, SUBJECT, text))
        if line in HAT_MEMORY:
            text = f"{key} is GPIO {line}, kept for the memory in which a hat says what it is"
            found.append(Finding(Grade.LOOK, SUBJECT, text))
        if line in SOUND_LINES and driver.name == "soundcard":
            text = (
                f"{key} is GPIO {line}, which a sound card on the header uses (I2S); USB does not"
            )
            found.append(Finding(Grade.LOOK, SUBJECT, text))
    return found


def _other_selects(driver: SpiOptions) -> set[int]:
    """`dtparam=spi=on` takes both chip selects of bus 0, whichever is used."""
    return set(CHIP_SELECTS[0]) - bus_lines(driver).keys() if driver.bus == 0 else set()


def _opened(gpio: Gpio) -> Finding:
    """Opens and closes the lines as the monitor will, and reads the power-fail line once."""
    try:
        board = open_board(gpio)
        assert board is not None
        try:
            is_lost = board.poll().is_power_lost
        finally:
            board.close()
    except (InputError, SourceUnavailable, SourceFailed) as error:
        return Finding(Grade.NO, SUBJECT, str(error))
    if is_lost:
        text = f"GPIO {gpio.power_fail} is {gpio.power_fail_when}: it says that the supply is gone"
        return Finding(Grade.LOOK, SUBJECT, f"{text}; wrong power_fail_when, or nothing connected?")
    return Finding(Grade.GOOD, SUBJECT, f"open: {_words(gpio)}")


def _words(gpio: Gpio) -> str:
    return ", ".join(f"{key.removeprefix('gpio.')} {line}" for key, line in _named(gpio).items())
