"""Measured facts for `halfcycle preflight`: from samples, and from the operating system."""

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daemon.calibration_fit import fit_sine
from daemon.settings import Channel
from drivers.clock import Clock
from drivers.source import SourceInfo
from tools.preflight_checks import ChannelFacts, DiskFacts, PowerFacts, RateFacts
from tools.sampling import Taken

N_WRITES = 12
WRITE_BYTES = 16 * 1024
LEAST_BLOCKS = 8
THERMAL = Path("/sys/class/thermal/thermal_zone0/temp")
HWMON = Path("/sys/class/hwmon")
TIME_SOURCES = {"chronyd": "chrony", "systemd-timesyn": "systemd-timesyncd", "ntpd": "ntpd"}


def rate_facts(taken: Taken, info: SourceInfo) -> RateFacts:
    """The rate by a straight line through the arrival of blocks."""
    index, arrival_s = taken.next_index, taken.arrival_s
    measured_hz, uncertainty_ppm = None, 0.0
    if info.is_live and len(index) >= LEAST_BLOCKS and arrival_s[-1] > arrival_s[0]:
        x, y = arrival_s - arrival_s.mean(), index - index.mean()
        measured_hz = float(x @ y / (x @ x))
        rest_s = (y - measured_hz * x) / measured_hz
        slope_error = np.sqrt(rest_s @ rest_s / (len(x) - 2) / (x @ x))
        uncertainty_ppm = float(2e6 * slope_error)
    pauses_s = np.diff(arrival_s)
    return RateFacts(
        nominal_hz=info.sample_rate_hz,
        measured_hz=measured_hz,
        uncertainty_ppm=uncertainty_ppm,
        longest_pause_s=float(pauses_s.max(initial=0.0)),
        n_lost=taken.n_lost,
        is_live=info.is_live,
    )


def channel_facts(
    taken: Taken, info: SourceInfo, channel: Channel, nominal_hz: float
) -> ChannelFacts:
    """One channel over the last second that was taken."""
    raw_v = taken.volts[:, channel.input]
    last_v = raw_v[-round(info.sample_rate_hz) :]
    mains_v = (last_v - channel.offset_v) * channel.gain_v_per_v
    fit = fit_sine(mains_v, info.sample_rate_hz, nominal_hz)
    first_v = fit.harmonics_rms_v[0]
    is_sine = first_v > 2 * fit.rest_rms_v and first_v > 0
    return ChannelFacts(
        name=channel.name,
        rms_v=float(np.std(mains_v)),
        phasor_v=_phasor(mains_v, info.sample_rate_hz, fit.frequency_hz) if is_sine else 0j,
        frequency_hz=fit.frequency_hz if is_sine else 0.0,
        noise_v=fit.rest_rms_v,
        dc_v=fit.offset_v,
        input_peak_v=float(np.abs(raw_v).max(initial=0.0)),
        gain_v_per_v=channel.gain_v_per_v,
        offset_v=channel.offset_v,
    )


def _phasor(volts: NDArray[np.float64], rate_hz: float, frequency_hz: float) -> complex:
    window = np.hanning(len(volts))
    turn = np.exp(-2j * np.pi * frequency_hz / rate_hz * np.arange(len(volts)))
    return complex(np.sqrt(2) * np.sum(volts * window * turn) / window.sum())


def disk_facts(database: Path, keep_mb: float, clock: Clock) -> DiskFacts:
    """Free space, and how long small writes take to reach the disk, in the database's folder."""
    folder = database.parent
    there = next(one for one in (folder, *folder.parents) if one.exists())
    return DiskFacts(
        is_writable=os.access(there, os.W_OK | os.X_OK),
        is_read_only=bool(os.statvfs(there).f_flag & os.ST_RDONLY),
        free_mb=shutil.disk_usage(there).free / 1e6,
        keep_mb=keep_mb,
        sync_s=sync_times_s(there, clock),
        filesystem_errors=_filesystem_errors(there),
        life_used_pct=_life_used_pct(there),
    )


def sync_times_s(folder: Path, clock: Clock) -> tuple[float, ...]:
    """Seconds each of a few small writes needs to be on the disk; empty where none is allowed."""
    times_s = []
    try:
        with tempfile.NamedTemporaryFile(dir=folder, prefix=".halfcycle-") as stream:
            for number in range(N_WRITES):
                before_ns = clock.monotonic_ns()
                stream.write(bytes([number]) * WRITE_BYTES)
                stream.flush()
                os.fsync(stream.fileno())
                times_s.append((clock.monotonic_ns() - before_ns) / 1e9)
    except OSError:
        return ()
    return tuple(times_s)


def _device(folder: Path) -> Path:
    number = os.stat(folder).st_dev
    return Path(f"/sys/dev/block/{os.major(number)}:{os.minor(number)}")


def _filesystem_errors(folder: Path) -> int | None:
    text = _text(Path("/sys/fs/ext4") / _device(folder).resolve().name / "errors_count")
    return int(text) if text and text.isdigit() else None


def _life_used_pct(folder: Path) -> float | None:
    """eMMC only: two hexadecimal numbers, each tenths of the life used (JEDEC eMMC, memory)."""
    device = _device(folder).resolve()
    for place in (device, device.parent):
        text = _text(place / "device" / "life_time")
        if text:
            return 10.0 * max(int(word, 16) for word in text.split())
    return None


def power_facts() -> PowerFacts:
    """What the firmware and the sensors say of the board's own supply."""
    program = shutil.which("vcgencmd")
    throttled = None
    if program:
        done = subprocess.run(
            [program, "get_throttled"], capture_output=True, text=True, check=False, timeout=5
        )
        throttled = parse_throttled(done.stdout)
    alarms = [_text(path) for path in HWMON.glob("*/in0_lcrit_alarm")]
    return PowerFacts(throttled, any(alarm == "1" for alarm in alarms) if alarms else None)


def parse_throttled(text: str) -> int | None:
    """The bits in `throttled=0x50005`."""
    name, _, value = text.strip().partition("=")
    try:
        return int(value, 16) if name == "throttled" else None
    except ValueError:
        return None


def temperature_c() -> float | None:
    """Of the processor, in degrees Celsius."""
    text = _text(THERMAL)
    return int(text) / 1000 if text and text.lstrip("-").isdigit() else None


def time_source(processes: Path = Path("/proc")) -> str | None:
    """The program that keeps the clock, if one runs (names in proc(5) are cut to 15 letters)."""
    for path in processes.glob("[0-9]*/comm"):
        name = TIME_SOURCES.get(_text(path) or "")
        if name:
            return name
    return None


def _text(path: Path) -> str | None:
    try:
        return path.read_text().strip()
    except OSError:
        return None
