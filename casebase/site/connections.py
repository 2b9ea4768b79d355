"""Connections to the site, held to time and number: whoever asks for half a page for ever is let go.

`uvicorn` waits for a request as long as it takes; here a request has to be there whole within seconds, an answer has to
be taken, and where there are too many connections the one that has waited longest for a request makes room.
"""

from __future__ import annotations

import asyncio
from typing import Final, cast

from uvicorn.protocols.http.h11_impl import H11Protocol

REQUEST_SECONDS: Final = 10.0
"""From the first byte to the end of a request's head; a phone at the edge of the network needs one or two (judged)."""

STALLED_SECONDS: Final = 30.0
"""How long an answer waits for somebody who takes nothing of it (judged)."""

MOST_CONNECTIONS: Final = 200
"""A browser opens six (common practice); a shop has some dozens of them (judged)."""

MOST_HELD_BYTES: Final = 32 << 20
"""Of requests that are not there whole yet, all connections together."""


class BoundedProtocol(H11Protocol):
    """One connection; `held_bytes` counts what came of a request that is not there whole yet."""

    held_bytes: int
    waiting_since: float
    _patience: asyncio.TimerHandle
    _stalled: asyncio.TimerHandle | None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Wait for a request, and make room where there are too many connections."""
        super().connection_made(transport)
        self._stalled = None
        self._wait_for_a_request()
        if len(self.connections) > MOST_CONNECTIONS:
            waiting = [one for one in self._others() if not one.is_answering]
            (min(waiting, key=lambda one: one.waiting_since) if waiting else self).let_go()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the timers."""
        self._patience.cancel()
        if self._stalled is not None:
            self._stalled.cancel()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take bytes of a request; what all requests hold together is bounded."""
        was_answering = self.is_answering
        self.held_bytes += len(data)
        super().data_received(data)
        if self.is_answering:
            self._patience.cancel()
            self.held_bytes = 0 if not was_answering else self.held_bytes
        elif self._patience.cancelled():
            self._patience = self.loop.call_later(REQUEST_SECONDS, self.let_go)
        if sum(one.held_bytes for one in self._others()) > MOST_HELD_BYTES:
            max(self._others(), key=lambda one: one.held_bytes).let_go()

    def on_response_complete(self) -> None:
        """Wait for the next request; without a byte of it uvicorn ends the connection after some seconds."""
        self.held_bytes = 0
        self.waiting_since = self.loop.time()
        super().on_response_complete()

    def pause_writing(self) -> None:
        """Wait for whoever takes nothing of the answer, but not for ever."""
        super().pause_writing()
        if self._stalled is None:
            self._stalled = self.loop.call_later(STALLED_SECONDS, self.let_go)

    def resume_writing(self) -> None:
        """Go on with the answer."""
        super().resume_writing()
        if self._stalled is not None:
            self._stalled.cancel()
            self._stalled = None

    @property
    def is_answering(self) -> bool:
        """Whether a request is there that was not answered whole."""
        return self.cycle is not None and not self.cycle.response_complete

    def let_go(self) -> None:
        """End the connection at once."""
        self.transport.abort()
        self.connections.discard(self)

    def _wait_for_a_request(self) -> None:
        self.held_bytes = 0
        self.waiting_since = self.loop.time()
        self._patience = self.loop.call_later(REQUEST_SECONDS, self.let_go)

    def _others(self) -> list[BoundedProtocol]:
        return [cast("BoundedProtocol", one) for one in self.connections]
