"""What a service prints: every entry of the log, also while the database takes none."""

import io
import logging
from collections.abc import Iterator

import pytest

from daemon.backlog import Backlog
from daemon.records import LogEntry, LogKind
from daemon.service_log import listen, tell


@pytest.fixture
def printed() -> Iterator[io.StringIO]:
    stream = io.StringIO()
    listen(stream)
    yield stream
    logging.getLogger("halfcycle").handlers = []


def test_what_waits_for_a_bad_disk_is_printed_at_once(printed: io.StringIO) -> None:
    backlog = Backlog()
    backlog.put([], [LogEntry(LogKind.UNOBSERVED, 0.0, 1.0, 9.6, "the monitor broke off")])
    assert backlog.n_waiting == 1
    tell("nothing can be stored")
    assert printed.getvalue() == "unobserved: the monitor broke off\nnothing can be stored\n"


def test_nothing_is_printed_where_nobody_listens(capsys: pytest.CaptureFixture[str]) -> None:
    tell("unheard")
    assert capsys.readouterr() == ("", "")
