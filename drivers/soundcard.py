"""An audio converter on I2S or USB, through ALSA: gap-free, at its own crystal's pace.

Rate: what the device has, 16 to 192 kS/s (48 kS/s is the default); every Pi, the Zero 2 W included,
keeps up at 48 kS/s (estimate). The kernel buffers half a second, so a busy system loses nothing.
Simultaneity: yes, all channels. Bandwidth: 0.45 of the sample rate upwards from the corner of the
input's high-pass; no constant part. Good for: everything this program measures, harmonics to the
50th included. What it lacks is accuracy of its own: gain is only as good as the calibration, and
mixer settings belong to it. A device that the system resamples for us is refused.

The high-pass of first order at the input makes a baseline wander after each dip. When its corner is
given it is undone down to a twentieth of that frequency.
"""

import math
import re
from collections.abc import Mapping, Sequence
from importlib import import_module
from typing import Annotated, ClassVar, Literal, Protocol, cast

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from drivers.clock import Clock
from drivers.errors import OptionError, SourceFailed, SourceUnavailable
from drivers.source import Block, Source, SourceInfo, SourceOptions

Floats = NDArray[np.float64]

BLOCK_S = 0.02
BUFFER_S = 0.5
POLL_S = 0.005
STALLED_S = 2.0
ANTI_ALIAS_SHARE = 0.45
LEFT_OVER = 1.0 / 20.0  # the corner that remains, of the one that was there
RECURSION_SAMPLES = 4096  # short enough that the powers in the sum stay near 1


class AudioStream(Protocol):
    """What is used of `sounddevice.InputStream`."""

    @property
    def read_available(self) -> int: ...
    @property
    def samplerate(self) -> float: ...
    def start(self) -> None: ...
    def read(self, frames: int, /) -> tuple[NDArray[np.int32], bool]: ...
    def close(self) -> None: ...


class AudioLibrary(Protocol):
    """What is used of the module `sounddevice`."""

    @property
    def PortAudioError(self) -> type[Exception]: ...  # noqa: N802

    def query_devices(self) -> Sequence[Mapping[str, object]]: ...
    def query_hostapis(self, index: int, /) -> Mapping[str, object]: ...
    def InputStream(  # noqa: N802
        self,
        *,
        device: int,
        channels: int,
        samplerate: float,
        dtype: str,
        latency: float,
    ) -> AudioStream: ...


class SoundcardOptions(SourceOptions):
    """The `driver:` table for an audio converter."""

    device: Annotated[str, Field(min_length=1, max_length=200)]
    """Part of the device's name that no other device has. It must be a `hw:` device."""
    inputs: Annotated[tuple[Literal["ch1", "ch2", "ch3", "ch4", "ch5", "ch6", "ch7", "ch8"], ...],
                      Field(min_length=1, max_length=8)] = ("ch1",)  # fmt: skip
    full_scale_v: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)]
    """Volts at the input (peak) that give the largest code: from a calibration."""
    highpass_hz: Annotated[float | None, Field(gt=0, le=20, allow_inf_nan=False)] = None
    """Corner of the input's high-pass of first order, to be undone."""
    sample_rate_hz: Literal[16000, 22050, 32000, 44100, 48000, 88200, 96000, 176400, 192000] = 48000
    settle_s: Annotated[float, Field(ge=0, le=10)] = 2.0
    """Dropped after the start; ten time constants of the high-pass are 1.6 s at 1 Hz."""

    @property
    def columns(self) -> list[int]:
        return [int(name[2:]) - 1 for name in self.inputs]


class HighPassInverse:
    """y = x + (wc - wl) * integral of (x - wl * integral ...): (s + wc) / (s + wl), trapezoids."""

    def __init__(self, corner_hz: float, rate_hz: float, n_inputs: int) -> None:
        corner = 2.0 * math.pi * corner_hz
        left = corner * LEFT_OVER
        half_step = 0.5 / rate_hz
        self._decay = (1.0 - left * half_step) / (1.0 + left * half_step)
        self._weight = half_step / (1.0 + left * half_step)
        self._gain = corner - left
        self._before = np.zeros(n_inputs)  # the last sample
        self._integral = np.zeros(n_inputs)

    def push(self, samples: Floats) -> Floats:
        """Samples that follow the ones before, shape (n, n_inputs)."""
        parts = [
            self._chunk(samples[at : at + RECURSION_SAMPLES])
            for at in range(0, len(samples), RECURSION_SAMPLES)
        ]
        return np.concatenate(parts) if parts else samples

    def _chunk(self, samples: Floats) -> Floats:
        pairs = samples + np.concatenate([self._before[np.newaxis], samples[:-1]])
        powers = (self._decay ** np.arange(1, len(samples) + 1))[:, np.newaxis]
        integral = powers * (self._integral + np.cumsum(self._weight * pairs / powers, axis=0))
        self._before, self._integral = samples[-1], integral[-1]
        return np.asarray(samples + self._gain * integral)


