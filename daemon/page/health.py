"""Whether the monitor itself is well, as facts with a word where one needs attention."""

from dataclasses import dataclass
from datetime import datetime

from daemon.page.levels import Level
from daemon.page.words import duration_words, localised, size_words
from daemon.status import HealthStatus, Snapshot

_LOW_DISK_MB = 500.0
_LOWEST_DISK_MB = 100.0
_HOT_C = 80.0  # Raspberry Pi documentation: the processor is slowed down from 80 degrees on
_FULL_RING_PCT = 50.0
CLOCKS_TO_TRUST = ("synchronised", "corrected", "recording")


@dataclass(frozen=True, slots=True)
class Fact:
    """A heading, what stands below it, and a smaller remark."""

    label: str
    text: str
    remark: str = ""
    level: Level = Level.GOOD


def health_facts(snapshot: Snapshot, now: datetime) -> tuple[Fact, ...]:
    """Lost samples, buffer, clock, disk, temperature, last fault."""
    health = snapshot.health
    facts = [
        _lost(health, snapshot.driver.sample_rate_hz),
        _buffer(health.ring_fill_pct),
        _clock(health),
        _disk(health),
    ]
    if health.n_waiting > 0:
        waiting = f"{health.n_waiting} events and log entries"
        facts.append(Fact("Not stored yet", waiting, "they wait in memory", Level.ATTENTION))
    if health.temperature_c is not None:
        facts.append(_temperature(health.temperature_c))
    if health.last_fault:
        facts.append(Fact("Last fault", localised(health.last_fault, now), "", Level.ATTENTION))
    else:
        facts.append(Fact("Last fault", "none"))
    return tuple(facts)


def _lost(health: HealthStatus, sample_rate_hz: float) -> Fact:
    if health.samples_lost == 0:
        return Fact("Samples lost", "none")
    text = f"{health.samples_lost}"
    if sample_rate_hz > 0:
        text += f", {duration_words(health.samples_lost / sample_rate_hz)} of signal"
    return Fact("Samples lost", text, "each gap is in the log as unobserved", Level.ATTENTION)


def _buffer(fill_pct: float) -> Fact:
    text = f"{fill_pct:.0f} % full"
    if fill_pct > _FULL_RING_PCT:
        return Fact("Buffer", text, "the measurement does not keep up", Level.ATTENTION)
    return Fact("Buffer", text)


def _clock(health: HealthStatus) -> Fact:
    level = Level.GOOD if health.clock in CLOCKS_TO_TRUST else Level.ATTENTION
    return Fact("Clock", health.clock, health.clock_text, level)


def _disk(health: HealthStatus) -> Fact:
    text = f"{size_words(health.disk_free_mb)} free"
    used = f"the event database takes {size_words(health.database_mb)}"
    if health.disk_free_mb < _LOWEST_DISK_MB:
        return Fact("Disk", f"{text}: nearly full", used, Level.BAD)
    if health.disk_free_mb < _LOW_DISK_MB:
        return Fact("Disk", f"{text}: getting full", used, Level.ATTENTION)
    return Fact("Disk", text, used)


def _temperature(temperature_c: float) -> Fact:
    text = f"{temperature_c:.0f} °C"
    if temperature_c >= _HOT_C:
        return Fact("Temperature", f"{text}: too hot", "", Level.ATTENTION)
    return Fact("Temperature", text)
