"""What there is to say of the time and the settings between one run and the next."""

import json
from itertools import chain
from pathlib import Path

from daemon.records import LogEntry, LogKind
from daemon.store import PreviousRun

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
DIGEST = "calibration.content.digest"  # what a calibration is known by
LONGEST_LIST = 10  # of keys named in one entry


def boot_id() -> str:
    """Of this start of the computer."""
    try:
        return BOOT_ID.read_text().strip()
    except OSError:
        return "unknown"


def absence(before: PreviousRun, now_s: float) -> list[LogEntry]:
    """What there is to say of the time between two live runs."""
    away_s = now_s - before.until_utc_s
    if away_s <= 0:
        text = "the clock is behind the end of the run before: time not seen is not known"
        return [LogEntry(LogKind.UNOBSERVED, now_s, None, None, text)]
    entries = [unseen_before(before, now_s)]
    if _was_power_cut(before):
        text = "the computer's own supply is back"
        entries.append(LogEntry(LogKind.SUPPLY_RETURNED, now_s, None, None, text))
    return entries


def unseen_before(before: PreviousRun, now_s: float) -> LogEntry:
    """How long nothing was seen before this run, and why."""
    if _was_power_cut(before):
        cause = "the computer was off or restarting"
    else:
        cause = "the monitor was stopped" if before.stopped else "the monitor broke off"
    away_s = now_s - before.until_utc_s
    return LogEntry(LogKind.UNOBSERVED, before.until_utc_s, None, away_s, cause)


def _was_power_cut(before: PreviousRun) -> bool:
    return before.boot_id != boot_id() and not before.stopped


def changes(before: PreviousRun, settings_text: str) -> list[tuple[LogKind, str]]:
    """What is configured otherwise than in the run before: a line of each kind, for the log."""
    old, new = _flat(before.settings_text), _flat(settings_text)
    keys = sorted(key for key in {*old, *new} if old.get(key) != new.get(key))
    others = [key for key in keys if key.partition(".")[0] != "calibration"]
    found = []
    if others:
        found.append((LogKind.SETTINGS_CHANGED, f"since the run before: {_listed(others, new)}"))
    then, now = old.get(DIGEST), new.get(DIGEST)
    if now != then:
        name = f"calibration {str(now)[:12]}" if now else "no calibration"
        other = f"used {str(then)[:12]}" if then else "used none"
        found.append((LogKind.CALIBRATED, f"{name} from now on; the run before {other}"))
    return found


def _listed(keys: list[str], new: dict[str, object]) -> str:
    shown = [f"{key} is {json.dumps(new.get(key))[:60]}" for key in keys[:LONGEST_LIST]]
    n_more = len(keys) - len(shown)
    return ", ".join([*shown, *([f"and {n_more} more"] if n_more else [])])


def _flat(text: str) -> dict[str, object]:
    """Settings as one table of dotted keys; empty where they are not JSON."""
    try:
        return dict(_leaves("", json.loads(text)))
    except ValueError:
        return {}


def _leaves(path: str, value: object) -> list[tuple[str, object]]:
    if isinstance(value, dict):
        parts = [
            _leaves(f"{path}.{key}" if path else str(key), part) for key, part in value.items()
        ]
        return list(chain.from_iterable(parts))
    return [(path, value)]
