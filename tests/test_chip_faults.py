"""Faults on a schedule: every converter's model fails in every way it can, under a whole monitor.

Whatever fails, each sample is accounted for: measured + logged as unobserved = what the clock says
went by, and the log's gaps add up to the samples lost, exactly.
"""

import json
import re
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from drivers.errors import SourceUnavailable
from tests.chips.bench import Line
from tests.chips.rigs import CASES, PEAK_V, Case, Rig, dipping
from tests.chips.stepped import Action, watch
from tests.test_chips_end_to_end import channel_tables, site_table
from tests.whole_material import settings_in

FAIL_S, MEND_S, END_S = 1.0, 1.6, 4.0
SHOWN_S = 0.06  # two blocks and what the filters hold back
mains = dipping(at_s=1e9)
CHECKED = ("ads8688", "ads131m0x", "ads1256")  # have registers that can be looked at
READY = ("ads131m0x", "ads1256")
SPI = ("mcp320x", *CHECKED)
EVERY = (*SPI, "soundcard")
FAST = "ads1256"  # its model costs least
SHORT = ("stuck low", "lost data-ready", "bias lost")  # run by default; all in the long suite


def line(level: Line) -> Action:
    def act(rig: Rig) -> None:
        assert rig.bench is not None
        rig.bench.line = level

    return act


def damage(how: Callable[[bytes], bytes]) -> Action:
    def act(rig: Rig) -> None:
        assert rig.bench is not None
        rig.bench.damage = how

    return act


def sensor(volts: Callable[[float], float]) -> Action:
    def act(rig: Rig) -> None:
        rig.sensor = volts

    return act


def reset(rig: Rig) -> None:
    times = () if hasattr(rig.chip, "held_s") else (rig.clock.monotonic_ns(),)
    rig.chip.reset(*times)


def brown_out(rig: Rig) -> None:
    rig.chip.is_dead = True


def power_back(rig: Rig) -> None:
    rig.chip.is_dead = False
    reset(rig)


def cut_ready(is_cut: bool) -> Action:
    def act(rig: Rig) -> None:
        assert rig.line is not None
        rig.line.is_cut = is_cut

    return act


def speed(factor: float) -> Action:
    def act(rig: Rig) -> None:
        rig.chip.speed = factor
        reset(rig)

    return act


def audio(**state: object) -> Action:
    def act(rig: Rig) -> None:
        for name, value in state.items():
            setattr(rig.audio, name, value)

    return act


def stall(for_s: float) -> Action:
    return lambda rig: rig.clock.advance_s(for_s)


def one_bit(received: bytes) -> bytes:
    """Flips one bit near the end of what came, as noise on the wire does."""
    return received[:-5] + bytes([received[-5] ^ 4]) + received[-4:]


def burst(n_frames: int) -> Action:
    """The next so many frames are damaged."""

    def act(rig: Rig) -> None:
        left = iter(range(n_frames))
        damage(lambda received: received if next(left, None) is None else one_bit(received))(rig)

    return act


def noisy(level_v: float, rms_v: float) -> Callable[[float], float]:
    random = np.random.default_rng(3)
    return lambda t_s: level_v + float(random.normal(0.0, rms_v))


@dataclass(frozen=True)
class Fault:
    """What happens, and what must be told of it."""

    name: str
    drivers: tuple[str, ...]
    schedule: tuple[tuple[float, Action], ...]
    lost_s: tuple[float, float]  # at least and at most
    says: str | None = None  # in the log
    events: list[tuple[str, list[str]]] = field(default_factory=list)  # kind and flags

    def cases(self) -> list[object]:
        return [
            pytest.param(
                self,
                case,
                id=f"{self.name}-{case.name}",
                marks=[] if case.name == FAST and self.name in SHORT else pytest.mark.soak,
            )
            for case in CASES
            if case.name in self.drivers
        ]


def while_failing(fault: Action, mend: Action) -> tuple[tuple[float, Action], ...]:
    return ((FAIL_S, fault), (MEND_S, mend))


def away(name: str, drivers: tuple[str, ...], says: str, fault: Action, mend: Action) -> Fault:
    """The device is closed and opened again: 1 s of back-off, and what noticing takes."""
    return Fault(name, drivers, while_failing(fault, mend), (1.0, 2.1), says)


def seen(kind: str, *flags: str) -> list[tuple[str, list[str]]]:
    return [(kind, list(flags))]


