"""Starts the sampler: a process that imports what it needs while its starter still does the same.

That is half a second of the first measurement, so this module itself imports next to nothing.
"""

import os
import signal
import subprocess
import sys
from contextlib import suppress

_ENDING = (signal.SIGINT, signal.SIGTERM)


class SamplerProcess:
    """A sampler and what ties it to us; it does nothing until it is given a task.

    Whoever gives the task ends the process and closes the descriptors (`daemon.acquisition`).
    """

    def __init__(self) -> None:
        self.memory = os.memfd_create("halfcycle-ring")
        self.reports, reports_end = os.pipe()
        credits_end, self.credits = os.pipe()
        self.process = _started((self.memory, reports_end, credits_end))
        os.close(reports_end)
        os.close(credits_end)
        self._is_idle = True

    def give(self, task: bytes) -> None:
        """Say what to sample. Once. If it is gone already, its reports end: whoever reads sees."""
        self._is_idle = False
        assert self.process.stdin is not None
        with suppress(BrokenPipeError), self.process.stdin as stream:
            stream.write(task)

    def close(self) -> None:
        """End it if it was never given a task; else it is no longer ours to end."""
        if self._is_idle:
            self.process.kill()  # perhaps it still imports; it has nothing to lose
            self.give(b"")
            self.process.wait()
            for descriptor in (self.memory, self.reports, self.credits):
                os.close(descriptor)


def _started(descriptors: tuple[int, int, int]) -> subprocess.Popen[bytes]:
    """Ctrl-C reaches both processes; it must not end this one while it imports, before it can say
    that it leaves such signals alone. So it has them blocked from its very beginning."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, _ENDING)
    try:
        return subprocess.Popen(
            [sys.executable, "-P", "-m", "daemon.sampler", *map(str, descriptors)],
            stdin=subprocess.PIPE,
            pass_fds=descriptors,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},  # it multiplies no matrices
        )
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
