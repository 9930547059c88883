"""What could spoil a watch, each judged from measured facts: pure functions, one finding each.

Limits without a source named are common practice.
"""

import cmath
import math
from dataclasses import dataclass
from datetime import date
from enum import IntEnum

from daemon.calibration_fit import scale_doubts
from daemon.isolation_words import UNKNOWN, is_unstated

ROOM_FACTOR = 1.5  # a swell of 150 % must fit
LEAST_ROOM_FACTOR = 1.2
CALIBRATION_DAYS = 366
MB = 1e6


class Grade(IntEnum):
    """How much a finding matters."""

    GOOD = 0
    LOOK = 1
    NO = 2


@dataclass(frozen=True, slots=True)
class Finding:
    """One line of the answer."""

    grade: Grade
    subject: str
    text: str


@dataclass(frozen=True, slots=True)
class ChannelFacts:
    """One channel as seen for some seconds, in mains volts unless the name says otherwise."""

    name: str
    rms_v: float
    phasor_v: complex  # of the fundamental, at the same instant for every channel
    frequency_hz: float  # 0.0 when there is nothing like a sine
    noise_v: float
    dc_v: float
    input_peak_v: float  # largest |volts| at the converter's input
    gain_v_per_v: float
    offset_v: float


@dataclass(frozen=True, slots=True)
class RateFacts:
    """How the samples came."""

    nominal_hz: float
    measured_hz: float | None  # None for a recording, or when too few blocks came to tell
    uncertainty_ppm: float
    longest_pause_s: float
    n_lost: int
    is_live: bool


@dataclass(frozen=True, slots=True)
class DiskFacts:
    """The folder of the database."""

    is_writable: bool
    is_read_only: bool
    free_mb: float
    keep_mb: float
    sync_s: tuple[float, ...]  # time of each small write with fsync
    filesystem_errors: int | None
    life_used_pct: float | None  # of an eMMC that tells; SD cards do not


@dataclass(frozen=True, slots=True)
class PowerFacts:
    """What the board says of its own supply; None where it says nothing."""

    throttled: int | None  # the bits of `vcgencmd get_throttled`
    undervoltage_alarm: bool | None


def check_rate(facts: RateFacts) -> Finding:
    """Whether samples come at the rate they should, without a break."""
    subject = "Sampling"
    if facts.n_lost:
        return Finding(Grade.LOOK, subject, f"{facts.n_lost} samples were lost while looking")
    if not facts.is_live:
        return Finding(Grade.GOOD, subject, f"{facts.nominal_hz:g} a second, from a recording")
    if facts.measured_hz is None:
        return Finding(Grade.LOOK, subject, "too few blocks came to measure the rate; look longer")
    ppm = 1e6 * (facts.measured_hz / facts.nominal_hz - 1)
    doubt_ppm = max(1000.0, 2 * facts.uncertainty_ppm)
    text = f"{facts.measured_hz:.1f} a second; asked for {facts.nominal_hz:g}"
    if abs(ppm) > 20_000 + doubt_ppm:
        return Finding(Grade.NO, subject, f"{text}: frequencies and durations would be wrong")
    if abs(ppm) > doubt_ppm:
        return Finding(Grade.LOOK, subject, f"{text}: {ppm / 1e4:+.2f} %, more than any crystal")
    if facts.longest_pause_s > 1.0:
        pause = f"{facts.longest_pause_s:.1f} s without a block; is the computer busy?"
        return Finding(Grade.LOOK, subject, pause)
    return Finding(Grade.GOOD, subject, text)


