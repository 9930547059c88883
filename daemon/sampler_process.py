"""Starts the sampler: a process that imports what it needs while its starter still does the same.

That is half a second of the first measurement, so this module itself imports next to nothing.
"""

import os
import subprocess
import sys
from contextlib import suppress
from types import TracebackType
from typing import Self


class SamplerProcess:
    """A sampler and what ties it to us; it does nothing until it is given a task.

    Whoever gives the task ends the process and closes the descriptors (`daemon.acquisition`).
    """

    def __init__(self) -> None:
        self.memory = os.memfd_create("halfcycle-ring")
        self.reports, reports_end = os.pipe()
        credits_end, self.credits = os.pipe()
        ours = (self.memory, reports_end, credits_end)
        self.process = subprocess.Popen(
            [sys.executable, "-P", "-m", "daemon.sampler", *map(str, ours)],
            stdin=subprocess.PIPE,
            pass_fds=ours,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},  # it multiplies no matrices
        )
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

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
