"""Transients of one channel as events: single ones, notching, and storms of them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.evidence import SampleHistory
from daemon.measure.channel import Supply
from daemon.measure.fundamental import Crossings
from daemon.numbering import Numbering
from daemon.records import Event, EventDetail, Kind
from daemon.repetition import Notching, Storm
from daemon.transient_shape import Transient
from daemon.transients import Finding, TransientDetector

MARGIN_S = 0.04  # of waveform kept on either side: two cycles
LONGEST_S = 0.2  # of waveform kept


@dataclass(frozen=True, slots=True)
class _Told:
    """What all kinds of findings have in common."""

    start_index: float
    end_index: float | None
    peak_v: float
    extreme_index: float
    flags: tuple[str, ...]
    detail: EventDetail


class TransientEvents:
    """Feeds on the frames of one channel; hands on its transients.

    :param threshold_pct: smallest deviation from the expected waveform, in % of the declared peak.
    """

    def __init__(
        self, channel: str, sample_rate_hz: float, supply: Supply, threshold_pct: float
    ) -> None:
        self._channel = channel
        self._fs_hz = sample_rate_hz
        self._supply = supply
        self._threshold_pct = threshold_pct
        self._peak_v = float(np.sqrt(2)) * supply.declared_v
        self._open: dict[type[Finding], tuple[int, int]] = {}  # number and group of what goes on
        self.begin()

    def begin(self) -> None:
        """A new segment starts."""
        supply = self._supply
        self._detector = TransientDetector(
            self._fs_hz, supply.declared_v, supply.frequency_hz, self._threshold_pct
        )

    def feed(
        self,
        first_index: int,
        volts: NDArray[np.float64],
        crossings: Crossings,
        history: SampleHistory,
        numbering: Numbering,
    ) -> list[Event]:
        """Take one frame in mains volts, and the crossings found with it."""
        found = self._detector.feed(first_index, volts, crossings)
        return [self._event(finding, history, numbering) for finding in found]

    def finish(
        self, crossings: Crossings, history: SampleHistory, numbering: Numbering
    ) -> list[Event]:
        """The segment is over."""
        found = self._detector.finish(crossings)
        return [self._event(finding, history, numbering) for finding in found]

    def _event(self, finding: Finding, history: SampleHistory, numbering: Numbering) -> Event:
        told = _told(finding, self._fs_hz)
        number, group = self._number(finding, told, numbering)
        start_s = told.start_index / self._fs_hz
        end_s = None if told.end_index is None else told.end_index / self._fs_hz
        until_s = min(end_s or start_s, start_s + LONGEST_S)
        waveform = None
        if not isinstance(finding, Storm):
            waveform = history.cut(start_s - MARGIN_S, until_s + MARGIN_S)
        return Event(
            number=number,
            kind=Kind.TRANSIENT,
            channel=self._channel,
            group=group,
            start_s=start_s,
            duration_s=None if end_s is None else end_s - start_s,
            value=told.peak_v,
            unit="V",
            value_pct=100 * told.peak_v / self._peak_v,
            threshold=self._threshold_pct / 100 * self._peak_v,
            extreme_s=told.extreme_index / self._fs_hz,
            below_interruption_s=None,
            level_times=(),
            complete=end_s is not None,
            flags=told.flags,
            waveforms=() if waveform is None else (waveform,),
            detail=told.detail,
        )

    def _number(self, finding: Finding, told: _Told, numbering: Numbering) -> tuple[int, int]:
        """A finding told again, now with its end, keeps its number."""
        known = self._open.pop(type(finding), None)
        if known is None:
            known = numbering.enter(
                self._channel, told.start_index, told.end_index, self._fs_hz / 50
            )
        if told.end_index is None:
            self._open[type(finding)] = known
        else:
            numbering.end(known[0], told.end_index)
        return known


def _told(finding: Finding, sample_rate_hz: float) -> _Told:
    if isinstance(finding, Transient):
        return _of_transient(finding, sample_rate_hz)
    if isinstance(finding, Notching):
        return _of_notching(finding)
    return _of_storm(finding, sample_rate_hz)


def _of_storm(storm: Storm, sample_rate_hz: float) -> _Told:
    """As high and as wide as its highest: the storm lasts, but no peak of it does."""
    highest = _of_transient(storm.highest, sample_rate_hz)
    return _Told(
        start_index=storm.start_index,
        end_index=storm.end_index,
        peak_v=highest.peak_v,
        extreme_index=highest.extreme_index,
        flags=("many_transients", *highest.flags),
        detail=EventDetail(
            count=storm.count,
            deviation_v=storm.worst.deviation_v,
            width_s=highest.detail.width_s,
            peak_loss_pct=highest.detail.peak_loss_pct,
            is_resolved=highest.detail.is_resolved,
        ),
    )


def _of_transient(transient: Transient, sample_rate_hz: float) -> _Told:
    return _Told(
        start_index=transient.start_index,
        end_index=transient.start_index + transient.duration_s * sample_rate_hz,
        peak_v=abs(transient.peak_v),
        extreme_index=transient.peak_index,
        flags=() if transient.is_resolved else ("size_not_resolved",),
        detail=EventDetail(
            deviation_v=transient.deviation_v,
            width_s=transient.width_s,
            point_on_wave_deg=transient.point_on_wave_deg,
            oscillation_hz=transient.oscillation_hz,
            looks_like_capacitor=transient.looks_like_capacitor,
            peak_loss_pct=transient.peak_loss_pct,
            is_resolved=transient.is_resolved,
        ),
    )


def _of_notching(notching: Notching) -> _Told:
    return _Told(
        start_index=notching.start_index,
        end_index=notching.end_index,
        peak_v=notching.depth_v,
        extreme_index=notching.start_index,
        flags=("notching",),
        detail=EventDetail(
            deviation_v=notching.depth_v, count=notching.count, per_cycle=notching.per_cycle
        ),
    )
