"""Connections to a server of this machine: for whom it answers, how many at once, how long one may take.

Whoever asks for half a page for ever is let go. The name that a browser asked for stands in the `Host` of its request
(RFC 9110, 7.2): a stranger's page that has its own name point here gets nothing. An address in figures was typed or
linked by somebody, and no name server can change where it leads.
"""

from __future__ import annotations

import asyncio
import ipaddress
import re
import socket
from collections.abc import Sequence
from typing import Final, cast
from urllib.parse import urlsplit, urlunsplit

from uvicorn.protocols.http.h11_impl import H11Protocol

_PARTED: Final = re.compile(r"(?:\[(?P<six>[0-9a-fA-F:.]+)\]|(?P<name>[^:\[\]]+))(?::[0-9]{1,5})?")


EVERY_ADDRESS: Final = ("0.0.0.0", "::")
"""What opens a site to the network, and is no address that anybody can ask for."""


class Hosts:
    """The names and addresses of a site that listens on an address of this machine."""

    def __init__(self, listening: str, names: Sequence[str] = ()) -> None:
        self.only_here = is_loopback(listening)
        own = () if self.only_here else _own_names()
        self._names = {name.casefold().rstrip(".") for name in ("localhost", listening, *own, *names)}

    def are_these(self, host: str) -> bool:
        """Return whether a request for this host is meant for the site.

        >>> Hosts("127.0.0.1").are_these("localhost:8601"), Hosts("127.0.0.1").are_these("evil.example")
        (True, False)
        """
        parted = _PARTED.fullmatch(host.strip())
        if parted is None:
            return False
        name = (parted["six"] or parted["name"]).casefold().rstrip(".")
        if name in self._names:
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        return address.is_loopback or not self.only_here


def is_loopback(host: str) -> bool:
    """Return whether an address or name is that of this computer alone."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def network_address() -> str | None:
    """Return this computer's address in its network, None where it is in none; nothing is sent to find it.

    Connecting a datagram socket only chooses the way; 192.0.2.1 is an address of nobody (RFC 5737).
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
        except OSError:
            return None
        return str(probe.getsockname()[0])


def for_others(address: str, hosts: Hosts | None) -> str:
    """Return an address of this site as another device can ask for it, where the site answers to others at all."""
    parts = urlsplit(address)
    if hosts is None or hosts.only_here or not is_loopback(parts.hostname or ""):
        return address
    found = network_address()
    port = f":{parts.port}" if parts.port else ""
    return urlunsplit(parts._replace(netloc=f"{found}{port}")) if found else address


def _own_names() -> list[str]:
    name = socket.gethostname()
    return [name, socket.getfqdn(), f"{name.split('.')[0]}.local"]


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
