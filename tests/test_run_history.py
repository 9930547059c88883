"""What is said of the time and the settings between one run and the next."""

import json
from contextlib import closing
from pathlib import Path

import pytest

from daemon.calibration import Calibration
from daemon.clock import SampleClock
from daemon.journal import Journal, Subject
from daemon.profiles import find_profile
from daemon.records import LogKind
from daemon.run_history import absence, boot_id, changes
from daemon.settings import Settings, settings_snapshot
from daemon.settings_tables import AppliedCalibration
from daemon.store import PreviousRun, Store
from drivers.clock import ManualClock
from drivers.source import SourceInfo
from tests.database_material import rows
from tests.whole_material import settings_in

DRIVER = {"name": "simulated", "scenario": "none.yaml"}


def before(settings: dict[str, object]) -> PreviousRun:
    return PreviousRun(1, 1000.0, boot_id(), True, json.dumps(settings))


def test_equal_settings_are_no_change() -> None:
    settings: dict[str, object] = {"supply": {"nominal_v": 230}, "calibration": None}
    assert changes(before(settings), json.dumps(settings)) == []


def test_the_keys_that_changed_are_named_with_their_new_values() -> None:
    old: dict[str, object] = {"capture": {"dip_pct": 90, "swell_pct": 110}, "page": {"port": 1}}
    new = {"capture": {"dip_pct": 85, "swell_pct": 110}, "page": {"port": 2}}
    text = "since the run before: capture.dip_pct is 85, page.port is 2"
    assert changes(before(old), json.dumps(new)) == [(LogKind.SETTINGS_CHANGED, text)]


def test_a_long_list_is_cut() -> None:
    old: dict[str, object] = {}
    new = {f"key{number:02d}": number for number in range(14)}
    ((_, text),) = changes(before(old), json.dumps(new))
    assert text.endswith("key09 is 9, and 4 more")


@pytest.mark.parametrize("text", ["", "site: {}", "[1", "3"])
def test_settings_that_cannot_be_read_are_a_change_like_any_other(text: str) -> None:
    ((kind, _),) = changes(PreviousRun(1, 0.0, "", True, text), '{"a": 1}')
    assert kind is LogKind.SETTINGS_CHANGED


def start(settings: Settings, folder: Path, clock: ManualClock) -> None:
    info = SourceInfo(16000.0, ("L1",), 16, 800.0, 8000.0, True, True)
    subject = Subject(settings, info, ("L1",), find_profile("iti-2000", folder))
    store = Store(folder / "events.db", "UTC")
    with closing(Journal(store, clock, SampleClock(clock, info), subject)) as journal:
        journal.begin()
        journal.end(is_orderly=True)
    clock.advance_s(60.0)


def test_another_calibration_is_logged_once(tmp_path: Path) -> None:
    clock = ManualClock()
    plain = settings_in(tmp_path, DRIVER)
    applied = AppliedCalibration(tmp_path / "c.yaml", Calibration(digest="0123456789abcdef" * 4))
    with_file = plain.model_copy(update={"calibration": applied})
    for settings in (plain, with_file, with_file, plain):
        start(settings, tmp_path, clock)
    log = rows(tmp_path / "events.db", "SELECT run_id, text FROM log WHERE kind = 'calibrated'")
    # where the settings keep it; what it is made of is in the tests of calibration
    assert json.loads(settings_snapshot(with_file))["calibration"]["content"]["digest"][:2] == "01"
    assert log == [
        (2, "calibration 0123456789ab from now on; the run before used none"),
        (4, "no calibration from now on; the run before used 0123456789ab"),
    ]


def test_time_not_seen_between_two_runs() -> None:
    ((kind, duration_s, text),) = [
        (entry.kind, entry.duration_s, entry.text) for entry in absence(before({}), now_s=1600.0)
    ]
    assert (kind, duration_s, text) == (LogKind.UNOBSERVED, 600.0, "the monitor was stopped")
    other_boot = PreviousRun(1, 1000.0, "another start", False)
    kinds = [entry.kind for entry in absence(other_boot, now_s=1600.0)]
    assert kinds == [LogKind.UNOBSERVED, LogKind.SUPPLY_RETURNED]
