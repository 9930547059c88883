"""What is kept with an event for people to look at: its waveform and its trace of rms values.

Both are bounded: a long event keeps its start and its end.
"""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from daemon.records import Trace, Waveform

Floats = NDArray[np.float64]

PRE_S = 0.1  # waveform before the start and before the end of an event
POST_S = 0.2  # waveform after the start of a long event and after the end of any
WHOLE_S = 1.0  # an event with both margins that is not longer keeps all of its waveform
TRACE_MARGIN_S = 1.0  # of rms values before the start of an event and after its end
TRACE_HEAD = 3000  # rms values kept from the start of an event
TRACE_TAIL = 1000  # and from its end


class SampleHistory:
    """The latest samples of one channel, in mains volts."""

    def __init__(self, sample_rate_hz: float, keep_s: float) -> None:
        self._sample_rate_hz = sample_rate_hz
        self._keep = int(keep_s * sample_rate_hz)
        self._pieces: deque[tuple[int, Floats]] = deque()

    @property
    def first_index(self) -> int:
        """Index of the oldest sample that is still here."""
        return self._pieces[0][0] if self._pieces else 0

    @property
    def next_index(self) -> int:
        """Index of the sample that will come next."""
        if not self._pieces:
            return 0
        first, volts = self._pieces[-1]
        return first + len(volts)

    def add(self, first_index: int, volts: Floats) -> None:
        """Take consecutive samples; the oldest ones are let go."""
        self._pieces.append((first_index, volts))
        oldest_needed = self.next_index - self._keep
        while self._pieces[0][0] + len(self._pieces[0][1]) < oldest_needed:
            self._pieces.popleft()

    def cut(self, start_s: float, stop_s: float) -> Waveform | None:
        """The samples of a span, as far as they are still here; None when none are."""
        first = max(0, round(start_s * self._sample_rate_hz))
        stop = round(stop_s * self._sample_rate_hz)
        begins, volts = self.samples(first, stop)
        if len(volts) == 0:
            return None
        return Waveform(begins, self._sample_rate_hz, volts.astype(np.float32))

    def samples(self, first: int, stop: int) -> tuple[int, Floats]:
        """The samples from index `first` up to `stop`, as far as they are still here.

        :returns: the index of the first one, and the samples in V.
        """
        found = [
            (max(first, start), volts[max(0, first - start) : stop - start])
            for start, volts in self._pieces
            if start < stop and first < start + len(volts)
        ]
        if not found:
            return first, np.empty(0)
        parts = [volts for _, volts in found]
        return found[0][0], parts[0] if len(parts) == 1 else np.concatenate(parts)


class TraceHistory:
    """The latest `urms_half` values of one channel."""

    def __init__(self, sample_rate_hz: float) -> None:
        self._sample_rate_hz = sample_rate_hz
        self._pieces: deque[tuple[Floats, Floats]] = deque(maxlen=4)

    def add(self, start_index: Floats, urms_v: Floats) -> None:
        """Take one frame's values."""
        self._pieces.append((start_index / self._sample_rate_hz, urms_v))

    def since(self, start_s: float) -> tuple[Floats, Floats]:
        """Times in s and values in V from `start_s` on."""
        times = np.concatenate([times for times, _ in self._pieces])
        values = np.concatenate([values for _, values in self._pieces])
        keep = times >= start_s
        return times[keep], values[keep]


class TraceRecorder:
    """Grows the trace of one event: all of it at first, then only its latest part."""

    def __init__(self, times: Floats, values: Floats) -> None:
        self._head_s, self._head_v = times, values
        self._tail_s, self._tail_v = times[:0], values[:0]

    def add(self, times: Floats, values: Floats) -> None:
        """Take the next values."""
        if len(self._head_s) < TRACE_HEAD:
            self._head_s = np.concatenate([self._head_s, times])
            self._head_v = np.concatenate([self._head_v, values])
        else:
            self._tail_s = np.concatenate([self._tail_s, times])[-TRACE_TAIL:]
            self._tail_v = np.concatenate([self._tail_v, values])[-TRACE_TAIL:]

    def trace(self, until_s: float = np.inf) -> Trace:
        """What was kept so far, up to a moment; a frame may reach far beyond the event's end."""
        times = np.concatenate([self._head_s, self._tail_s])
        values = np.concatenate([self._head_v, self._tail_v])
        keep = times <= until_s
        return Trace(times[keep], values[keep].astype(np.float32))
