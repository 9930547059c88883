"""The sampler in the test's own process, on the model's clock.

The loop is the real one, in a thread of its own that runs only while the monitor waits for the next
report: both see one time, and every run is the same. A schedule of faults goes on beside it.
"""

import os
import queue
import threading
from collections.abc import Callable
from typing import ClassVar

import pytest

from daemon.acquisition import Acquisition
from daemon.app import Monitor, Summary
from daemon.ring import Report, ReportKind
from daemon.sampler import Sampler
from daemon.settings import Settings
from drivers.clock import Clock, ManualClock
from drivers.errors import OptionError, SourceEnded, SourceError
from drivers.source import Block, Source, SourceInfo, SourceOptions
from tests.chips.rigs import START_S, Rig

PATIENCE_S = 60.0  # for a step of the other thread

Action = Callable[[Rig], None]


class SteppedSampler(Sampler):
    """Hands each report over and stands still until the next one is asked for."""

    def __init__(self, clock: ManualClock, descriptors: tuple[int, int, int]) -> None:
        super().__init__(clock, descriptors)
        self._manual = clock
        self.told: queue.Queue[Report | BaseException] = queue.Queue()
        self.asked = threading.Semaphore(0)

    def run_beside(self, options: SourceOptions) -> None:
        """A whole run; what ended it is the last thing told, as `daemon.sampler.main` tells it."""
        self.asked.acquire()
        try:
            self.run(options.name, options.model_dump(mode="json"))
        except OptionError as error:
            self.told.put(Report(ReportKind.REFUSED, str(error).encode()))
        except SourceError as error:
            self.told.put(Report(ReportKind.UNAVAILABLE, str(error).encode()))
        except BaseException as error:  # noqa: BLE001  # raised again where it is asked for
            self.told.put(error)

    def _report(self, kind: ReportKind, payload: bytes = b"") -> None:
        self.told.put(Report(kind, payload))
        if kind is not ReportKind.ENDED:
            self.asked.acquire()

    def _take_credit(self, wait_s: float) -> None:
        if wait_s:
            self._manual.advance_s(wait_s)
        super()._take_credit(0.0)


class SteppedAcquisition(Acquisition):
    """In the place of the process: the same reports, fetched the same way."""

    def __init__(self, options: SourceOptions, clock: ManualClock) -> None:
        self._memory = os.memfd_create("ring-beside")
        self._unused = os.pipe()  # where reports would go; there is always room
        credits_end, self._credits = os.pipe()
        self._credits_end = credits_end
        self._sampler = SteppedSampler(clock, (self._memory, self._unused[1], credits_end))
        self._beside = threading.Thread(
            target=self._sampler.run_beside, args=(options,), daemon=True
        )
        self._beside.start()
        self._ring = None
        self._n_read = self._n_reports = 0
        self._is_stopping = self._is_closed = False

    def close(self) -> None:
        self.stop()
        if self._is_closed:
            return
        self._is_closed = True
        while self._beside.is_alive():  # it sees that nobody gives credit any more
            self._sampler.asked.release()
            self._beside.join(0.001)
        for descriptor in (self._memory, *self._unused, self._credits_end):
            os.close(descriptor)

    def _next_report(self, timeout_s: float) -> Report | None:
        self._sampler.asked.release()
        told = self._sampler.told.get(timeout=PATIENCE_S)
        if isinstance(told, BaseException):
            raise told
        return told


class ScheduledSource(Source):
    """The driver on its rig; at its time each action is done, and at the end it ends."""

    Options: ClassVar[type[SourceOptions]] = SourceOptions
    rig: ClassVar[Rig]
    schedule: ClassVar[list[tuple[float, Action]]]
    end_s: ClassVar[float]

    def __init__(self, options: SourceOptions, clock: Clock) -> None:
        self._left = sorted(self.schedule, key=lambda due: due[0])

    def open(self) -> SourceInfo:
        self._act()
        self._end()
        info = self.rig.source.open()
        if self.rig.opened_s is None:
            self.rig.opened_s = now_s(self.rig)
        return info

    def read(self, timeout_s: float) -> Block | None:
        self._act()
        self._end()
        return self.rig.source.read(timeout_s)

    def close(self) -> None:
        self.rig.source.close()

    def _end(self) -> None:
        if now_s(self.rig) >= self.end_s:
            raise SourceEnded("the schedule is over")

    def _act(self) -> None:
        while self._left and self._left[0][0] <= now_s(self.rig):
            self._left.pop(0)[1](self.rig)


class _Never:
    def is_set(self) -> bool:
        return False


def now_s(rig: Rig) -> float:
    """Time since the rig's clock was made."""
    return rig.clock.monotonic_ns() / 1e9 - START_S


def watch(
    rig: Rig,
    settings: Settings,
    monkeypatch: pytest.MonkeyPatch,
    end_s: float,
    *schedule: tuple[float, Action],
) -> Summary:
    """The whole monitor on a rig until `end_s`, with actions at their times."""
    bound = type(
        "BoundSource",
        (ScheduledSource,),
        {"Options": type(settings.driver), "rig": rig, "schedule": schedule, "end_s": end_s},
    )
    monkeypatch.setattr("daemon.sampler.find_driver", lambda name: bound)
    monkeypatch.setattr("daemon.sampler.settle_process", lambda _: None)
    monkeypatch.setattr(
        "daemon.opening.Acquisition", lambda options, _: SteppedAcquisition(options, rig.clock)
    )
    return Monitor(settings, rig.clock, with_page=False).run(_Never())
