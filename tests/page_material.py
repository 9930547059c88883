"""A plausible snapshot and database for the page, made without the monitor. All names invented."""

import math
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from daemon.records import Event, JudgedEvent, Judgement, Kind, Trace, Verdict, Waveform
from daemon.schema import utc_text
from daemon.status import (
    CaptureStatus,
    ChannelStatus,
    DriverStatus,
    HealthStatus,
    RunStatus,
    SiteStatus,
    Snapshot,
    State,
    SupplyStatus,
    WaveformStatus,
)
from daemon.store import RunInfo, Store

NOW_UTC_S = 1_772_645_531.0  # 2026-03-04 17:32:11 UTC, a Wednesday, 18:32:11 in Vienna
DAY_S = 86_400.0


def plausible_snapshot(written_utc_s: float = NOW_UTC_S - 0.75) -> Snapshot:
    """One channel at 229.8 V, watching for a day and a half."""
    return Snapshot(
        version="0.1.0",
        written_utc=utc_text(written_utc_s),
        state=State.WATCHING,
        site=SiteStatus("Bakery Lindenhof", "Oven line, socket 3", "Europe/Vienna"),
        supply=SupplyStatus(230.0, 50.0, "example", "Example tolerance curve", None),
        capture=CaptureStatus(90.0, 110.0, 5.0, 5.0, 1.0),
        driver=DriverStatus("ads131m0x", 16000.0, 16, 7000.0),
        run=RunStatus(3, utc_text(written_utc_s - 124_205.0), 124_205.0, 99.98),
        channels=(channel("L1", 229.8),),
        frequency_hz=50.012,
        waveform=WaveformStatus(16000.0, {"L1": three_cycles(229.8)}),
        health=HealthStatus(
            0, 1.5, "synchronised", "set by a time server", 11_200.0, 3.4, 48.2, None
        ),
    )


def channel(name: str, urms_v: float, open_event: str | None = None) -> ChannelStatus:
    """A channel of a 230 V supply with a usual share of odd harmonics."""
    order = np.arange(1, 51)
    harmonics_pct = np.where(order % 2 == 1, 6.0 / order, 0.02)
    harmonics_pct[0] = 100.0
    harmonics = tuple(np.round(harmonics_pct, 3).tolist())
    return ChannelStatus(name, urms_v, urms_v / 2.3, 2.76, 1.412, harmonics, open_event)


def three_cycles(urms_v: float) -> tuple[float, ...]:
    """A sine with some fifth harmonic, 16 kS/s, 50 Hz."""
    angle = 2 * np.pi * np.arange(960) / 320
    volts = urms_v * math.sqrt(2) * (np.sin(angle) + 0.02 * np.sin(5 * angle))
    return tuple(np.round(volts, 1).tolist())


def three_phase(snapshot: Snapshot) -> Snapshot:
    """The same with three channels, one of them low."""
    channels = (channel("L1", 230.4), channel("L2", 181.6, "dip"), channel("L3", 228.9))
    return replace(snapshot, channels=channels)


@dataclass(frozen=True, slots=True)
class Plain:
    """One event, as much of it as the page shows."""

    kind: Kind
    before_s: float  # how long before now it began
    duration_s: float | None
    value: float
    unit: str
    value_pct: float
    verdict: Verdict | None
    limit: str | None
    channel: str = "L1"
    flags: tuple[str, ...] = ()


EVENTS = (
    Plain(Kind.DIP, 1.03 * DAY_S, 0.31, 92.1, "V", 40.04, Verdict.MAY_STOP,
          "below 70 % for at most 0.02 s"),
    Plain(Kind.DIP, 1.2 * DAY_S, 0.06, 196.4, "V", 85.4, Verdict.WITHIN, None),
    Plain(Kind.SWELL, 0.3 * DAY_S, 1.42, 258.1, "V", 112.2, Verdict.WITHIN, None),
    Plain(Kind.INTERRUPTION, 9 * DAY_S, 2.345, 0.4, "V", 0.17, Verdict.MAY_STOP,
          "below 70 % for at most 0.02 s", flags=("overlaps_gap",)),
    Plain(Kind.TRANSIENT, 0.25 * DAY_S, 0.0004, 512.0, "V", 157.4, Verdict.WITHIN, None),
    Plain(Kind.DISTORTION, 0.1 * DAY_S, 845.0, 8.2, "%", 8.2, Verdict.BEYOND_LIMIT,
          "above 8 % over 10 minutes"),
    Plain(Kind.SWELL, 3.4 * DAY_S, 0.72, 331.0, "V", 143.9, Verdict.MAY_DAMAGE,
          "above 120 % for at most 0.5 s"),
    Plain(Kind.FREQUENCY, 0.05 * DAY_S, None, 49.38, "Hz", 98.76, None, None),
)  # fmt: skip


def write_database(
    path: Path, events: tuple[Plain, ...] = EVENTS, now_utc_s: float = NOW_UTC_S
) -> None:
    """A database with these events, written by the real store, numbered from 1 in this order.

    Where nothing lies yet, a copy of the one that was written first.
    """
    if path.exists():
        _write(path, events, now_utc_s)
        return
    content, mode = _written(events, now_utc_s)
    path.write_bytes(content)
    path.chmod(mode)


@cache
def _written(events: tuple[Plain, ...], now_utc_s: float) -> tuple[bytes, int]:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "events.db"
        _write(path, events, now_utc_s)
        return path.read_bytes(), path.stat().st_mode


def _write(path: Path, events: tuple[Plain, ...], now_utc_s: float) -> None:
    started_utc_s = now_utc_s - 10 * DAY_S
    run = RunInfo("demo: true\n", started_utc_s, "simulated", 16000.0, ("L1",), "boot", "free")
    store = Store(path, "Europe/Vienna")
    try:
        run_id = store.begin_run(run)
        judged = [_judged(number, plain, now_utc_s) for number, plain in enumerate(events, 1)]
        store.add(run_id, judged, ())
    finally:
        store.close()


def _judged(number: int, plain: Plain, now_utc_s: float) -> JudgedEvent:
    start_utc_s = now_utc_s - plain.before_s
    start_s = 10 * DAY_S - plain.before_s
    event = Event(
        number=number,
        kind=plain.kind,
        channel=plain.channel,
        group=number,
        start_s=start_s,
        duration_s=plain.duration_s,
        value=plain.value,
        unit=plain.unit,
        value_pct=plain.value_pct,
        threshold=207.0,
        extreme_s=start_s + 0.01,
        below_interruption_s=None,
        level_times=(),
        complete=plain.duration_s is not None,
        flags=plain.flags,
        trace=Trace(np.array([0.0, 0.01]) + start_s, np.array([230.0, 92.1], np.float32)),
        waveforms=(Waveform(1000, 16000.0, np.array([0.0, 325.0, -325.0], np.float32)),),
    )
    judgement = Judgement("example", plain.verdict, plain.limit)
    return JudgedEvent(event, judgement, start_utc_s, "synchronised")
