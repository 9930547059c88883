"""A likely cause of an event, from its shape alone: a hint, never a finding.

Common practice, no source, unless said otherwise.
"""

from daemon.archive import Archive, EventRow
from daemon.page.words import sentence_case
from daemon.records import Kind
from tools.findings import recovers_slowly

UNKNOWN = "unknown"  # as the monitor stores it


def hint(archive: Archive, event: EventRow) -> str:
    """One sentence for the reader of a report: what the monitor noted, else from the shape."""
    if event.cause and event.evidence and event.cause == UNKNOWN:
        return sentence_case(event.evidence) + "."
    if event.cause:
        return sentence_case(event.cause) + "."
    if event.kind is Kind.DIP:
        return _dip(archive, event)
    lasted_s = event.duration_s or 0.0
    if event.kind is Kind.INTERRUPTION:
        if lasted_s < 3.0:
            return (
                "So short a loss is typical of a protection that trips and closes again by itself."
            )
        return "A loss of this length is typical of a blown fuse, a tripped breaker or switching."
    return _HINTS.get(event.kind, "")


def _dip(archive: Archive, event: EventRow) -> str:
    lasted_s = event.duration_s
    if lasted_s is None or lasted_s >= 60.0:
        return "So long a dip is typical of overload, a tap, or a poor joint that carries load."
    if recovers_slowly(archive.trace(event.id), event.start_s, lasted_s):
        return (
            "It fell at once and came back slowly: typical of a motor or transformer being "
            "switched on nearby. Look for what starts at that time."
        )
    if lasted_s <= 1.0:
        return (
            "It fell and returned abruptly: typical of a fault elsewhere in the network, until a "
            "protection clears it. Others on the same network may have seen it too."
        )
    return (
        "It fell and returned abruptly after a while: typical of a load or a line being switched."
    )


_HINTS = {
    Kind.SWELL: (
        "Typical of a fault to earth elsewhere, of load thrown off, or of a loose neutral: if "
        "lamps get brighter and darker on different circuits, have the neutral checked at once."
    ),
    Kind.TRANSIENT: "Typical of switching: capacitors in the network, or a contactor nearby.",
    Kind.DISTORTION: "Typical of rectifiers, drives, chargers and lamps, here or at a neighbour's.",
    Kind.FREQUENCY: "Typical of a generator or an inverter that feeds this circuit alone.",
    Kind.RAPID_VOLTAGE_CHANGE: "Typical of a large load, or a line, being switched.",
    Kind.FLICKER: "Typical of loads that change several times a second: welding, saws, pumps.",
    Kind.UNBALANCE: "Typical of large single-phase loads, or of a conductor with a poor joint.",
}
