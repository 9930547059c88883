"""The real py-spidev, with a chip model where the kernel would be.

The package is a source distribution, built here by pip in a folder of its own; without a registry,
a C compiler or the kernel's headers these tests are skipped.
"""

import json
import os
import shutil
import socket
import struct
import subprocess
import sys
from pathlib import Path

import pytest

from drivers.clock import ManualClock
from drivers.spi import Part, SpiSettings
from tests.chips.bench import Bench
from tests.chips.mcp import McpChip
from tests.whole_material import environment

SHIM = Path(__file__).parent / "chips" / "preload.c"
VOLTS = {0: 1.0, 1: 2.25}  # per pin

DRIVE = """
import json, sys
import spidev
from drivers.clock import SystemClock
from drivers.mcp320x import Mcp320xOptions, Mcp320xSource

inputs = sys.argv[1].split(",")
options = Mcp320xOptions(name="mcp320x", chip="mcp3208", vref_v=3.3, inputs=inputs,
                         sample_rate_hz=2000)
source = Mcp320xSource(options, SystemClock())
source.open()
blocks = []
while len(blocks) < 3:
    block = source.read(0.5)
    if block is not None:
        blocks.append(block.volts.mean(axis=0).tolist())
source.close()
print(json.dumps([spidev.__file__, blocks]))
"""
KEEPS_TUPLES = """
import spidev
device = spidev.SpiDev()
device.open(0, 0)
request = (7, 64, 0)
answer = device.xfer2(request)
assert type(answer) is tuple and request == (7, 64, 0), (answer, request)
listed = [7, 64, 0]
assert device.xfer2(listed) is listed and listed != [7, 64, 0]
device.close()
"""


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with spidev and the shim."""
    folder = tmp_path_factory.mktemp("spidev")
    if shutil.which("cc") is None or not Path("/usr/include/linux/spi/spidev.h").exists():
        pytest.skip("no C compiler, or no kernel headers")
    done = subprocess.run(
        [sys.executable, "-m", "pip", "install", "-q", "--disable-pip-version-check", "--no-deps",
         "--no-compile", "--target", folder, "spidev>=3.6"],
        capture_output=True,
        text=True,
        check=False,
    )  # fmt: skip
    if done.returncode:
        pytest.skip(f"spidev cannot be fetched or built here: {done.stderr[-200:]}")
    shim = folder / "preload.so"
    subprocess.run(["cc", "-shared", "-fPIC", "-o", shim, SHIM, "-ldl"], check=True)
    return folder


def run_with_chip(built: Path, code: str, *arguments: str) -> tuple[str, Bench]:
    """Run Python with the shim in a process of its own, and be its chip."""
    chip = McpChip("mcp3208", lambda pin, _: VOLTS.get(pin, 0.0), 3.3)
    bench = Bench(chip, ManualClock())
    ours, theirs = socket.socketpair()
    with ours:
        process = subprocess.Popen(
            [sys.executable, "-c", code, *arguments],
            pass_fds=[theirs.fileno()],
            stdout=subprocess.PIPE,
            text=True,
            env={
                **environment(),
                "PYTHONPATH": os.pathsep.join([str(built), environment()["PYTHONPATH"]]),
                "LD_PRELOAD": str(built / "preload.so"),
                "CHIP_SOCKET": str(theirs.fileno()),
            },
        )
        theirs.close()
        with process:
            serve(ours, bench)
            assert process.stdout is not None
            said = process.stdout.read()
    assert process.returncode == 0
    return said, bench


def serve(link: socket.socket, bench: Bench) -> None:
    """Answer messages until the other side is gone."""
    spi = bench.open(SpiSettings(0, 0, 0, 1_200_000))
    while count := link.recv(4, socket.MSG_WAITALL):
        parts = []
        n_parts = struct.unpack("=I", count)[0]
        for n in range(n_parts):
            about = struct.unpack("=3I", link.recv(12, socket.MSG_WAITALL))
            data = link.recv(about[0], socket.MSG_WAITALL)
            # Chip select goes high between transfers that say so, and at the end of the message
            is_last = bool(about[2]) != (n == n_parts - 1)
            parts.append(Part(data, about[1], is_last))
        link.sendall(spi.exchange_parts(tuple(parts)))


@pytest.mark.online
class TestRealSpidev:
    @pytest.mark.parametrize("inputs", ["ch0", "ch0,ch1"])
    def test_a_driver_reads_its_chip_through_it(self, built: Path, inputs: str) -> None:
        """One input goes by xfer2, two by one message of two transfers."""
        said, bench = run_with_chip(built, DRIVE, inputs)
        where, blocks = json.loads(said)
        assert Path(where).is_relative_to(built)
        expected = [VOLTS[int(name[2:])] - 1.65 for name in inputs.split(",")]
        for block in blocks:  # a code is 0.8 mV, and stands for what is at or above it
            assert block == pytest.approx(expected, abs=0.9e-3)
        assert bench.n_calls > 400

    def test_it_keeps_a_tuple_and_overwrites_a_list(self, built: Path) -> None:
        """Why the transport hands frames over as tuples."""
        run_with_chip(built, KEEPS_TUPLES)
