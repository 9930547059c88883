"""What else is known of an event, as lines of a name and a text for the terminal."""

from daemon.archive import EventRow
from daemon.page.event_details import detail_facts
from daemon.page.words import duration_words
from daemon.resolution import resolution

Fact = tuple[str, str]


def further_facts(event: EventRow, sample_rate_hz: float | None) -> list[Fact]:
    """Uncertainty, labels, the waveform's own timing, and the probable cause with its evidence."""
    facts: list[Fact] = [("Uncertainty", _uncertainty(event))]
    facts += [("Category", f"{event.category} (IEEE 1159)" if event.category else "")]
    facts += [("Cell", f"{event.cell} (UNIPEDE grid)" if event.cell else "")]
    for fact in detail_facts(event.detail):
        remark = f" ({fact.remark})" if fact.remark else ""
        facts.append((fact.label, f"{fact.text}{remark}"))
    if event.detail.deviation_v is not None and sample_rate_hz is not None:
        facts.append(("Resolution", resolution(sample_rate_hz).text))
    if event.cause is not None:
        facts.append(("Cause", f"{event.cause}, from voltage alone"))
        facts.append(("Evidence", event.evidence or ""))
    return facts


def _uncertainty(event: EventRow) -> str:
    parts = []
    if event.uncertainty is not None:
        parts.append(f"± {event.uncertainty:.2g} {event.unit}")
    if event.duration_uncertainty_s is not None:
        parts.append(f"± {duration_words(event.duration_uncertainty_s)}")
    return (
        f"{', '.join(parts)} (k = 2, the sensor's error included only if calibrated)"
        if parts
        else ""
    )
