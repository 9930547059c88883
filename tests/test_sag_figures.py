"""IEEE 1564 figures of stored events, by hand. Formulas from memory of the guide."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daemon.archive import DipRow, open_archive
from daemon.indices import DipFigures
from daemon.profiles import find_profile
from daemon.records import Kind, Trace
from daemon.sag_figures import count_sags, curve_of, dips_of_supply, lost_energy_s
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


def test_counts() -> None:
    profile = find_profile("semi-f47-0706", None)
    assert isinstance(profile, ImmunityProfile)
    dips = [
        (30.0, DipFigures(60.0, 0.1)), (0.0, DipFigures(85.0, 0.1)), (100.0, DipFigures(45.0, 0.1)),
        (200.0, DipFigures(69.0, 0.3)), (300.0, DipFigures(50.0, 0.1)),
    ]  # fmt: skip
    found = count_sags(dips, profile, (230.0, 50.0))
    # The first two lie within a minute and count once by the deeper.
    assert found.below == ((90, 5, 4), (80, 4, 4), (70, 4, 4), (50, 1, 1), (10, 0, 0))
    # SEMI F47 (from memory): 50 % for 0.2 s, 70 % for 0.5 s; exactly on the curve is not below.
    assert found.below_curve == (2, 2)


def dip_row(channel: str, start_s: float, duration_s: float | None, residual_pct: float) -> DipRow:
    stamp = f"2026-01-01T00:00:{start_s:06.3f}Z"
    return DipRow(1, 1, channel, 1, stamp, start_s, duration_s, 2.3 * residual_pct, residual_pct)


def test_a_dip_of_several_lines_is_one_by_the_worst() -> None:
    """IEC 61000-4-30, 5.4.1 (from memory): from the first line below until all are back."""
    rows = [
        dip_row("L1", 10.0, 0.2, 80.0), dip_row("L2", 10.1, 0.4, 55.0),
        dip_row("N", 10.3, 9.0, 5.0), dip_row("L1", 11.0, None, 70.0),
    ]  # fmt: skip
    (first_s, first), (last_s, last) = dips_of_supply(rows, ["L1", "L2"])
    assert (first.residual_pct, last) == (55.0, DipFigures(70.0, 0.0))
    assert first.duration_s == pytest.approx(0.5)
    midnight_utc_s = 1_767_225_600.0  # 2026-01-01, by `date -u -d 2026-01-01 +%s`
    assert (first_s, last_s) == (midnight_utc_s + 10.0, midnight_utc_s + 11.0)
    late = [dip_row("L2", 10.1, 0.02, 40.0), dip_row("L2", 32.3, 0.02, 40.0)]
    # exactly 0.02 s, up to which ITI (CBEMA) bears 0 %; 32.3 + 0.02 - 32.3 is a little more
    assert [figures.duration_s for _, figures in dips_of_supply(late, ["L2"])] == [0.02, 0.02]
    (alone,) = dips_of_supply(rows[1:2], ["L1", "L2"])
    assert alone == (midnight_utc_s + 10.1, DipFigures(55.0, 0.4))
    assert dips_of_supply(rows[2:3], ["L1", "L2"]) == []


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
