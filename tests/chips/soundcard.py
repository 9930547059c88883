"""An audio device as `sounddevice` shows it, filled by the test's clock."""

from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from drivers.clock import ManualClock

Volts = Callable[[int, NDArray[np.float64]], NDArray[np.float64]]
"""Volts of a channel, counted from 0, at instants in seconds."""


class DeviceError(Exception):
    """In the place of `sounddevice.PortAudioError`."""


class FakeStream:
    """Frames pile up as time passes; beyond the buffer the oldest are dropped."""

    def __init__(
        self, audio: "FakeAudio", channels: int, samplerate: float, latency: float
    ) -> None:
        self._audio = audio
        self._channels = channels
        self.samplerate = audio.real_rate_hz or samplerate
        self._buffer = round(latency * samplerate)
        self._start_s = audio.now_s()
        self._n_taken = 0
        self._is_overflow = False

    def start(self) -> None:
        if self._audio.is_busy:
            raise DeviceError("Device unavailable")
        self._start_s = self._audio.now_s()

    @property
    def read_available(self) -> int:
        if self._audio.error is not None:
            raise DeviceError(self._audio.error)
        if self._audio.is_stalled:
            return 0
        n_there = int((self._audio.now_s() - self._start_s) * self.samplerate) - self._n_taken
        if n_there > self._buffer:
            self._n_taken += n_there - self._buffer
            self._is_overflow = True
        return min(n_there, self._buffer)

    def read(self, frames: int, /) -> tuple[NDArray[np.int32], bool]:
        t_s = self._start_s + (self._n_taken + np.arange(frames)) / self.samplerate
        self._n_taken += frames
        share = [
            self._audio.volts(n, t_s) / self._audio.full_scale_v for n in range(self._channels)
        ]
        codes = np.clip(np.round(np.stack(share, axis=1) * 2**23), -(2**23), 2**23 - 1)
        is_overflow, self._is_overflow = self._is_overflow, False
        return codes.astype(np.int32) << 8, is_overflow  # 24 bits in the upper part of 32

    def close(self) -> None:
        self._audio.n_open -= 1


class FakeAudio:
    """In the place of the module `sounddevice`."""

    PortAudioError = DeviceError

    def __init__(self, clock: ManualClock, volts: Volts, full_scale_v: float) -> None:
        self._clock = clock
        self.volts = volts
        self.full_scale_v = full_scale_v
        self.names = ["Codec: wm8782 (hw:1,0)", "sysdefault", "default", "USB Audio (hw:2,0)"]
        self.error: str | None = None
        self.is_stalled = False
        self.is_busy = False
        self.real_rate_hz = 0.0
        self.n_open = 0
        self.opened: list[int] = []

    def now_s(self) -> float:
        return self._clock.monotonic_ns() / 1e9

    def query_devices(self) -> Sequence[Mapping[str, object]]:
        return [{"name": name, "hostapi": 0, "max_input_channels": 2} for name in self.names]

    def query_hostapis(self, index: int, /) -> Mapping[str, object]:
        return {"name": ["ALSA", "JACK"][index]}

    def InputStream(  # noqa: N802
        self, *, device: int, channels: int, samplerate: float, dtype: str, latency: float
    ) -> FakeStream:
        if self.error is not None:
            raise DeviceError(self.error)
        assert dtype == "int32"
        self.opened.append(device)
        self.n_open += 1
        return FakeStream(self, channels, samplerate, latency)
