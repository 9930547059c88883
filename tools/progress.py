"""A progress bar for a recording on a terminal; silence everywhere else."""

import sys
from types import TracebackType
from typing import Any, Self

import click


class RecordingBar:
    """Draws how much of a recording has been measured, once its length is known."""

    def __init__(self) -> None:
        self._bar: Any = None  # click keeps the class of its bars to itself

    def advance(self, n_samples: int, n_total: int | None) -> None:
        """That many more samples are done."""
        if n_total is None or not sys.stderr.isatty():
            return
        if self._bar is None:
            self._bar = click.progressbar(length=n_total, label="Measuring", file=sys.stderr)
            self._bar.__enter__()
        self._bar.update(n_samples)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._bar is not None:
            self._bar.__exit__(kind, error, trace)
