"""The voltage between neutral and earth: no supply, so no dips and no harmonics of its own.

It is measured on the windows of the first line. What is a lot is common practice, no source, and
depends on the installation; so nothing is watched for unless a limit is set.
"""

import numpy as np
from numpy.typing import NDArray

from daemon.evidence import SampleHistory
from daemon.excursions import Excursion, ExcursionDetector, Reading
from daemon.flagging import Span, WaitingIntervals
from daemon.measure.aggregate import ShortAggregates, parts_of
from daemon.measure.channel import Intervals, Measured
from daemon.measure.grid import SlotSchedule
from daemon.measure.shared_window import Floats, rms_on_windows, samples_of
from daemon.measure.spectrum import MAX_ORDER
from daemon.newest import Cycle, newest_upward, newest_wave
from daemon.one_channel import HISTORY_S, scaled
from daemon.plan import PipelineSetup
from daemon.records import BasicIntervals, Finding, HalfCycles, Output


class NeutralEarth:
    """Measures one such channel; what it brings goes into an `Output`."""

    def __init__(self, number: int, setup: PipelineSetup, schedule: SlotSchedule) -> None:
        self._number = number
        self._setup = setup
        self._channel = setup.channels[number]
        self._newest_upward: Cycle | None = None
        self._waiting = WaitingIntervals()
        self._short = ShortAggregates(setup.supply.declared_v, schedule)
        limit_v = setup.neutral_earth_v
        self._detector = None if limit_v is None else ExcursionDetector(0.0, limit_v)
        self.begin()

    def begin(self) -> None:
        """A new segment starts."""
        self._history = SampleHistory(self._setup.sample_rate_hz, self._setup.longest_s + HISTORY_S)
        self._short.restart()

    def feed(self, first_index: int, volts: NDArray[np.float32]) -> None:
        """Take one frame, in volts at the converter's input."""
        self._history.add(first_index, scaled(volts.astype(np.float64), self._channel))

    def follow(self, line: Measured, out: Output) -> None:
        """Measure on the windows that the first line found in the same frame."""
        crossings, found = line.crossings, line.intervals
        self._newest_upward = newest_upward(crossings, self._newest_upward)
        urms_v = self._rms(crossings.index, crossings.period)
        out.half_cycles.append(HalfCycles(self._number, crossings.index, crossings.period, urms_v))
        interval_v = self._rms(found.start_index, found.end_index - found.start_index)
        self._waiting.add(self._intervals(found, interval_v))

    def release(self, spans: list[Span], seen_until: float, out: Output) -> None:
        """Hand on the intervals of which it is certain by now whether a disturbance touched them.

        Those flagged count as well: a fault is when this voltage matters most.
        """
        ready = self._waiting.take(spans, seen_until)
        if ready is None:
            return
        out.basic.append(ready)
        for short in self._short.feed(parts_of(ready, self._setup.supply.declared_v)):
            reading = Reading(short.start_index, short.end_index, short.urms_v)
            out.findings += self._watch(reading)

    def finish(self) -> None:
        """The segment is over: of an excursion under way the end will not be known."""
        if self._detector is not None:
            self._detector.abandon()

    def latest_wave(self, n_cycles: int) -> Floats:
        """The newest whole cycles of the line in V, here; empty before the first."""
        return newest_wave(self._history, self._newest_upward, n_cycles, self._setup.sample_rate_hz)

    def _intervals(self, line: Intervals, urms_v: Floats) -> BasicIntervals:
        """Of this channel, on the line's windows."""
        n_intervals = len(urms_v)
        return BasicIntervals(
            channel=self._number,
            start_index=line.start_index,
            end_index=line.end_index,
            urms_v=urms_v,
            frequency_hz=line.frequency_hz,
            thd_pct=np.full(n_intervals, np.nan),
            harmonics_pct=np.full((n_intervals, MAX_ORDER), np.nan),
            flagged=np.zeros(n_intervals, np.bool_),
        )

    def _rms(self, start: Floats, length: Floats) -> Floats:
        if len(start) == 0:
            return np.empty(0)
        first, stop = samples_of(float(start[0]), float(start[-1] + length[-1]))
        begins, volts = self._history.samples(first, stop)
        return rms_on_windows(volts, start - begins, length)

    def _watch(self, reading: Reading) -> list[Finding]:
        if self._detector is None:
            return []
        was_open, known = self._detector.open, self._detector.feed(reading)
        if known is None or (was_open is not None and known.end_index is None):
            return []
        return [self._told(known)]

    def _told(self, known: Excursion) -> Finding:
        rate_hz = self._setup.sample_rate_hz
        start_s = known.start_index / rate_hz
        duration_s = None if known.end_index is None else known.end_index / rate_hz - start_s
        limit_v = self._setup.neutral_earth_v or 0.0
        text = excursion_words(self._channel.name, limit_v, known.extreme, duration_s)
        return Finding(start_s, duration_s, text)


def excursion_words(
    channel: str, limit_v: float, highest_v: float, duration_s: float | None
) -> str:
    """What the log says of it: once when it begins, and once when it is over.

    :param highest_v: over 150/180 cycles, so far.
    """
    if duration_s is None:
        return f"{channel}: neutral to earth above {limit_v:g} V, {highest_v:.1f} V over 3 seconds"
    return (
        f"{channel}: neutral to earth was above {limit_v:g} V for {duration_s:.0f} s, "
        f"at most {highest_v:.1f} V over 3 seconds"
    )
