"""IEEE 1564 figures of stored events, by hand. Formulas from memory of the guide."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daemon.archive import open_archive
from daemon.groups import Group
from daemon.profiles import find_profile
from daemon.records import Kind, Trace
from daemon.sag_figures import count_sags, curve_of, lost_energy_s
from daemon.store import Store
from daemon.tolerance import ImmunityProfile
from tests.after_watch_material import run
from tests.database_material import dip, event_row, judged, run_info
from tools.sag_counts import sag_sentences

SETTINGS = '{"supply": {"nominal_v": 230, "frequency_hz": 50}, "capture": {"dip_pct": 85}}'


def test_lost_energy_follows_the_trace() -> None:
    row = event_row(start_s=60.0, duration_s=0.2, value=115.0, value_pct=50.0)
    times = 60.0 + np.arange(-10.0, 40.0) * 0.01
    half = np.where((times >= 59.999) & (times < 60.099), 115.0, 184.0).astype(np.float32)
    # 0.1 s at 50 %, 0.1 s at 80 %: 0.1 (1 - 0.25) + 0.1 (1 - 0.64); what lies outside is left out.
    assert lost_energy_s(row, Trace(times, half), 230.0) == pytest.approx(0.111, abs=1e-6)
    # Without a trace: 0.2 (1 - 0.25).
    assert lost_energy_s(row, None, 230.0) == pytest.approx(0.15)


@pytest.mark.parametrize("changes", [{"kind": Kind.SWELL}, {"duration_s": None}])
def test_only_a_dip_that_is_over_has_lost_energy(changes: dict[str, Any]) -> None:
    assert lost_energy_s(event_row(**changes), None, 230.0) is None


def group(residual_pct: float, lasted_s: float = 0.1, kind: Kind = Kind.DIP) -> Group:
    return Group(kind, 0.0, lasted_s, "L1", 2.3 * residual_pct, residual_pct, ("L1",))


def test_counts() -> None:
    profile = find_profile("semi-f47-0706", None)
    assert isinstance(profile, ImmunityProfile)
    groups = [
        (0.0, group(85.0)), (30.0, group(60.0)), (100.0, group(45.0)), (200.0, group(69.0, 0.3)),
        (200.0, group(120.0, kind=Kind.SWELL)), (300.0, group(50.0)),
    ]  # fmt: skip
    found = count_sags(groups, profile, (230.0, 50.0))
    # The first two lie within a minute and count once by the deeper.
    assert found.below == ((90, 5, 4), (80, 4, 4), (70, 4, 4), (50, 1, 1), (10, 0, 0))
    # SEMI F47 (from memory): 50 % for 0.2 s, 70 % for 0.5 s; exactly on the curve is not below.
    assert found.below_curve == (2, 2)


def test_a_profile_without_lower_limits_has_no_curve() -> None:
    profile = find_profile("iti-2000", None)
    assert isinstance(profile, ImmunityProfile)
    assert curve_of(profile, 230.0, 50.0) is not None
    assert curve_of(profile.model_copy(update={"under": ()}), 230.0, 50.0) is None


def test_the_counts_are_told_with_their_time(tmp_path: Path) -> None:
    path = tmp_path / "events.db"
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info(settings_text=SETTINGS))
    store.add(run_id, [judged(dip(1)), judged(dip(2, channel="L2", group=1))], [])
    store.touch_run(run_id, run_info().started_utc_s + 7200.0, 1, 0)
    store.close()
    (text,) = sag_sentences(open_archive(path), [find_profile("iti-2000", None)])
    assert "in 2 h 00 min watched: 1 below 80 %, 1 below 70 %, 0 below 50 %" in text
    assert "below 90 %" not in text  # captured below 85 % only
    assert "1 below the curve of iti-2000; indicative" in text
    shown = " ".join(run("show", path, "1").output.split())
    # 0.12 s at 61 %, no trace: 0.12 (1 - 0.3721)
    assert "Sag energy 0.0753 s without any voltage would lose as much" in shown
    told = " ".join(run("judge", path, "--profile", "iti-2000").output.split())
    assert "1 below the curve of iti-2000" in told
