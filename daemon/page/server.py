"""What the web server needs beyond its settings: to end with its parent, and to drop the slow.

Uvicorn's own limit counts connections, so a crowd that never asks anything would shut out those
who do. Here the crowd makes room: beyond `MOST_CONNECTIONS` the one that has waited longest without
a whole request is dropped.
"""

import asyncio
import os
import socket
from typing import Any

import uvicorn
from anyio.to_thread import current_default_thread_limiter
from h11 import Connection
from uvicorn.protocols.http.h11_impl import H11Protocol

from daemon.allocation import give_back

MOST_CONNECTIONS = 64
_FIRST_REQUEST_WITHIN_S = 10.0
_ANSWER_TAKEN_WITHIN_S = 30.0
_MOST_THREADS = 3  # more of them only get into each other's way, and into that of the event loop
_LOOK_EACH_TICKS = 3  # uvicorn ticks ten times a second
_TIDY_EACH_TICKS = 100  # a page of many events takes some megabytes for a moment


class PageServer(uvicorn.Server):
    """Ends when the process that started it is gone, so that it never outlives the monitor."""

    def __init__(self, config: uvicorn.Config, parent_pid: int) -> None:
        super().__init__(config)
        self._parent_pid = parent_pid

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        current_default_thread_limiter().total_tokens = _MOST_THREADS
        await super().startup(sockets)

    async def on_tick(self, counter: int) -> bool:
        # an orphan is given to another parent, so the number changes
        if os.getppid() != self._parent_pid:
            return True
        if counter % _LOOK_EACH_TICKS == 0:
            for connection in list(self.server_state.connections):
                if isinstance(connection, PatientProtocol):
                    connection.drop_if_overdue()
        if counter % _TIDY_EACH_TICKS == 0:
            give_back()
        return await super().on_tick(counter)


class PatientProtocol(H11Protocol):
    """Has a time for a whole request, and a time for taking the answer; then it is cut off."""

    def __init__(self, *words: Any, **options: Any) -> None:
        super().__init__(*words, **options)
        self.since_s = self.loop.time()

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        others = [
            one
            for one in self.connections
            if isinstance(one, PatientProtocol) and not one.transport.is_closing()
        ]
        super().connection_made(transport)
        if len(others) >= MOST_CONNECTIONS:
            oldest = min(others, key=lambda one: (one.is_answering, one.since_s))
            oldest.transport.abort()

    def data_received(self, data: bytes) -> None:
        if not self.is_answering and not _has_begun(self.conn):
            self.since_s = self.loop.time()
        super().data_received(data)

    @property
    def is_answering(self) -> bool:
        """There is a whole request whose answer has not been taken altogether."""
        if self.cycle is None:
            return False
        return not self.cycle.response_complete or self.transport.get_write_buffer_size() > 0

    def drop_if_overdue(self) -> None:
        """Cut the connection off when its time is over."""
        within_s = _ANSWER_TAKEN_WITHIN_S if self.is_answering else _FIRST_REQUEST_WITHIN_S
        if self.loop.time() - self.since_s > within_s:
            self.transport.abort()


def _has_begun(connection: Connection) -> bool:
    """Whether a part of a request has come."""
    return bool(connection.trailing_data[0])
