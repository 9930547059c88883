"""What a watch found, in the words of the advice table."""

from collections.abc import Sequence
from enum import StrEnum
from importlib.resources import as_file, files
from pathlib import Path

import numpy as np
from pydantic import BaseModel, ConfigDict, ValidationError

from daemon.archive import Archive
from daemon.cause import FAULT_S, Cause
from daemon.errors import InputError
from daemon.judge import is_serious
from daemon.records import Kind, Trace
from daemon.tolerance_steps import Paragraph
from daemon.yaml_file import Line, describe_faults, fields_of, read_yaml
from tools.correlation import Correlation, Occurrence

FAULTS = (Cause.REMOTE_FAULT, Cause.MULTISTAGE_FAULT)
SHORT_S = 1.0
LONG_S = 60.0
HIGH_PCT, LOW_PCT = 105.0, 95.0
SLOW_SHARE = 0.4  # of an event: a recovery that takes this long is slow


class Finding(StrEnum):
    """Each has its lines in `config/advice.yaml`."""

    LOOSE_NEUTRAL = "loose_neutral"
    EARTH_FAULT = "earth_fault"
    SHORT_DIPS = "short_dips"
    INTERRUPTIONS = "interruptions"
    SWELLS = "swells"
    TRANSIENTS = "transients"
    LONG_UNDERVOLTAGE = "long_undervoltage"
    MOTOR_START = "motor_start"
    DISTORTION = "distortion"
    FREQUENCY = "frequency"
    FAILURES_ELSEWHERE = "failures_elsewhere"
    NOTHING = "nothing"


class Advice(BaseModel):
    """One measure, and when it does not help."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    finding: Finding
    measure: Line
    why: Paragraph
    not_when: Paragraph
    source: Line


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    advice: tuple[Advice, ...]


def load_advice(path: Path | None = None) -> tuple[Advice, ...]:
    """The advice table, the built-in one by default.

    :raises InputError: every fault of the file.
    """
    if path is None:
        with as_file(files("config") / "advice.yaml") as builtin:
            return load_advice(builtin)
    try:
        return _Table.model_validate(read_yaml(path)).advice
    except ValidationError as error:
        raise InputError(describe_faults(path, error, fields_of(_Table))) from error


def find_findings(
    archive: Archive, occurrences: Sequence[Occurrence], failures: Correlation | None
) -> list[Finding]:
    """What the events say, the most urgent first.

    Kinds that no profile judges (distortion, frequency) count as they were captured.
    """
    found = {finding for one in occurrences for finding in _of(archive, one)}
    if failures is not None and len(failures.unmatched_failures) > len(failures.pairs):
        found.add(Finding.FAILURES_ELSEWHERE)
    return [one for one in Finding if one in found] or [Finding.NOTHING]


def _of(archive: Archive, one: Occurrence) -> list[Finding]:
    worst = one.worst
    if worst.kind is Kind.DISTORTION:
        return [Finding.DISTORTION]
    if worst.kind is Kind.FREQUENCY:
        return [Finding.FREQUENCY]
    if not is_serious(one.verdict):
        return []
    if _is_apart(one):
        return [Finding.EARTH_FAULT if _is_cleared_fault(one) else Finding.LOOSE_NEUTRAL]
    lasted_s = worst.duration_s or 0.0
    if worst.kind is Kind.DIP:
        if lasted_s >= LONG_S:
            return [Finding.LONG_UNDERVOLTAGE]
        slow = [Finding.MOTOR_START] if recovers_slowly(archive.trace(worst.id), worst.start_s,
                                                        worst.duration_s) else []  # fmt: skip
        return [*slow, Finding.SHORT_DIPS if lasted_s <= SHORT_S else Finding.INTERRUPTIONS]
    return {
        Kind.INTERRUPTION: [Finding.INTERRUPTIONS],
        Kind.SWELL: [Finding.SWELLS],
        Kind.TRANSIENT: [Finding.TRANSIENTS],
    }.get(worst.kind, [])


def _is_apart(one: Occurrence) -> bool:
    """One conductor high while another is low."""
    kinds = {(event.channel, event.kind) for event in one.events}
    high = {channel for channel, kind in kinds if kind is Kind.SWELL}
    low = {channel for channel, kind in kinds if kind in (Kind.DIP, Kind.INTERRUPTION)}
    return bool(high and low and high | low != high & low)


def _is_cleared_fault(one: Occurrence) -> bool:
    """Whether the monitor took it for a fault that protection cleared, and never for the neutral.

    In doubt it is the neutral: the safer of the two to look at.
    """
    causes = [event.cause or "" for event in one.events]
    is_short = one.span[1] - one.span[0] <= FAULT_S
    is_fault = any(name in cause for cause in causes for name in FAULTS)
    is_neutral = any(Cause.LOOSE_NEUTRAL in cause for cause in causes)
    is_seen = all(event.duration_s is not None for event in one.events)
    return is_short and is_seen and is_fault and not is_neutral


def recovers_slowly(trace: Trace | None, start_s: float, duration_s: float | None) -> bool:
    """Whether the voltage rises over much of the event: its deepest value comes early.

    Our own rule, for a hint only: from the lowest value on, the middle of the way up is reached
    no sooner than two fifths of the event after it, and hardly any step goes down.
    """
    if trace is None or duration_s is None or duration_s < 0.1:
        return False
    inside = (trace.start_s >= start_s) & (trace.start_s <= start_s + duration_s)
    values = trace.urms_v[inside].astype(np.float64)
    if len(values) < 8:
        return False
    lowest = int(values.argmin())
    rise = values[lowest:]
    if lowest > len(values) / 3 or len(rise) < 6:
        return False
    steps = np.diff(rise)
    is_steady = float((steps > -0.01 * values.max()).mean()) > 0.9
    largest = float(steps.max()) / max(float(rise[-1] - rise[0]), 1e-9)
    return is_steady and largest < SLOW_SHARE
