"""What the web server needs beyond its settings: to end with its parent, and to drop the silent."""

import asyncio
import os

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

_FIRST_REQUEST_WITHIN_S = 10.0


class PageServer(uvicorn.Server):
    """Ends when the process that started it is gone, so that it never outlives the monitor."""

    def __init__(self, config: uvicorn.Config, parent_pid: int) -> None:
        super().__init__(config)
        self._parent_pid = parent_pid

    async def on_tick(self, counter: int) -> bool:
        # an orphan is given to another parent, so the number changes
        if os.getppid() != self._parent_pid:
            return True
        return await super().on_tick(counter)


class PatientProtocol(H11Protocol):
    """Drops a connection without a whole request: the few places are for those who ask."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._patience = self.loop.call_later(_FIRST_REQUEST_WITHIN_S, self._give_up)

    def connection_lost(self, exc: Exception | None) -> None:
        self._patience.cancel()
        super().connection_lost(exc)

    def _give_up(self) -> None:
        if self.cycle is None:
            self.transport.close()
