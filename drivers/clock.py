"""Time as an input: the only place where the operating system's clocks are read."""

import ctypes
import struct
import time
from typing import Protocol


class Clock(Protocol):
    """Where the program gets its time from."""

    def monotonic_ns(self) -> int:
        """Nanoseconds on a clock that is never stepped."""
        ...

    def suspended_ns(self) -> int:
        """Nanoseconds for which `monotonic_ns` stood still, the computer being suspended.

        Two clocks are read one after the other, so it may waver by as long as that took.
        """
        ...

    def utc_ns(self) -> int:
        """Nanoseconds since 1970-01-01 UTC, as the operating system believes it."""
        ...

    def sleep_s(self, duration_s: float) -> None:
        """Wait for `duration_s` seconds; nothing for zero or less."""
        ...

    def is_synchronised(self) -> bool:
        """Whether the kernel believes `utc_ns` to be within a second of UTC."""
        ...


SYNCHRONISED_US = 1_000_000  # largest error the kernel may state; unsynchronised it states 16 s
_TIMEX_BYTES = 208  # struct timex on 64-bit Linux; smaller elsewhere
_TIMEX_START = struct.Struct("@Illll")  # modes, offset, freq, maxerror, esterror


class SystemClock:
    """The operating system's clocks."""

    def is_synchronised(self) -> bool:
        timex = ctypes.create_string_buffer(_TIMEX_BYTES)  # modes 0: only ask
        if ctypes.CDLL(None).adjtimex(timex) < 0:
            return False
        max_error_us: int = _TIMEX_START.unpack_from(timex)[3]
        return max_error_us < SYNCHRONISED_US

    def monotonic_ns(self) -> int:
        return time.monotonic_ns()

    def suspended_ns(self) -> int:
        # boot time goes on while the computer is suspended, and the monotonic clock does not
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) - time.monotonic_ns()

    def utc_ns(self) -> int:
        return time.time_ns()

    def sleep_s(self, duration_s: float) -> None:
        if duration_s > 0:
            time.sleep(duration_s)


class ManualClock:
    """A clock that moves only when it is told to, for tests: sleeping moves it at once."""

    def __init__(self, utc_s: float = 1_780_000_000.0, monotonic_s: float = 1000.0) -> None:
        self._utc_ns = round(utc_s * 1e9)
        self._monotonic_ns = round(monotonic_s * 1e9)
        self._suspended_ns = 0
        self.synchronised = True

    def is_synchronised(self) -> bool:
        return self.synchronised

    def monotonic_ns(self) -> int:
        return self._monotonic_ns

    def suspended_ns(self) -> int:
        return self._suspended_ns

    def utc_ns(self) -> int:
        return self._utc_ns

    def sleep_s(self, duration_s: float) -> None:
        self.advance_s(max(duration_s, 0.0))

    def advance_s(self, duration_s: float) -> None:
        """Move both clocks forward together."""
        self._monotonic_ns += round(duration_s * 1e9)
        self._utc_ns += round(duration_s * 1e9)

    def step_utc_s(self, step_s: float) -> None:
        """Set the wall clock, as time synchronisation does."""
        self._utc_ns += round(step_s * 1e9)

    def suspend_s(self, duration_s: float) -> None:
        """Suspend the computer: only the wall clock goes on."""
        self._suspended_ns += round(duration_s * 1e9)
        self._utc_ns += round(duration_s * 1e9)
