"""What is said of an event beyond its values: put together from parts that have their own tests."""

from dataclasses import replace

import numpy as np
import pytest

from daemon.appraise import Appraiser, Stamp, clock_ppm
from daemon.profiles import find_profile
from daemon.records import NO_DETAIL, Event, EventDetail, Kind, LevelTime, Trace, Verdict
from daemon.settings import Settings
from daemon.timebase import RateEstimate
from drivers.source import SourceInfo
from tests.whole_material import CHECKOUT, settings_in

INFO = SourceInfo(16000.0, ("L1",), 16, 800.0, 8000.0, True, is_live=True)
STAMP = Stamp(1_780_000_000.0, "synchronised")
SIMULATED = {"name": "simulated", "scenario": "config/scenarios/demo.yaml"}


def dip() -> Event:
    """Rectangular, to 40 % for a tenth of a second."""
    times = np.arange(-50.0, 60.0) * 0.01
    volts = np.where((times >= 0) & (times < 0.1), 92.0, 230.0)
    return Event(
        number=1,
        kind=Kind.DIP,
        channel="L1",
        group=1,
        start_s=0.0,
        duration_s=0.1,
        value=92.0,
        unit="V",
        value_pct=40.0,
        threshold=207.0,
        extreme_s=0.05,
        below_interruption_s=None,
        level_times=(LevelTime(70, 0.09), LevelTime(80, 0.095), LevelTime(90, 0.1)),
        complete=True,
        flags=(),
        trace=Trace(times.astype(np.float64), volts.astype(np.float32)),
        detail=NO_DETAIL,
    )


def appraiser(settings: Settings) -> Appraiser:
    return Appraiser(settings, INFO, find_profile("iti-2000", None))


def test_a_dip_gets_verdict_labels_uncertainty_and_cause() -> None:
    judged = appraiser(settings_in(CHECKOUT, SIMULATED)).appraise(dip(), [dip()], STAMP)
    assert judged.judgement.verdict is Verdict.MAY_STOP
    assert judged.category == "instantaneous dip (sag)"  # IEEE 1159: below 30 cycles
    assert judged.cell is not None
    assert judged.cause is not None
    assert judged.cause.endswith("a fault elsewhere in the network")
    assert judged.evidence
    # 16 bits over 800 V and a 0.1 % window: between a hundredth of a volt and class A's 0.2 %.
    assert judged.uncertainty is not None
    assert 0.01 < judged.uncertainty < 0.46
    assert judged.duration_uncertainty_s == pytest.approx(0.02, rel=0.01)  # one cycle
    assert (judged.start_utc_s, judged.clock) == (STAMP.start_utc_s, STAMP.clock)


def test_nothing_is_said_of_the_cause_while_it_goes_on() -> None:
    event = replace(dip(), duration_s=None, complete=False)
    judged = appraiser(settings_in(CHECKOUT, SIMULATED)).appraise(event, [event], STAMP)
    assert (judged.cause, judged.evidence, judged.duration_uncertainty_s) == (None, None, None)


def test_a_converter_that_was_never_calibrated_has_no_uncertainty() -> None:
    settings = settings_in(CHECKOUT, SIMULATED)
    site = settings.site.model_copy(update={"isolation": "stated"})
    options = settings.driver.model_copy(update={"name": "mcp320x"})
    hardware = settings.model_copy(update={"site": site, "driver": options})
    judged = appraiser(hardware).appraise(dip(), [dip()], STAMP)
    assert judged.uncertainty is None
    without = judged.event.detail.uncertainty_without
    assert without == "gain (never calibrated), noise (not measured), clock (error not known)"
    # A frequency asks for no gain.
    slow = replace(dip(), kind=Kind.FREQUENCY, value=49.0, unit="Hz", trace=None, level_times=())
    stamp = replace(STAMP, clock_ppm=100.0)
    again = appraiser(hardware).appraise(slow, [slow], stamp)
    # 100 ppm of 49 Hz, rectangular, k = 2: 5.7 mHz; noise and method add little.
    assert again.uncertainty == pytest.approx(2 * 49.0 * 100e-6 / 3**0.5, rel=0.05)
    assert again.event.detail.uncertainty_without == "noise (not measured)"


def test_unbalance_of_three_lines_has_an_uncertainty() -> None:
    settings = settings_in(CHECKOUT, SIMULATED)
    event = replace(dip(), kind=Kind.UNBALANCE, channel="L1-L2-L3", value=3.0, unit="%",
                    trace=None, level_times=())  # fmt: skip
    judged = appraiser(settings).appraise(event, [event], STAMP)
    # A simulation has no wrong gains: rounding and 0.002 % of method, rectangular, k = 2.
    assert judged.uncertainty == pytest.approx(2 * 0.002 / 3**0.5, rel=0.1)
    assert judged.event.detail.uncertainty_without is None


def test_the_waveforms_own_ends_have_an_uncertainty_of_their_own() -> None:
    detail = EventDetail(start_fine_s=0.0, end_fine_s=0.1)
    event = replace(dip(), detail=detail)
    judged = appraiser(settings_in(CHECKOUT, SIMULATED)).appraise(event, [event], STAMP)
    # Two ends within 1 ms, rectangular, k = 2: 2 x sqrt(2) x 1 ms / sqrt(3).
    assert judged.event.detail.fine_uncertainty_s == pytest.approx(0.00163, rel=0.01)
    assert judged.event.detail.uncertainty_without is None  # a simulation has no errors of its own


@pytest.mark.parametrize(
    ("rate", "clock", "ppm"),
    [
        (None, "synchronised", None),
        (RateEstimate(15999.2, -50.0, 3.0, 3600.0), "free", None),
        (RateEstimate(15999.2, -50.0, 3.0, 3600.0), "synchronised", 58.0),  # 5 for the computer's
    ],
)
def test_the_clocks_error(rate: RateEstimate | None, clock: str, ppm: float | None) -> None:
    assert clock_ppm(rate, clock) == ppm


def test_a_transient_too_fast_for_the_rate_has_no_uncertainty() -> None:
    detail = EventDetail(deviation_v=200.0, width_s=0.00002, is_resolved=False)
    event = replace(dip(), kind=Kind.TRANSIENT, detail=detail, trace=None, level_times=())
    judged = appraiser(settings_in(CHECKOUT, SIMULATED)).appraise(event, [event], STAMP)
    assert judged.uncertainty is None
    resolved = replace(event, detail=replace(detail, width_s=0.001, is_resolved=True))
    again = appraiser(settings_in(CHECKOUT, SIMULATED)).appraise(resolved, [resolved], STAMP)
    # A triangle this wide loses at most 1/(2 w fs) = 3.1 % of its peak between samples.
    assert again.uncertainty == pytest.approx(200 * 0.032, rel=0.1)