def check_room(channel: ChannelFacts, nominal_v: float, full_scale_v: float) -> Finding:
    """Whether a swell of 150 % fits between the converter's limits."""
    subject = f"{channel.name} room"
    if channel.input_peak_v >= 0.999 * full_scale_v:
        return Finding(Grade.NO, subject, "the converter is at its limit already: clipped")
    usable_v = (full_scale_v - abs(channel.offset_v)) * abs(channel.gain_v_per_v)
    factor = usable_v / (math.sqrt(2) * nominal_v)
    text = f"up to {100 * factor:.0f} % of nominal fits"
    if factor >= ROOM_FACTOR:
        return Finding(Grade.GOOD, subject, text)
    if factor >= LEAST_ROOM_FACTOR:
        return Finding(Grade.LOOK, subject, f"{text}; a larger swell is cut off (150 % should)")
    return Finding(Grade.NO, subject, f"{text}; swells cannot be measured")


def check_level(channel: ChannelFacts, nominal_v: float) -> Finding:
    """Whether the voltage is anywhere near what the configuration says."""
    subject, ratio = f"{channel.name} voltage", channel.rms_v / nominal_v
    text = f"{channel.rms_v:.1f} V, {100 * ratio:.0f} % of nominal"
    if ratio < 0.05:
        return Finding(Grade.NO, subject, f"{text}: no voltage, or not on this input")
    if 0.9 <= ratio <= 1.1:
        return Finding(Grade.GOOD, subject, text)
    if 0.8 <= ratio <= 1.2:
        return Finding(Grade.LOOK, subject, f"{text}: an event from the start")
    doubts = scale_doubts(channel.rms_v, nominal_v, None)
    hint = "; wrong nominal_v or gain?" if doubts else ""
    words = doubts[0].removeprefix("the meter's ") if doubts else "far from nominal"
    return Finding(Grade.NO, subject, f"{text}: {words}{hint}")


def check_frequency(channel: ChannelFacts, nominal_hz: float) -> Finding:
    """Whether it is 50 or 60 Hz as configured."""
    subject = f"{channel.name} frequency"
    if channel.frequency_hz == 0.0:
        return Finding(Grade.NO, subject, "nothing like a sine on this input")
    text = f"{channel.frequency_hz:.2f} Hz"
    off_hz = abs(channel.frequency_hz - nominal_hz)
    if off_hz <= 0.5:
        return Finding(Grade.GOOD, subject, text)
    other_hz = 110.0 - nominal_hz
    if abs(channel.frequency_hz - other_hz) < 2.0:
        return Finding(
            Grade.NO,
            subject,
            f"{text}, but supply.frequency_hz is {nominal_hz:g}; set {other_hz:g}",
        )
    grade = Grade.LOOK if off_hz <= 0.15 * nominal_hz else Grade.NO
    return Finding(grade, subject, f"{text}: off by {off_hz:.1f} Hz; on a generator, or the rate?")


def check_noise(channel: ChannelFacts, nominal_v: float) -> Finding:
    """Whether what is neither constant nor harmonic is small."""
    share_pct = 100 * channel.noise_v / nominal_v
    text = f"{share_pct:.2g} % of nominal, rms"
    if share_pct <= 0.3:
        return Finding(Grade.GOOD, f"{channel.name} noise", text)
    if share_pct <= 3.0:
        return Finding(Grade.LOOK, f"{channel.name} noise", f"{text}: wiring, bias, or the supply?")
    return Finding(Grade.NO, f"{channel.name} noise", f"{text}: every cycle would be a transient")


def check_dc(channel: ChannelFacts, nominal_v: float) -> Finding:
    """Whether the constant part is where calibration left it."""
    share_pct = 100 * abs(channel.dc_v) / nominal_v
    text = f"{channel.dc_v:+.2f} V of mains ({share_pct:.2g} %)"
    if share_pct <= 1.0:
        return Finding(Grade.GOOD, f"{channel.name} constant part", text)
    grade = Grade.LOOK if share_pct <= 20.0 else Grade.NO
    return Finding(
        grade, f"{channel.name} constant part", f"{text}: set offset_v, or check the bias network"
    )


