"""The sound input on the real PortAudio and the real ALSA library, with a loopback for a card.

PulseAudio's null sink is the card: what is played into it comes back as a capture device, paced by
its own timer at 48 kS/s. ALSA reaches it through its `pulse` plugin, under a name like a card's.
"""

import importlib.util
import os
import shutil
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing
from ctypes.util import find_library
from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile

from daemon.app import Monitor
from drivers.clock import SystemClock
from tests.test_chips_end_to_end import channel_tables, site_table
from tests.whole_material import settings_in, until

RATE_HZ, PEAK = 48000, 0.5
PLUGIN = "/usr/lib/*/alsa-lib/libasound_module_pcm_pulse.so"
ASOUND = """
pcm."Loop (hw:0,0)" { type pulse device "loop.monitor" }
pcm."Loop (hw" { @args [ A B ] @args.A { type string } @args.B { type string }
                 type pulse device "loop.monitor" }
"""  # listed under the first name; asked for by it, ALSA takes what follows the colon as arguments


def missing() -> list[str]:
    """What this needs and this machine has not."""
    parts = {
        "the Python package sounddevice": importlib.util.find_spec("sounddevice") is not None,
        "libportaudio2": find_library("portaudio") is not None,
        "pulseaudio": shutil.which("pulseaudio") is not None,
        "paplay": shutil.which("paplay") is not None,
        "libasound2-plugins": bool(list(Path("/").glob(PLUGIN.lstrip("/")))),
    }
    return [name for name, is_there in parts.items() if not is_there]


pytestmark = pytest.mark.skipif(bool(missing()), reason=f"not here: {', '.join(missing())}")


@pytest.fixture
def _playing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """230 V, 50 Hz, with a dip to 60 % for 0.1 s every two seconds, played for half a minute."""
    t_s = np.arange(30 * RATE_HZ) / RATE_HZ
    sine = PEAK * np.sin(2 * np.pi * 50 * t_s)
    sine[(t_s % 2 >= 1.0) & (t_s % 2 < 1.1)] *= 0.6
    codes = np.round(sine * 2**31).astype(np.int32)
    wavfile.write(tmp_path / "mains.wav", RATE_HZ, np.stack([codes, codes], axis=1))
    (tmp_path / ".asoundrc").write_text(ASOUND)
    (tmp_path / "run").mkdir(mode=0o700)
    socket = tmp_path / "run" / "sound"
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "run"))
    monkeypatch.setenv("PULSE_SERVER", f"unix:{socket}")
    sink = f"module-null-sink sink_name=loop rate={RATE_HZ} format=s32le channels=2"
    door = f"module-native-protocol-unix socket={socket} auth-anonymous=1"
    server = ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--disable-shm=yes"]
    with ExitStack() as stack:
        for command in ([*server, "-L", sink, "-L", door], ["paplay", "-d", "loop", "mains.wav"]):
            process = stack.enter_context(
                subprocess.Popen(command, cwd=tmp_path, stderr=subprocess.DEVNULL, env=os.environ)
            )
            stack.callback(process.kill)
            until(socket.exists)
        time.sleep(1.0)  # what is captured is what is played, not the silence before
        yield


class After:
    """Says stop after a while."""

    def __init__(self, duration_s: float) -> None:
        self._end_s = time.monotonic() + duration_s

    def is_set(self) -> bool:
        return time.monotonic() > self._end_s


@pytest.mark.usefixtures("_playing")
def test_a_dip_that_is_played_is_found(tmp_path: Path) -> None:
    """Whole path: PortAudio, driver, sampling process, measuring, database. The loop passes 32-bit
    codes through as they are: the residual voltage is exact to the rounding of float32."""
    driver = {"name": "soundcard", "device": "Loop (hw:0,0)", "full_scale_v": 1.0, "settle_s": 0.5}
    settings = settings_in(
        tmp_path,
        driver,
        site=site_table(),
        channels=channel_tables(gain_v_per_v=230 * np.sqrt(2) / PEAK),
        store={"path": str(tmp_path / "events.db")},
    )
    summary = Monitor(settings, SystemClock(), with_page=False).run(After(8.0))
    with closing(sqlite3.connect(tmp_path / "events.db")) as database:
        found = database.execute("SELECT kind, value, duration_s, complete FROM event").fetchall()
        faults = database.execute("SELECT text FROM log WHERE kind = 'fault'").fetchall()
    assert (faults, summary.n_lost) == ([], 0)
    assert summary.n_samples > 3 * RATE_HZ
    whole = [(kind, value, length_s) for kind, value, length_s, complete in found if complete]
    assert len(whole) >= 2
    for kind, value, length_s in whole:
        assert kind == "dip"
        assert value == pytest.approx(0.6 * 230, abs=0.01)
        assert length_s == pytest.approx(0.1, abs=0.0201)
