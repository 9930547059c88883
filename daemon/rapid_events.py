"""Rapid voltage changes of one channel as events."""

from daemon.measure.channel import Supply
from daemon.numbering import Numbering
from daemon.rapid_change import Floats, RapidChange, RapidChangeDetector, RapidChangeLimits
from daemon.records import Event, EventDetail, Kind


class RapidEvents:
    """Feeds on `urms_half` values; hands on each change when it is over."""

    def __init__(
        self, channel: str, sample_rate_hz: float, supply: Supply, limits: RapidChangeLimits
    ) -> None:
        self._channel = channel
        self._fs_hz = sample_rate_hz
        self._declared_v = supply.declared_v
        self._threshold_v = limits.threshold_v
        self._detector = RapidChangeDetector(supply.frequency_hz, limits)

    def feed(self, start_index: Floats, urms_v: Floats, numbering: Numbering) -> list[Event]:
        """Take values in order."""
        return [
            self._event(change, numbering) for change in self._detector.feed(start_index, urms_v)
        ]

    def finish(self, numbering: Numbering) -> list[Event]:
        """The segment is over: what is still open stays without an end."""
        left = self._detector.abandon()
        return [] if left is None else [self._event(left, numbering)]

    def _event(self, change: RapidChange, numbering: Numbering) -> Event:
        number, group = numbering.enter(
            self._channel, change.start_index, change.end_index, self._fs_hz / 50
        )
        start_s = change.start_index / self._fs_hz
        end = change.end_index
        return Event(
            number=number,
            kind=Kind.RAPID_VOLTAGE_CHANGE,
            channel=self._channel,
            group=group,
            start_s=start_s,
            duration_s=None if end is None else end / self._fs_hz - start_s,
            value=change.delta_max_v,
            unit="V",
            value_pct=100 * change.delta_max_v / self._declared_v,
            threshold=self._threshold_v,
            extreme_s=change.extreme_index / self._fs_hz,
            below_interruption_s=None,
            level_times=(),
            complete=end is not None,
            flags=(),
            detail=EventDetail(delta_ss_v=change.delta_ss_v),
        )
