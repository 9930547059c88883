"""What the waveform itself says of an event, beyond what the standard asks for."""

from daemon.accuracy_words import fine_duration
from daemon.archive import EventRow
from daemon.page.health import Fact
from daemon.page.words import duration_words
from daemon.records import EventDetail

# M. H. J. Bollen's types, phase to neutral (from memory): which phases are touched, and how.
DIP_TYPES = {
    "A": "all three phases alike",
    "B": "one phase, the others untouched",
    "C": "two phases, towards each other",
    "D": "one phase most, the others a little",
    "E": "two phases, the third untouched",
    "F": "one phase most, the others too",
    "G": "two phases most, the third too",
}


def detail_facts(row: EventRow) -> list[Fact]:
    """Only what is known."""
    return [*_timing(row), *_transient(row.detail)]


def _timing(row: EventRow) -> list[Fact]:
    found, detail = [], row.detail
    if detail.start_angle_deg is not None:
        text = f"{detail.start_angle_deg:.0f}° after a rising zero"
        found.append(Fact("Began at", text, "point on wave, from the waveform itself"))
    if detail.end_angle_deg is not None:
        found.append(Fact("Ended at", f"{detail.end_angle_deg:.0f}° after a rising zero"))
    fine = fine_duration(row)
    if fine:
        found.append(Fact("Waveform", f"disturbed for {fine}", "finer than by half cycles"))
    if detail.phase_jump_deg is not None:
        found.append(Fact("Phase jump", f"{_no_minus_zero(detail.phase_jump_deg):+.1f}°"))
    if detail.dip_type is not None:
        found.append(Fact("Dip type", detail.dip_type, DIP_TYPES.get(detail.dip_type, "")))
    if detail.delta_ss_v is not None:
        found.append(Fact("Steady change", f"{detail.delta_ss_v:+.1f} V"))
    return found


def _no_minus_zero(value: float) -> float:
    return round(value, 1) + 0.0


def _transient(detail: EventDetail) -> list[Fact]:
    found = []
    if detail.deviation_v is not None:
        text = f"{detail.deviation_v:+.1f} V from the expected waveform"
        remark = "" if detail.is_resolved else "faster than the samples: it may have been larger"
        found.append(Fact("Deviation", text, remark))
    if detail.width_s is not None:
        found.append(Fact("Width", duration_words(detail.width_s), "above half the deviation"))
    if detail.point_on_wave_deg is not None:
        found.append(Fact("At", f"{detail.point_on_wave_deg:.0f}° after a rising zero"))
    if detail.oscillation_hz is not None:
        remark = "as when a capacitor bank is switched" if detail.looks_like_capacitor else ""
        found.append(Fact("Rings at", f"{detail.oscillation_hz:.0f} Hz", remark))
    if detail.count is not None:
        each = f", {detail.per_cycle} in each cycle" if detail.per_cycle else ""
        found.append(Fact("Count", f"{detail.count}{each}"))
    return found