def check_pair(first: ChannelFacts, second: ChannelFacts, *, is_three_phase: bool) -> Finding:
    """Whether two channels look swapped, doubled or reversed."""
    subject = f"{first.name} and {second.name}"
    if not first.phasor_v or not second.phasor_v:
        return Finding(Grade.LOOK, subject, "one of them has no voltage to compare")
    turn = second.phasor_v / first.phasor_v
    angle_deg = math.degrees(cmath.phase(turn))
    text = f"{angle_deg:+.0f} degrees apart"
    is_same_size = 0.99 < abs(turn) < 1.01
    if abs(angle_deg) < 1.0 and is_same_size:
        grade = Grade.NO if is_three_phase else Grade.LOOK
        return Finding(grade, subject, f"{text}: the same voltage twice; two sensors on one line?")
    if abs(angle_deg) > 179.0 and is_three_phase:
        return Finding(Grade.NO, subject, f"{text}: one sensor is reversed")
    if is_three_phase and abs(abs(angle_deg) - 120.0) > 20.0:
        return Finding(Grade.LOOK, subject, f"{text}; three phases are 120 apart: one reversed?")
    return Finding(Grade.GOOD, subject, text)


def check_rotation(first: ChannelFacts, second: ChannelFacts) -> Finding:
    """Whether the first two of three phases follow each other the usual way round."""
    subject = "Phase order"
    angle_deg = math.degrees(cmath.phase(second.phasor_v / first.phasor_v or 1))
    if angle_deg > 0:
        text = f"{second.name} comes before {first.name}: swapped sensors, or the supply turns left"
        return Finding(Grade.LOOK, subject, text)
    return Finding(Grade.GOOD, subject, f"{second.name} follows {first.name}")


def check_calibration(age_days: float | None, subject: str, *, is_hardware: bool) -> Finding:
    """Whether the channel was calibrated, and not too long ago."""
    if age_days is None:
        if not is_hardware:
            return Finding(Grade.GOOD, subject, "none, and none needed: no sensor")
        return Finding(Grade.LOOK, subject, "none: volts are as good as the typed gain")
    if age_days < 0:
        return Finding(Grade.LOOK, subject, "made in the future: is the clock right?")
    text = f"made {age_days:.0f} days ago"
    grade = Grade.GOOD if age_days <= CALIBRATION_DAYS else Grade.LOOK
    return Finding(grade, subject, text if grade is Grade.GOOD else f"{text}: over a year")


def check_clock(source: str | None, *, is_synchronised: bool) -> Finding:
    """Whether UTC can be trusted, and by what."""
    by = f" by {source}" if source else ""
    if is_synchronised:
        return Finding(Grade.GOOD, "Clock", f"synchronised{by}")
    text = "not synchronised; stamps are corrected if a time source is found during the watch"
    return Finding(Grade.LOOK, "Clock", text if source else f"{text}, but none is running")


def check_disk(facts: DiskFacts) -> Finding:
    """Whether the database has a place to grow in."""
    if facts.is_read_only or not facts.is_writable:
        why = "is mounted read-only" if facts.is_read_only else "cannot be written"
        return Finding(Grade.NO, "Disk", f"the folder of the database {why}")
    text = f"{facts.free_mb:.0f} MB free, {facts.keep_mb:.0f} MB may be used"
    if facts.free_mb < 50:
        return Finding(Grade.NO, "Disk", text)
    grade = Grade.GOOD if facts.free_mb > 1.2 * facts.keep_mb + 100 else Grade.LOOK
    return Finding(grade, "Disk", text)


def check_write_speed(facts: DiskFacts) -> Finding:
    """Whether small writes reach the card in time."""
    if not facts.sync_s:
        return Finding(Grade.NO, "Write speed", "nothing could be written")
    worst_s = max(facts.sync_s)
    text = f"{1000 * worst_s:.0f} ms for the slowest of {len(facts.sync_s)} small writes"
    if worst_s <= 0.1:
        return Finding(Grade.GOOD, "Write speed", text)
    if worst_s <= 2.0:
        return Finding(Grade.LOOK, "Write speed", f"{text}: a slow or worn card")
    return Finding(Grade.NO, "Write speed", f"{text}: the database could not keep up")


