"""Drivers by name. A driver's file is imported only when the configuration names it."""

from importlib import import_module
from importlib.metadata import entry_points

from drivers.errors import OptionError, SourceUnavailable
from drivers.source import Source

DRIVERS = {
    "simulated": "drivers.simulated:SimulatedSource",
    "recording": "drivers.recording:RecordingSource",
    "ads131m0x": "drivers.ads131m0x:Ads131m0xSource",
    "ads1256": "drivers.ads1256:Ads1256Source",
    "ads8688": "drivers.ads8688:Ads8688Source",
    "mcp320x": "drivers.mcp320x:Mcp320xSource",
    "soundcard": "drivers.soundcard:SoundcardSource",
}
ENTRY_POINT_GROUP = "halfcycle.drivers"


def driver_names() -> list[str]:
    """Every name that `find_driver` knows, built-in and installed."""
    return sorted({*DRIVERS, *(entry.name for entry in entry_points(group=ENTRY_POINT_GROUP))})


def find_driver(name: str) -> type[Source]:
    """The driver class called `name`; there is no fall-back to another.

    :raises OptionError: no driver has this name.
    :raises SourceUnavailable: the driver's own library is not installed.
    """
    target = DRIVERS.get(name) or _installed_target(name)
    module_name, _, class_name = target.partition(":")
    try:
        module = import_module(module_name)
    except ImportError as error:
        raise SourceUnavailable(f"driver {name!r} cannot be loaded: {error}") from error
    driver: type[Source] = getattr(module, class_name)
    return driver


def _installed_target(name: str) -> str:
    for entry in entry_points(group=ENTRY_POINT_GROUP):
        if entry.name == name:
            return entry.value
    raise OptionError(f"driver.name is {name!r}; known drivers: {', '.join(driver_names())}")
