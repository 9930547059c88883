"""Where large arrays lie, by the kernel's own account of the process (proc(5), maps)."""

import platform
import subprocess
import sys

import pytest

from tests.whole_material import CHECKOUT, environment

# A freed block of 8 MB moves the library's border beyond 6 MB, so that the next lies in the heap.
ALLOCATE = """
import sys
import numpy as np
from daemon.allocation import fix_borders

if sys.argv[1] == "fixed":
    fix_borders()
np.ones(1 << 20)
array = np.ones(3 << 18)
heap = [line.split()[0] for line in open("/proc/self/maps") if line.endswith("[heap]\\n")]
first, end = heap[0].split("-")[0], heap[-1].split("-")[1]
print("heap" if int(first, 16) <= array.ctypes.data < int(end, 16) else "mapped")
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another C library")
@pytest.mark.parametrize(("border", "place"), [("moving", "heap"), ("fixed", "mapped")])
def test_an_array_beyond_the_border_never_lies_in_the_heap(border: str, place: str) -> None:
    command = [sys.executable, "-c", ALLOCATE, border]
    done = subprocess.run(
        command, cwd=CHECKOUT, env=environment(), capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == place


# 40 MB in blocks of 4 kB, of which one in a hundred stays: the heap cannot shrink at its end.
SCATTER = """
from daemon.allocation import fix_borders, give_back

def resident_bytes():
    return int(open("/proc/self/statm").read().split()[1]) * 4096

fix_borders(64 << 10)
blocks = [bytes(4096) for _ in range(10_000)]
kept = blocks[::100]
del blocks
before = resident_bytes()
give_back()
print(before - resident_bytes())
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another C library")
def test_what_lies_free_between_others_is_given_back() -> None:
    done = subprocess.run(
        [sys.executable, "-c", SCATTER],
        cwd=CHECKOUT,
        env=environment(),
        capture_output=True,
        text=True,
        check=True,
    )
    assert int(done.stdout) > 30_000_000
