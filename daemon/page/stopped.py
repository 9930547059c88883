"""Whether measuring goes on, in one line, for /healthz and whoever watches the monitor."""

from daemon.page.reading import Reading
from daemon.status import State

NOT_STORING = "not_storing"
"""A state that only some monitors know: measuring goes on, and what is found waits."""


def is_behind(reading: Reading) -> bool:
    """Whether the database lacks what the running monitor has found, or may lack it."""
    snapshot = reading.snapshot
    if snapshot is None or reading.trouble is not None:
        return False
    return snapshot.state.value == NOT_STORING or snapshot.health.n_waiting > 0


def behind_stamp(reading: Reading) -> str:
    """Changes whenever what is to be said of the entries that wait does; empty when none do."""
    if reading.snapshot is None or not is_behind(reading):
        return ""
    return str(reading.snapshot.health.n_waiting)


def why_stopped(reading: Reading) -> str | None:
    """Why nothing is measured or kept now; None while all is well."""
    snapshot = reading.snapshot
    if snapshot is None or reading.trouble is not None:
        return reading.trouble
    if snapshot.state.value == State.WATCHING.value:
        return None
    fault = f": {snapshot.health.last_fault}" if snapshot.health.last_fault else ""
    if snapshot.state.value == NOT_STORING:
        return f"measuring, but not storing{fault}".replace("\n", " ")
    return f"not watching: {snapshot.state.value}{fault}".replace("\n", " ")