def check_card(facts: DiskFacts) -> Finding:
    """What the file system and the storage say of their health."""
    if facts.filesystem_errors:
        text = f"the file system has counted {facts.filesystem_errors} errors: replace the card"
        return Finding(Grade.LOOK, "Storage health", text)
    if facts.life_used_pct is not None and facts.life_used_pct >= 80:
        return Finding(
            Grade.LOOK, "Storage health", f"{facts.life_used_pct:.0f} % of its life is used"
        )
    unknown = facts.filesystem_errors is None and facts.life_used_pct is None
    text = "it tells nothing; cards seldom do" if unknown else "no errors counted"
    return Finding(Grade.GOOD, "Storage health", text)


def check_power(facts: PowerFacts) -> Finding:
    """Whether the board gets enough voltage (bits: Raspberry Pi documentation, get_throttled)."""
    bits = facts.throttled or 0
    if bits & 0x1 or facts.undervoltage_alarm:
        return Finding(Grade.NO, "Own power", "too low right now: another supply or cable")
    if bits & 0xE:
        return Finding(Grade.LOOK, "Own power", "slowed down right now: too hot")
    if bits & 0x10000:
        return Finding(Grade.LOOK, "Own power", "was too low since the start")
    if bits & 0xE0000:
        return Finding(Grade.LOOK, "Own power", "was slowed down since the start: too hot")
    if facts.throttled is None and facts.undervoltage_alarm is None:
        return Finding(Grade.GOOD, "Own power", "this computer tells nothing of it")
    return Finding(Grade.GOOD, "Own power", "never too low since the start")


def check_temperature(temperature_c: float | None) -> Finding:
    """Whether the processor stays below 80 degrees, where a Raspberry Pi slows down."""
    if temperature_c is None:
        return Finding(Grade.GOOD, "Temperature", "this computer tells nothing of it")
    text = f"{temperature_c:.0f} degrees Celsius"
    if temperature_c < 70:
        return Finding(Grade.GOOD, "Temperature", text)
    if temperature_c < 85:
        return Finding(Grade.LOOK, "Temperature", f"{text}: it slows down at 80; give it air")
    return Finding(Grade.NO, "Temperature", f"{text}: too hot")


def check_timezone(site_offset_s: float, system_offset_s: float, name: str) -> Finding:
    """Whether site and computer agree on local time."""
    if site_offset_s == system_offset_s:
        return Finding(Grade.GOOD, "Time zone", name)
    hours = (system_offset_s - site_offset_s) / 3600
    text = f"{name}; the computer's own is {hours:+g} h from it. Reports use {name}"
    return Finding(Grade.LOOK, "Time zone", text)


def check_isolation(
    said: tuple[str, str] | None, checked_on: date | None, today: date, *, is_hardware: bool
) -> Finding:
    """Whether somebody said what keeps the mains away.

    :param said: barrier and rating as the configuration has them.
    """
    if not is_hardware:
        return Finding(Grade.GOOD, "Isolation", "no circuit is connected")
    if said is None or checked_on is None:
        return Finding(Grade.NO, "Isolation", "site.isolation is missing")
    statement = ", ".join(said)
    if any(is_unstated(text) for text in said):
        return Finding(Grade.NO, "Isolation", f"{statement}: {UNKNOWN}")
    if checked_on > today:
        return Finding(Grade.LOOK, "Isolation", f"checked on {checked_on}, which is to come")
    days = (today - checked_on).days
    text = f"{statement}, checked on {checked_on}"
    return Finding(Grade.GOOD if days <= CALIBRATION_DAYS else Grade.LOOK, "Isolation", text)
