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