good = line(Line.GOOD)
steady = sensor(mains)
FAULTS = [
    away("stuck low", SPI, "does not answer", line(Line.LOW), good),
    away("stuck high", SPI, "does not answer", line(Line.HIGH), good),
    away("floating line", SPI, "does not answer", line(Line.FLOATING), good),
    away("I/O error", EVERY, "Input/output error", lambda rig: rig.fail(True),
         lambda rig: rig.fail(False)),
    away("brown-out", ("ads8688",), "does not answer", brown_out, power_back),
    away("brown-out", READY, "data-ready line was still", brown_out, power_back),
    away("lost data-ready", READY, "data-ready line was still", cut_ready(True), cut_ready(False)),
    away("damage on every frame", ("ads131m0x",), "check word is wrong", damage(one_bit),
         damage(bytes)),
    Fault("two check errors", ("ads131m0x",), ((FAIL_S, burst(2)),), (0.0005, 0.0005)),
    Fault("a burst of check errors", ("ads131m0x",), ((FAIL_S, burst(5)),), (0.001, 0.1)),
    Fault("reset by itself", ("ads8688",), ((FAIL_S, reset),), (1.0, 1.3), "does not answer"),
    Fault("reset by itself", READY, ((FAIL_S, reset),), (0.001, 0.2)),
    Fault("wrong rate", READY, while_failing(speed(1.025), speed(1.0)), (1.0, 2.5),
          "conversions come faster than the"),
    Fault("dropped samples", SPI, ((FAIL_S, stall(0.03)),), (0.025, 0.035)),
    Fault("overflow", ("soundcard",), ((FAIL_S, stall(0.8)),), (0.2, 0.4)),
    Fault("silent device", ("soundcard",), ((FAIL_S, audio(is_stalled=True)),
          (3.2, audio(is_stalled=False))), (2.9, 3.1), "gave nothing for 2 s"),
    Fault("another rate after it was away", ("soundcard",),
          ((FAIL_S, audio(error="unplugged", real_rate_hz=15_500.0)), (1.3, audio(error=None)),
           (2.5, audio(real_rate_hz=0.0))), (2.9, 3.3), "runs at 15500"),
    Fault("clipped", EVERY, while_failing(sensor(lambda t_s: 9.5 * mains(t_s)), steady),
          (0.0, 0.0), events=seen("swell", "clipped")),
    Fault("disconnected, no noise", EVERY, while_failing(sensor(lambda t_s: 0.0), steady),
          (0.0, 0.0), events=seen("interruption", "doubtful_no_noise")),
    Fault("bias lost", EVERY, while_failing(sensor(noisy(-PEAK_V / 3, 5e-4)), steady),
          (0.0, 0.0), events=seen("dip", "doubtful_constant_voltage")),
    Fault("real interruption", EVERY, while_failing(sensor(noisy(0.0, 5e-4)), steady),
          (0.0, 0.0), events=seen("interruption")),
]  # fmt: skip


@pytest.mark.parametrize(("fault", "case"), [row for fault in FAULTS for row in fault.cases()])
def test_is_told_and_accounted_for(
    fault: Fault, case: Case, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = case.rig(mains)
    settings = settings_in(
        tmp_path,
        {"name": case.name, **case.options},
        site=site_table(),
        channels=channel_tables(),
        store={"path": str(tmp_path / "events.db")},
    )
    summary = watch(rig, settings, monkeypatch, END_S, *fault.schedule)
    with closing(sqlite3.connect(tmp_path / "events.db")) as database:
        found = database.execute("SELECT kind, flags FROM event ORDER BY start_s").fetchall()
        gaps_s = database.execute("SELECT duration_s FROM log WHERE kind = 'unobserved'").fetchall()
        faults = database.execute("SELECT text FROM log WHERE kind = 'fault'").fetchall()
    events = [(kind, json.loads(flags)) for kind, flags in found if kind != "transient"]
    assert events == fault.events
    told = "; ".join(text for (text,) in faults)
    assert re.search(fault.says, told) if fault.says else told == ""
    assert sum(round(gap_s * case.rate_hz) for (gap_s,) in gaps_s) == summary.n_lost
    assert fault.lost_s[0] <= summary.n_lost / case.rate_hz <= fault.lost_s[1]
    assert rig.opened_s is not None
    passed_s = rig.clock.monotonic_ns() / 1e9 - 1000.0 - rig.opened_s
    accounted_s = (summary.n_samples + summary.n_lost) / case.rate_hz
    assert accounted_s == pytest.approx(passed_s, abs=SHOWN_S)


@pytest.mark.parametrize("case", [case for case in CASES if case.name in READY], ids=READY)
def test_a_wrong_rate_is_refused_from_the_start(case: Case) -> None:
    """2 % is more than any crystal and less than any reset: it can only be the wrong clock."""
    for factor, word in ((1.02, "faster"), (0.98, "slower")):
        rig = case.rig(mains)
        rig.chip.speed = factor
        with pytest.raises(SourceUnavailable, match=f"come {word} than the"):
            rig.source.open()
        rig.chip.speed = 1.0
        rig.source.open()
        rig.source.close()
