"""Sampling by the program's own clock, for converters that convert when they are asked.

Each scan of the inputs is stamped before and after its transfer. The bits on the wire take a known
time; what the operating system adds is taken as half before and half after, so only its variation
moves a sample. A scan that took much longer than its neighbours was interrupted, nobody knows
where: it is left out. What remains is put on an even grid (`drivers.resample`).

The jitter is measured when the input is opened: half the deviation of the time a transfer takes.
An instant that is off by j seconds rms lowers a component of frequency f by 1 - exp(-x^2/2) with
x = 2 pi f j (the mean of a phase that is normally distributed): 5 % at f = 0.05 / j. Nothing is
claimed beyond.
"""

from collections import deque
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from drivers.clock import Clock
from drivers.resample import FLAT_SHARE, GridResampler
from drivers.source import Block

BLOCK_S = 0.02
CS_HIGH_S = 10e-6  # the kernel's pause between two frames of one message
BUSY_SHARE = 0.7  # of a sample period: the rest is for the operating system
LONGEST_BRIDGE_S = 0.001  # 18 degrees at 50 Hz: cubic interpolation errs by less than 0.01 %
TRIAL_SCANS = 400  # to measure the jitter when opened
INTERRUPTED_S = 40e-6  # longer than the neighbours by this: the scan is left out
JITTER_BANDWIDTH = 0.05  # f * j at which 5 % is lost


@dataclass(frozen=True, slots=True)
class Timing:
    """When, within a scan, each input is held."""

    hold_s: tuple[float, ...]  # after chip select goes low, one per input
    wire_s: float  # whole scan, first chip select low to last one high


class Scanner(Protocol):
    """One chip, and how it is asked for all inputs once."""

    @property
    def timing(self) -> Timing: ...

    def scan(self) -> bytes:
        """Convert every input once; the bits as they came.

        :raises SourceFailed: the bus failed.
        """
        ...

    def volts(self, scans: list[bytes]) -> NDArray[np.float64]:
        """Decode scans to volts, shape (n_scans, n_inputs).

        :raises SourceFailed: no chip gave these bits.
        """
        ...


class PacedInput:
    """Asks a scanner at an even pace and gives evenly spaced samples."""

    def __init__(self, scanner: Scanner, clock: Clock, rate_hz: float) -> None:
        self._scanner = scanner
        self._clock = clock
        self._rate_hz = rate_hz
        self._period_ns = round(1e9 / rate_hz)
        self._block_scans = max(round(BLOCK_S * rate_hz), 8)
        self._origin_ns = clock.monotonic_ns()
        self._due_ns = self._origin_ns
        self._stamps_ns: list[tuple[int, int]] = []
        self._scans: list[bytes] = []
        self._ready: deque[Block] = deque()
        timing = scanner.timing
        self._resampler = GridResampler(rate_hz, len(timing.hold_s), LONGEST_BRIDGE_S)
        self.jitter_s = 0.0

    @property
    def bandwidth_hz(self) -> float:
        """What interpolation and jitter leave within 1 % and 5 %."""
        flat_hz = self._rate_hz * FLAT_SHARE
        return min(flat_hz, JITTER_BANDWIDTH / max(self.jitter_s, 1e-9))

    def try_out(self) -> None:
        """Sample for a moment to measure the jitter; the chip must answer.

        :raises SourceFailed: it does not.
        """
        for _ in range(TRIAL_SCANS):
            self._take()
            self._clock.sleep_s((self._due_ns - self._clock.monotonic_ns()) / 1e9)
        stamps_ns = np.array(self._stamps_ns)
        self._scanner.volts(self._scans)
        took_s = np.diff(stamps_ns, axis=1)[:, 0] / 1e9
        self.jitter_s = float(np.std(took_s[_is_undisturbed(took_s)])) / 2.0
        self._stamps_ns, self._scans = [], []
        self._origin_ns = self._due_ns = self._clock.monotonic_ns()

    def read(self, timeout_s: float) -> Block | None:
        """The next block; a scan once begun is finished, even after the time is up.

        :raises SourceFailed: the bus failed, or no chip answers.
        """
        end_ns = self._clock.monotonic_ns() + round(timeout_s * 1e9)
        while not self._ready:
            if self._due_ns > end_ns:
                self._clock.sleep_s((end_ns - self._clock.monotonic_ns()) / 1e9)
                return None
            self._clock.sleep_s((self._due_ns - self._clock.monotonic_ns()) / 1e9)
            self._take()
            if len(self._scans) >= self._block_scans:
                self._put_on_grid()
        return self._ready.popleft()

    def _take(self) -> None:
        """One scan, and when the next one is due: missed ones are not made up for."""
        before_ns = self._clock.monotonic_ns()
        self._scans.append(self._scanner.scan())
        after_ns = self._clock.monotonic_ns()
        self._stamps_ns.append((before_ns, after_ns))
        n_passed = (after_ns - self._due_ns) // self._period_ns
        self._due_ns += (n_passed + 1) * self._period_ns

    def _put_on_grid(self) -> None:
        timing = self._scanner.timing
        volts = self._scanner.volts(self._scans)
        stamps_s = (np.array(self._stamps_ns) - self._origin_ns) / 1e9
        self._stamps_ns, self._scans = [], []
        took_s = stamps_s[:, 1] - stamps_s[:, 0]
        begin_s = stamps_s[:, 0] + np.maximum(took_s - timing.wire_s, 0.0) / 2.0
        t_s = begin_s[:, np.newaxis] + np.array(timing.hold_s)
        is_sure = _is_undisturbed(took_s)
        self._ready.extend(self._resampler.push(t_s[is_sure], volts[is_sure]))


def refuse_busy_wire(timing: Timing, rate_hz: float) -> list[str]:
    """Why scans of this length cannot be taken at this rate; empty when they can."""
    if timing.wire_s <= BUSY_SHARE / rate_hz:
        return []
    return [
        f"driver.sample_rate_hz: one scan of {len(timing.hold_s)} inputs takes"
        f" {timing.wire_s * 1e6:.0f} microseconds on the wire; at most"
        f" {BUSY_SHARE / timing.wire_s:.0f} scans a second"
    ]


def _is_undisturbed(took_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    return np.asarray(took_s <= np.median(took_s) + INTERRUPTED_S)
