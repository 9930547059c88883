"""The snapshot and the event counts as Prometheus text, in base units."""

from collections.abc import Iterator, Mapping

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from daemon.page.reading import Reading
from daemon.records import Kind
from daemon.status import ChannelStatus, Snapshot, State


def metrics_text(reading: Reading, counts: Mapping[str, int] | None) -> bytes:
    """Everything in the text format 0.0.4. Live values are left out when they are stale.

    :param counts: events recorded, by kind; None when the database cannot be read.
    """
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_PageCollector(reading, counts))
    return generate_latest(registry)


class _PageCollector(Collector):
    def __init__(self, reading: Reading, counts: Mapping[str, int] | None) -> None:
        self._reading = reading
        self._counts = counts

    def collect(self) -> Iterator[Metric]:
        reading, snapshot = self._reading, self._reading.snapshot
        is_watching = snapshot is not None and reading.is_fresh and snapshot.state is State.WATCHING
        yield GaugeMetricFamily(
            "halfcycle_watching", "1 while the monitor is seen to be watching.", float(is_watching)
        )
        if reading.age_s is not None:
            yield GaugeMetricFamily(
                "halfcycle_snapshot_age_seconds", "Age of the status snapshot.", reading.age_s
            )
        if snapshot is not None:
            yield from _health(snapshot)
            if is_watching:
                yield from _live(snapshot)
        if self._counts is not None:
            yield _events(self._counts)


def _live(snapshot: Snapshot) -> Iterator[Metric]:
    if snapshot.frequency_hz is not None:
        yield GaugeMetricFamily(
            "halfcycle_frequency_hertz", "Power frequency over 10 s.", snapshot.frequency_hz
        )
    rms_v = {channel.name: channel.urms_v for channel in snapshot.channels}
    yield _per_channel("halfcycle_voltage_rms_volts", "Rms voltage, basic interval.", rms_v)
    thd = {channel.name: _thd_ratio(channel) for channel in snapshot.channels}
    yield _per_channel("halfcycle_voltage_thd_ratio", "Distortion THDS, 0.05 is 5 %.", thd)
    crest = {channel.name: channel.crest_factor for channel in snapshot.channels}
    yield _per_channel("halfcycle_voltage_crest_factor_ratio", "Peak over rms.", crest)


def _thd_ratio(channel: ChannelStatus) -> float | None:
    return None if channel.thd_pct is None else channel.thd_pct / 100


def _per_channel(name: str, text: str, values: Mapping[str, float | None]) -> Metric:
    family = GaugeMetricFamily(name, text, labels=["channel"])
    for channel, value in values.items():
        if value is not None:
            family.add_metric([channel], value)
    return family


def _health(snapshot: Snapshot) -> Iterator[Metric]:
    health = snapshot.health
    yield CounterMetricFamily(
        "halfcycle_samples_lost", "Samples lost in this run.", health.samples_lost
    )
    yield GaugeMetricFamily(
        "halfcycle_ring_fill_ratio", "Fill of the sample buffer.", health.ring_fill_pct / 100
    )
    yield GaugeMetricFamily(
        "halfcycle_observed_ratio", "Share of this run seen.", snapshot.run.observed_pct / 100
    )
    yield GaugeMetricFamily(
        "halfcycle_disk_free_bytes", "Free space beside the database.", health.disk_free_mb * 1e6
    )
    yield GaugeMetricFamily(
        "halfcycle_database_bytes", "Size of the event database.", health.database_mb * 1e6
    )
    if health.temperature_c is not None:
        yield GaugeMetricFamily(
            "halfcycle_temperature_celsius", "Of the processor.", health.temperature_c
        )


def _events(counts: Mapping[str, int]) -> Metric:
    family = CounterMetricFamily(
        "halfcycle_events", "Events in the database, serious or not.", labels=["kind"]
    )
    for kind in Kind:
        family.add_metric([kind], counts.get(kind, 0))
    return family
