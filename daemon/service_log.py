"""What goes into the database's log also goes to the service's own.

The database is no use for it while the disk is the fault. Under systemd `halfcycle monitor` sends
this to its standard error, which is kept in the journal.
"""

import logging
from collections.abc import Sequence
from typing import TextIO

from daemon.records import LogEntry

_LOG = logging.getLogger("halfcycle")


def tell(text: str) -> None:
    """One line, if anybody listens."""
    _LOG.info(text)


def told(entries: Sequence[LogEntry]) -> Sequence[LogEntry]:
    """The same entries, after a line for each."""
    for entry in entries:
        tell(f"{entry.kind.value}: {entry.text}")
    return entries


def listen(stream: TextIO) -> None:
    """Send what is told to a stream, a line each."""
    handler = logging.StreamHandler(stream)
    handler.setFormatter(logging.Formatter("%(message)s"))
    _LOG.handlers = [handler]
    _LOG.setLevel(logging.INFO)
    _LOG.propagate = False
