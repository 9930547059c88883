"""Distortion, frequency and flicker events of one channel, unbalance events of three."""

import math
from dataclasses import dataclass

from daemon.excursions import Excursion, ExcursionDetector, Reading
from daemon.measure.aggregate import Aggregate
from daemon.measure.flicker import ShortTerm
from daemon.numbering import Numbering
from daemon.records import Event, Kind, TenSecondFrequency, UnbalanceValue


@dataclass(frozen=True, slots=True)
class SlowLimits:
    """Capture thresholds; None watches for nothing."""

    distortion_pct: float | None
    frequency_pct: float | None  # of the nominal frequency, either way
    flicker_pst: float | None = None
    unbalance_pct: float | None = None


class SlowEvents:
    """Feeds on aggregated values; hands on events, open ones included.

    Watches for what it is given: where nobody feeds unbalance, there are no such events.
    """

    def __init__(
        self, channel: str, sample_rate_hz: float, nominal_hz: float, limits: SlowLimits
    ) -> None:
        self._channel = channel
        self._fs_hz = sample_rate_hz
        self._nominal_hz = nominal_hz
        self._watched = {
            kind: _Watched(kind, centre, limit)
            for kind, centre, limit in (
                (Kind.DISTORTION, 0.0, limits.distortion_pct),
                (Kind.FREQUENCY, nominal_hz, _share(nominal_hz, limits.frequency_pct)),
                (Kind.FLICKER, 0.0, limits.flicker_pst),
                (Kind.UNBALANCE, 0.0, limits.unbalance_pct),
            )
            if limit is not None
        }

    def take_short(self, value: Aggregate, numbering: Numbering) -> list[Event]:
        """Take a 150/180-cycle value of this channel; a flagged one says nothing."""
        if value.flagged:
            return []
        reading = Reading(value.start_index, value.end_index, value.thd_pct)
        return self._take(Kind.DISTORTION, reading, numbering)

    def take_flicker(self, value: ShortTerm, numbering: Numbering) -> list[Event]:
        """Take a Pst; a flagged one says nothing."""
        if value.flagged:
            return []
        end = value.start_index + 600 * self._fs_hz
        return self._take(Kind.FLICKER, Reading(value.start_index, end, value.pst), numbering)

    def take_unbalance(self, value: UnbalanceValue, numbering: Numbering) -> list[Event]:
        """Take a 150/180-cycle value of u2; one flagged or unknown says nothing."""
        if value.flagged or math.isnan(value.u2_pct):
            return []
        reading = Reading(value.start_index, value.end_index, value.u2_pct)
        return self._take(Kind.UNBALANCE, reading, numbering)

    def take_frequency(self, value: TenSecondFrequency, numbering: Numbering) -> list[Event]:
        """Take a 10-second frequency; a flagged one may end an event but says nothing else."""
        watched = self._watched.get(Kind.FREQUENCY)
        if value.flagged and (
            watched is None or not watched.detector.is_inside(value.frequency_hz)
        ):
            return []
        end = value.start_index + 10 * self._fs_hz
        reading = Reading(value.start_index, end, value.frequency_hz)
        return self._take(Kind.FREQUENCY, reading, numbering)

    def finish(self, end_index: float, numbering: Numbering) -> list[Event]:
        """The segment is over at `end_index`: what is still open stays without an end."""
        events = []
        for watched in self._watched.values():
            left = watched.detector.abandon()
            if left is not None:
                numbering.end(watched.number, end_index)
                events.append(self._event(watched, left))
        return events

    def _take(self, kind: Kind, reading: Reading, numbering: Numbering) -> list[Event]:
        watched = self._watched.get(kind)
        if watched is None:
            return []
        was_open, known = watched.detector.open, watched.detector.feed(reading)
        if known is None or known == was_open:
            return []
        if was_open is None:
            watched.number, watched.group = self._enter(kind, known.start_index, numbering)
        if known.end_index is not None:
            numbering.end(watched.number, known.end_index)
        return [self._event(watched, known)]

    def _enter(self, kind: Kind, start_index: float, numbering: Numbering) -> tuple[int, int]:
        if kind is Kind.UNBALANCE:  # may last for days, and is on all lines anyway
            return numbering.enter_alone()
        return numbering.enter(self._channel, start_index, None, self._fs_hz / 50)

    def _event(self, watched: "_Watched", now: Excursion) -> Event:
        start_s = now.start_index / self._fs_hz
        is_frequency = watched.kind is Kind.FREQUENCY
        value_pct = 100 * now.extreme / self._nominal_hz if is_frequency else now.extreme
        return Event(
            number=watched.number,
            kind=watched.kind,
            channel=self._channel,
            group=watched.group,
            start_s=start_s,
            duration_s=None if now.end_index is None else now.end_index / self._fs_hz - start_s,
            value=now.extreme,
            unit=_UNITS[watched.kind],
            value_pct=value_pct,
            threshold=watched.threshold(now.extreme),
            extreme_s=now.extreme_index / self._fs_hz,
            below_interruption_s=None,
            level_times=(),
            complete=now.end_index is not None,
            flags=(),
        )


_UNITS = {Kind.DISTORTION: "%", Kind.FREQUENCY: "Hz", Kind.FLICKER: "Pst", Kind.UNBALANCE: "%"}


class _Watched:
    """One quantity, its detector, and the event it has open."""

    def __init__(self, kind: Kind, centre: float, limit: float) -> None:
        self.kind = kind
        self.detector = ExcursionDetector(centre, limit)
        self._centre = centre
        self._limit = limit
        self.number = 0
        self.group = 0

    def threshold(self, extreme: float) -> float:
        """The limit on the side on which the extreme lies."""
        return self._centre + self._limit if extreme > self._centre else self._centre - self._limit


def _share(whole: float, percent: float | None) -> float | None:
    return None if percent is None else whole * percent / 100
