"""What else is known of an event, as lines of a name and a text for the terminal."""

from daemon.accuracy_words import accuracy_remark
from daemon.archive import EventRow
from daemon.page.event_details import detail_facts
from daemon.resolution import resolution

Fact = tuple[str, str]


def further_facts(event: EventRow, sample_rate_hz: float | None) -> list[Fact]:
    """Uncertainty, labels, the waveform's own timing, and the probable cause with its evidence."""
    facts: list[Fact] = [("Accuracy", accuracy_remark(event))]
    facts += [("Category", f"{event.category} (IEEE 1159)" if event.category else "")]
    facts += [("Cell", f"{event.cell} (UNIPEDE grid)" if event.cell else "")]
    for fact in detail_facts(event):
        remark = f" ({fact.remark})" if fact.remark else ""
        facts.append((fact.label, f"{fact.text}{remark}"))
    if event.detail.deviation_v is not None and sample_rate_hz is not None:
        facts.append(("Resolution", resolution(sample_rate_hz).text))
    if event.cause is not None:
        facts.append(("Cause", f"{event.cause}, from voltage alone"))
        facts.append(("Evidence", event.evidence or ""))
    return facts
