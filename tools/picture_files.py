"""The options `--png` and `--svg`, and the drawing library loaded only when it is needed."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from importlib import import_module
from pathlib import Path
from typing import Any

import click

from daemon.errors import InputError
from tools.outputs import PNG, SVG, check_output


@dataclass(frozen=True, slots=True)
class PictureFiles:
    """Where pictures are wanted."""

    png: Path | None
    svg: Path | None

    @property
    def is_wanted(self) -> bool:
        """Whether any is."""
        return self.png is not None or self.svg is not None

    @property
    def words(self) -> str:
        """What was written."""
        return ", ".join(str(path) for path in (self.png, self.svg) if path is not None)


def picture_options(verb: Callable[..., None]) -> Callable[..., None]:
    """Gives a verb `--png` and `--svg` as one `PictureFiles`, its argument `pictures`."""
    kind = click.Path(path_type=Path, dir_okay=False)

    @click.option("--png", type=kind, metavar="FILE", help="Write the picture there.")
    @click.option("--svg", type=kind, metavar="FILE", help="Write the picture there, as lines.")
    @wraps(verb)
    def wrapper(png: Path | None, svg: Path | None, **named: Any) -> None:
        for option, path, heads in (("--png", png, PNG), ("--svg", svg, SVG)):
            if path is not None:
                check_output(option, path, heads)
        verb(pictures=PictureFiles(png, svg), **named)

    return wrapper


def drawing_module(name: str) -> Any:
    """A module that draws: it needs matplotlib, which a monitor does not have.

    :raises InputError: matplotlib is not installed.
    """
    try:
        return import_module(name)
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] != "matplotlib":
            raise
        raise InputError(
            "pictures need matplotlib: pip install '.[report]', or pip install matplotlib"
        ) from error
