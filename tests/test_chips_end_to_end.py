"""The whole monitor on the model of each converter, at the rate its driver states.

The signal is a closed form: 230 V at 50 Hz with a dip to 60 % for five cycles. Magnitude within a
code of the converter (`Case.tolerance_pct`), length within a cycle (IEC 61000-4-30, class A).
"""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from daemon.app import Monitor
from drivers.clock import SystemClock
from tests.chips.model_drivers import PREFIX, install
from tests.chips.rigs import CASES, SENSOR, Case
from tests.whole_material import Raw, settings_in

DIP_AT_S, DIP_LENGTH_S, DIP_TO = 1.5, 0.1, 0.6
EVERY = pytest.mark.parametrize("case", CASES, ids=[case.name for case in CASES])


class NeverStop:
    def is_set(self) -> bool:
        return False


def site_table() -> Raw:
    isolation = {
        "barrier": "Transformer",
        "rating": "CAT III 300 V",
        "checked_by": "Bench",
        "checked_on": "2026-03-01",
    }
    return {"name": "Bench", "circuit": "1", "timezone": "UTC", "isolation": isolation}


def channel_tables(gain_v_per_v: float = 1 / SENSOR) -> list[Raw]:
    return [{"name": "L1", "input": 0, "gain_v_per_v": gain_v_per_v}]


def model_run(case: Case, folder: Path, monkeypatch: pytest.MonkeyPatch, **options: object) -> None:
    """Watch until the model's end, and compare what is stored with what was put in."""
    install(folder, monkeypatch)
    table = {
        "name": PREFIX + case.name,
        "dip_at_s": DIP_AT_S,
        "dip_length_s": DIP_LENGTH_S,
        "dip_to": DIP_TO,
        **options,
    }
    settings = settings_in(folder, table, site=site_table(), channels=channel_tables())
    settings = settings.model_copy(
        update={"store": settings.store.model_copy(update={"path": folder / "events.db"})}
    )
    summary = Monitor(settings, SystemClock(), with_page=False).run(NeverStop())
    with closing(sqlite3.connect(folder / "events.db")) as database:
        events = database.execute(
            "SELECT kind, value, duration_s, complete, flags, start_s FROM event"
        ).fetchall()
        rates = database.execute("SELECT sample_rate_hz FROM run").fetchall()
        gaps = database.execute("SELECT text FROM log WHERE kind = 'unobserved'").fetchall()
    assert rates == [(case.rate_hz,)]
    assert gaps == []
    assert summary.n_lost == 0
    [(kind, value, duration_s, complete, flags, _)] = events
    assert (kind, complete, flags) == ("dip", 1, "[]")
    assert value == pytest.approx(DIP_TO * 230, abs=230 * case.tolerance_pct / 100)
    assert duration_s == pytest.approx(DIP_LENGTH_S, abs=0.0201)
    # Blocks of 20 ms; opening takes part of the model's time (0.1 s to try out or
    # to calibrate, 0.3 s to check the rate)
    expected = float(str(options["duration_s"])) * case.rate_hz
    assert expected - 0.5 * case.rate_hz <= summary.n_samples <= expected + 0.05 * case.rate_hz


@EVERY
def test_through_the_sampling_process(
    case: Case, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    model_run(case, tmp_path, monkeypatch, duration_s=2.4)


@pytest.mark.soak
@EVERY
def test_in_real_time(case: Case, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A model that the machine cannot run in real time falls behind: samples come late, and none
    is lost."""
    model_run(case, tmp_path, monkeypatch, duration_s=12.0, pace="realtime")
