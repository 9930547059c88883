"""Statistics of the supply by day: what a limit over a week asks for, in a fixed space."""

import math
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from daemon.clock import SampleClock
from daemon.records import Output
from daemon.supply_statistics import Quantity, SupplyStatistics

INSIDE_S = 1.0  # the tick of midnight is known to some milliseconds; this far on it is over


@dataclass(frozen=True, slots=True)
class DayStatistics:
    """The histograms of one day and channel as they stand now."""

    day: str  # local date of the site, ISO 8601
    channel: str
    data: bytes  # SupplyStatistics.to_bytes


class DailyStatistics:
    """Feeds on what the pipeline brings; keeps the day under way and the one before."""

    def __init__(self, channels: Sequence[str], declared_v: float, timezone_name: str) -> None:
        self._channels = tuple(channels)
        self._declared_v = declared_v
        self._zone = ZoneInfo(timezone_name)
        self._days: dict[tuple[str, int], SupplyStatistics] = {}
        self._spans: dict[str, tuple[float, float]] = {}  # first and last value of each day

    def take(self, out: Output, clock: SampleClock) -> list[DayStatistics]:
        """Count new values; give the days that changed with a ten-minute value among them."""
        for value in out.frequencies:
            day = self._counted(value.start_index, clock)
            self._of(day, 0).add(Quantity.FREQUENCY, value.frequency_hz, value.flagged)
        changed = set()
        for ten in out.ten_minute:
            key = (self._counted(ten.start_index, clock), ten.channel)
            changed.add(key)
            statistics = self._of(*key)
            percent = 100 * ten.urms_v / self._declared_v
            statistics.add(Quantity.VOLTAGE, percent, ten.flagged)
            if not math.isnan(ten.thd_pct):  # there was a fundamental
                statistics.add(Quantity.DISTORTION, ten.thd_pct, ten.flagged)
            if ten.pst is not None:
                statistics.add(Quantity.FLICKER, ten.pst, ten.flagged)
        for unbalance in out.unbalance_ten_minute:  # of all lines: counted with the first channel
            key = (self._counted(unbalance.start_index, clock), 0)
            changed.add(key)
            self._of(*key).add(Quantity.UNBALANCE, unbalance.u2_pct, unbalance.flagged)
        return self._stand(sorted(changed))

    def right_dates(self, clock: SampleClock, taken: Set[str]) -> dict[str, str]:
        """Which of the days still held have another date by what is known now, and which.

        A day keeps its values: those within the correction of midnight stay where they were
        counted, as a histogram does not tell them apart any more. Where most of a day was, it is.

        :param taken: dates that other days of this run have; never given twice.
        """
        names: dict[str, str] = {}
        for day, (first, last) in sorted(self._spans.items(), key=lambda item: item[1]):
            right = self._day((first + last) / 2, clock)
            while right in names.values() or (right in taken and right not in self._spans):
                right = (date.fromisoformat(right) + timedelta(days=1)).isoformat()
            names[day] = right
        return {old: new for old, new in names.items() if old != new}

    def rename(self, names: Mapping[str, str]) -> None:
        """Give days other dates."""
        self._days = {(names.get(day, day), n): held for (day, n), held in self._days.items()}
        self._spans = {names.get(day, day): span for day, span in self._spans.items()}

    def finish(self) -> list[DayStatistics]:
        """All of what is still held."""
        return self._stand(sorted(self._days))

    def _of(self, day: str, channel: int) -> SupplyStatistics:
        return self._days.setdefault((day, channel), SupplyStatistics())

    def _day(self, index: float, clock: SampleClock) -> str:
        """The local day of a slot that begins at an index."""
        inside_s = clock.utc_s(index) + INSIDE_S
        return datetime.fromtimestamp(inside_s, self._zone).date().isoformat()

    def _counted(self, index: float, clock: SampleClock) -> str:
        """The same for a value that is counted there."""
        day = self._day(index, clock)
        first, last = self._spans.get(day, (index, index))
        self._spans[day] = (min(first, index), max(last, index))
        return day

    def _stand(self, keys: Sequence[tuple[str, int]]) -> list[DayStatistics]:
        stands = [
            DayStatistics(day, self._channels[channel], self._days[day, channel].to_bytes())
            for day, channel in keys
        ]
        # The newest value of one channel may still belong to the day before another's.
        kept = sorted({day for day, _ in self._days})[-2:]
        self._days = {key: held for key, held in self._days.items() if key[0] in kept}
        self._spans = {day: span for day, span in self._spans.items() if day in kept}
        return stands
