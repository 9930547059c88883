"""Whether the Raspberry Pi slows itself down, as its firmware says."""

from collections.abc import Mapping
from pathlib import Path

from daemon.page.health import Fact
from daemon.page.levels import Level

GET_THROTTLED = Path("/sys/devices/platform/soc/soc:firmware/get_throttled")
"""Hexadecimal; only where the kernel is that of Raspberry Pi OS."""

BITS: Mapping[int, str] = {
    0: "its own supply voltage is too low",
    1: "the processor clock is capped",
    2: "the processor is slowed down",
    3: "the temperature limit is reached",
}
"""Now; the same 16 bits higher: since it was switched on (Raspberry Pi documentation)."""


def read_throttling(path: Path = GET_THROTTLED) -> int | None:
    """The bits, or None on another computer."""
    try:
        return int(path.read_text(encoding="ascii"), 16)
    except (OSError, ValueError):
        return None


def throttling_facts(bits: int | None) -> tuple[Fact, ...]:
    """Said in words; nothing on a computer that does not tell."""
    if bits is None:
        return ()
    now = [words for bit, words in BITS.items() if bits >> bit & 1]
    once = [words for bit, words in BITS.items() if bits >> (bit + 16) & 1]
    if now:
        return (Fact("Throttling", "; ".join(now), "", Level.ATTENTION),)
    if once:
        words = "not now; since it was switched on: " + "; ".join(once)
        return (Fact("Throttling", "not now", words, Level.ATTENTION),)
    return (Fact("Throttling", "never since it was switched on"),)