class SoundcardSource(Source):
    """Channels of one ALSA capture device."""

    Options: ClassVar[type[SourceOptions]] = SoundcardOptions
    is_hardware: ClassVar[bool] = True

    def __init__(
        self, options: SourceOptions, clock: Clock, library: AudioLibrary | None = None
    ) -> None:
        if not isinstance(options, SoundcardOptions):
            raise OptionError(f"driver.name is {options.name!r}: these are not soundcard options")
        self._options = options
        self._clock = clock
        self._given_library = library
        self._stream: AudioStream | None = None

    def open(self) -> SourceInfo:
        self.close()
        options = self._options
        self._library = self._given_library or _sounddevice()
        self._rate_hz = float(options.sample_rate_hz)
        self._stream = self._started()
        self._inverse = self._new_inverse()
        self._n_unsettled = round(options.settle_s * self._rate_hz)
        self._index = 0
        self._alive_ns = self._clock.monotonic_ns()
        self._anchor: tuple[int, int] | None = None  # (time, index) the losses are counted from
        return SourceInfo(
            sample_rate_hz=self._rate_hz,
            inputs=options.inputs,
            bits=24,
            full_scale_v=options.full_scale_v,
            bandwidth_hz=self._rate_hz * ANTI_ALIAS_SHARE,
            is_simultaneous=True,
            is_live=True,
        )

    def read(self, timeout_s: float) -> Block | None:
        if self._stream is None:
            raise SourceFailed("the audio device is not open")
        end_ns = self._clock.monotonic_ns() + round(timeout_s * 1e9)
        n_wanted = round(BLOCK_S * self._rate_hz)
        try:
            while (n_there := self._stream.read_available) < n_wanted:
                now_ns = self._clock.monotonic_ns()
                if (now_ns - self._alive_ns) / 1e9 > STALLED_S:
                    raise SourceFailed(f"the audio device gave nothing for {STALLED_S:g} s")
                if now_ns >= end_ns:
                    return None
                self._clock.sleep_s(min(POLL_S, (end_ns - now_ns) / 1e9))
            codes, is_overflow = self._stream.read(n_there)
        except self._library.PortAudioError as error:
            raise SourceFailed(f"the audio device failed: {error}") from error
        self._alive_ns = self._clock.monotonic_ns()
        return self._block(codes, is_overflow)

    def close(self) -> None:
        stream, self._stream = self._stream, None
        if stream is not None:
            stream.close()

    def _started(self) -> AudioStream:
        options = self._options
        device = _device_index(self._library, options.device)
        try:
            stream = self._library.InputStream(
                device=device,
                channels=max(options.columns) + 1,
                samplerate=self._rate_hz,
                dtype="int32",
                latency=BUFFER_S,
            )
        except self._library.PortAudioError as error:
            raise SourceUnavailable(f"{options.device}: {error}") from error
        if abs(stream.samplerate - self._rate_hz) > 1.0:
            stream.close()
            raise OptionError(
                f"driver.sample_rate_hz: the device runs at {stream.samplerate:g}, not at"
                f" {self._rate_hz:g}"
            )
        try:
            stream.start()
        except self._library.PortAudioError as error:
            stream.close()
            raise SourceUnavailable(f"{options.device}: {error}") from error
        return stream

    def _new_inverse(self) -> HighPassInverse | None:
        corner_hz = self._options.highpass_hz
        if corner_hz is None:
            return None
        return HighPassInverse(corner_hz, self._rate_hz, len(self._options.inputs))

    def _block(self, codes: NDArray[np.int32], is_overflow: bool) -> Block | None:
        """Volts; what an overflow dropped before them, of unknown length, follows from the time."""
        n_lost = self._lost(len(codes)) if is_overflow else 0
        if is_overflow:
            self._inverse = self._new_inverse()
        samples = codes[:, self._options.columns].astype(np.float64)
        samples *= self._options.full_scale_v / 2.0**31
        if self._inverse is not None:
            samples = self._inverse.push(samples)
        if self._n_unsettled > 0:
            self._n_unsettled -= len(samples)
            return None
        first = self._index + n_lost
        self._index = first + len(samples)
        if self._anchor is None or is_overflow:
            self._anchor = (self._alive_ns, self._index)
        volts = samples.astype(np.float32)
        volts.flags.writeable = False
        return Block(first, volts, n_lost)

    def _lost(self, n_samples: int) -> int:
        if self._anchor is None:
            return 0
        anchor_ns, anchor_index = self._anchor
        due = anchor_index + (self._alive_ns - anchor_ns) / 1e9 * self._rate_hz
        return max(round(due) - self._index - n_samples, 1)


def _sounddevice() -> AudioLibrary:
    try:
        return cast(AudioLibrary, import_module("sounddevice"))
    except ImportError as error:
        raise SourceUnavailable(
            "the Python package sounddevice is missing: pip install '.[sound]' in the checkout"
        ) from error
    except OSError as error:
        raise SourceUnavailable("PortAudio is missing: apt install libportaudio2") from error


def _device_index(library: AudioLibrary, wanted: str) -> int:
    """The one capture device with `wanted` in its name, straight on the hardware.

    :raises SourceUnavailable: it is not there.
    :raises OptionError: several have it, or the system would resample for it.
    """
    inputs = {
        index: str(device["name"])
        for index, device in enumerate(library.query_devices())
        if cast(int, device["max_input_channels"]) > 0
        and library.query_hostapis(cast(int, device["hostapi"]))["name"] == "ALSA"
    }
    found = {index: name for index, name in inputs.items() if wanted in name}
    if not found:
        known = "; ".join(inputs.values()) or "none at all"
        raise SourceUnavailable(
            f"no ALSA capture device has {wanted!r} in its name; there is {known}"
        )
    if len(found) > 1:
        raise OptionError(f"driver.device: {wanted!r} fits {'; '.join(found.values())}")
    index, name = found.popitem()
    if not re.search(r"\(hw:\d+,\d+\)", name):
        raise OptionError(
            f"driver.device: {name} is not a hw: device, so the system may resample for it"
        )
    return index
