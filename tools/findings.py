"""What a watch found, in the words of the advice table."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from importlib.resources import as_file, files
from pathlib import Path

import numpy as np
from pydantic import BaseModel, ConfigDict, ValidationError

from daemon.archive import Archive
from daemon.cause import FAULT_S, Cause
from daemon.errors import InputError
from daemon.judge import is_serious, severity_order
from daemon.records import Kind, Trace
from daemon.tolerance_steps import Paragraph
from daemon.yaml_file import Line, describe_faults, fields_of, read_yaml
from tools.correlation import Correlation, Occurrence
from tools.quiet_watch import is_short
from tools.supply_or_machine import Answer, find_answer

FAULTS = (Cause.REMOTE_FAULT, Cause.MULTISTAGE_FAULT)
SHORT_S = 1.0
LONG_S = 60.0
HALF_PCT = 50.0  # below it a device without stored energy does nothing
OF_CURVES = (Kind.DIP, Kind.SWELL, Kind.INTERRUPTION, Kind.TRANSIENT)
SLOW_SHARE = 0.4  # of an event: a recovery that takes this long is slow


class Finding(StrEnum):
    """Each has its lines in `config/advice.yaml`."""

    LOOSE_NEUTRAL = "loose_neutral"
    EARTH_FAULT = "earth_fault"
    SHORT_DIPS = "short_dips"
    INTERRUPTIONS = "interruptions"
    SWELLS = "swells"
    STEADY_HIGH = "steady_high"
    TRANSIENTS = "transients"
    LONG_UNDERVOLTAGE = "long_undervoltage"
    MOTOR_START = "motor_start"
    NETWORK_FAULT = "network_fault"
    NOT_JUDGED = "not_judged"
    DISTORTION = "distortion"
    FREQUENCY = "frequency"
    FAILURES_ELSEWHERE = "failures_elsewhere"
    TOO_SHORT = "too_short"
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


@dataclass(frozen=True, slots=True)
class Found:
    """A finding and what it rests on, the worst first; failures are not among it."""

    finding: Finding
    basis: tuple[Occurrence, ...]


def find_findings(
    archive: Archive,
    occurrences: Sequence[Occurrence],
    failures: Correlation | None,
    watched_s: float = math.inf,
) -> list[Found]:
    """What the events say: a neutral first, then by the worst verdict each rests on.

    Where the failures point to the machine, it comes before the supply. Kinds that no
    profile judges (distortion, frequency) count as they were captured. A watch in which no limit
    was passed may be too short for its silence to say much.
    """
    basis: dict[Finding, list[Occurrence]] = {}
    for one in sorted(occurrences, key=weight, reverse=True):
        for finding in _of(archive, one):
            basis.setdefault(finding, []).append(one)
    found = sorted((Found(name, tuple(basis[name])) for name in basis), key=_urgency)
    if failures is not None and failures.unmatched_failures:
        elsewhere = Found(Finding.FAILURES_ELSEWHERE, ())
        is_first = find_answer(failures) is Answer.MACHINE
        found.insert(_n_urgent(found) if is_first else len(found), elsewhere)
    n_failures = 0 if failures is None else len(failures.failures)
    is_quiet = not any(is_serious(one.verdict) for one in occurrences)
    if is_quiet and is_short(watched_s, n_failures):
        found.append(Found(Finding.TOO_SHORT, ()))
    return found or [Found(Finding.NOTHING, ())]


def _n_urgent(found: Sequence[Found]) -> int:
    """A neutral that may be loose comes before everything."""
    return sum(one.finding is Finding.LOOSE_NEUTRAL for one in found)


def _urgency(one: Found) -> tuple[bool, int, float, int]:
    order = list(Finding).index(one.finding)
    rank, size = weight(one.basis[0])
    if not rank:  # not judged: their sizes are of different things
        size = 0.0
    return one.finding is not Finding.LOOSE_NEUTRAL, -rank, -size, order


def weight(one: Occurrence) -> tuple[int, float]:
    """To sort by: the verdict first, then how far and how long the worst event was away."""
    size = abs(one.worst.value_pct - 100) * (one.worst.duration_s or 1.0) ** 0.25
    return severity_order(one.verdict), size


def _of(archive: Archive, one: Occurrence) -> list[Finding]:
    worst = one.worst
    if worst.kind is Kind.DISTORTION:
        return [Finding.DISTORTION]
    if worst.kind is Kind.FREQUENCY:
        return [Finding.FREQUENCY]
    if one.verdict is None:
        return [Finding.NOT_JUDGED] if worst.kind in OF_CURVES else []
    if not is_serious(one.verdict):
        return []
    if _is_apart(one):
        return [Finding.EARTH_FAULT if _is_cleared_fault(one) else Finding.LOOSE_NEUTRAL]
    lasted_s = worst.duration_s or 0.0
    if worst.kind is Kind.DIP:
        return _of_dip(archive, one, lasted_s)
    if worst.kind is Kind.SWELL:
        return [Finding.STEADY_HIGH if lasted_s >= LONG_S else Finding.SWELLS]
    return {
        Kind.INTERRUPTION: [Finding.INTERRUPTIONS],
        Kind.TRANSIENT: [Finding.TRANSIENTS],
    }.get(worst.kind, [])


def _of_dip(archive: Archive, one: Occurrence, lasted_s: float) -> list[Finding]:
    """A dip that is long or below half the voltage needs stored energy, as an interruption does."""
    worst = one.worst
    if lasted_s >= LONG_S:
        return [Finding.LONG_UNDERVOLTAGE]
    is_shallow = lasted_s <= SHORT_S and worst.value_pct >= HALF_PCT
    cure = Finding.SHORT_DIPS if is_shallow else Finding.INTERRUPTIONS
    if any(name in (worst.cause or "") for name in FAULTS):
        return [cure, Finding.NETWORK_FAULT]
    is_slow = recovers_slowly(archive.trace(worst.id), worst.start_s, worst.duration_s)
    return [Finding.MOTOR_START, cure] if is_slow else [cure]


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
