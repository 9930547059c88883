"""What a verb may write over: a file of its own kind, never something else."""

from pathlib import Path

from daemon.errors import InputError

HTML = (b"<!doctype html",)
PNG = (b"\x89png",)
SVG = (b"<?xml", b"<svg")
PDF = (b"%pdf",)


def check_output(option: str, path: Path, heads: tuple[bytes, ...]) -> None:
    """See that nothing else is lost: a database, a log or a configuration given by mistake.

    :param heads: how such files begin, in small letters.
    :raises InputError: there is a file of another kind; it was left as it is.
    """
    try:
        with path.open("rb") as file:
            head = file.read(64).lstrip().lower()
    except OSError:
        return  # nothing there that could be lost; writing says what else is wrong
    if head and not head.startswith(heads):
        raise InputError(
            f"{option}: {path} is there already, as something else; it was left as it is"
        )
