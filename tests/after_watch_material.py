"""A small database as a watch leaves it, for the verbs that come after."""

import json
from pathlib import Path

import numpy as np
from click.testing import CliRunner, Result
from numpy.typing import NDArray

from daemon.records import Event, Judgement, LogEntry, LogKind, Trace, Verdict, Waveform
from daemon.store import Store
from tests.database_material import START_UTC_S, dip, judged, run_info
from tools.cli import main

RATE_HZ = 8000.0
RUN_UTC_S = START_UTC_S - 3600.0
LENGTH_S = 36_000.0
SNAPSHOT = json.dumps(
    {
        "site": {"name": "Bäckerei, Ofen", "circuit": "Oven 1", "timezone": "Europe/Vienna"},
        "supply": {"nominal_v": 230.0, "frequency_hz": 50, "profile": "iti-2000"},
        "driver": {"name": "simulated", "sample_rate_hz": RATE_HZ},
        "capture": {"dip_pct": 90.0, "swell_pct": 110.0, "interruption_pct": 5.0},
    }
)


def run(*words: object) -> Result:
    """The command as a person at a terminal of 100 columns would give it."""
    runner = CliRunner(env={"COLUMNS": "100"})
    return runner.invoke(main, [str(word) for word in words])


def sine(start_s: float, length_s: float, depth: float = 1.0) -> Waveform:
    """50 Hz, 230 V rms times `depth` in its middle half; from `start_s` of the run on."""
    first = round(start_s * RATE_HZ)
    n_samples = round(length_s * RATE_HZ)
    volts = 325.27 * np.sin(2 * np.pi * 50 * np.arange(n_samples) / RATE_HZ)
    volts[n_samples // 4 : 3 * n_samples // 4] *= depth
    return Waveform(first, RATE_HZ, volts.astype(np.float32))


def seen_dip(number: int, start_s: float) -> Event:
    """A dip with its waveform and trace."""
    times_s: NDArray[np.float64] = start_s + np.arange(-50.0, 70.0) * np.float64(0.01)
    urms_v = np.where((times_s >= start_s) & (times_s < start_s + 0.2), 140.3, 230.0)
    return dip(
        number,
        start_s=start_s,
        extreme_s=start_s + 0.05,
        duration_s=0.2,
        trace=Trace(times_s, urms_v.astype(np.float32)),
        waveforms=(sine(start_s - 0.1, 0.4, 0.61),),
    )


def fill(path: Path, starts_s: tuple[float, ...] = (3600.0, 9000.5, 20_000.25)) -> None:
    """Ten hours with serious dips at these seconds, one shallow dip, and one gap."""
    store = Store(path, "Europe/Vienna")
    info = run_info(settings_text=SNAPSHOT, started_utc_s=RUN_UTC_S, channels=("L1",))
    run_id = store.begin_run(info)
    serious = [
        judged(seen_dip(number, start_s), start_utc_s=RUN_UTC_S + start_s)
        for number, start_s in enumerate(starts_s, start=1)
    ]
    shallow = dip(90, start_s=30_000.0, value=200.0, value_pct=86.96, extreme_s=30_000.1)
    within = judged(
        shallow,
        judgement=Judgement("iti-2000", Verdict.WITHIN, None),
        start_utc_s=RUN_UTC_S + 30_000.0,
    )
    gap = LogEntry(LogKind.UNOBSERVED, RUN_UTC_S + 25_000.0, 25_000.0, 600.0, "samples lost")
    started = LogEntry(LogKind.STARTED, RUN_UTC_S, None, None, "watching")
    store.add(run_id, [*serious, within], [started, gap])
    store.end_run(run_id, RUN_UTC_S + LENGTH_S, round(LENGTH_S * RATE_HZ), 0)
    store.close()
