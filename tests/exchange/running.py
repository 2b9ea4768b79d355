"""A hub's service for tests, in a thread or a process of its own, and a line to it that breaks."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import httpx

from casebase.exchange.client import HubClient
from casebase.exchange.service import Settings, server_of
from casebase.library.engine import HubAddress
from casebase.library.shop_tokens import make_token
from casebase.library.store import Library
from casebase.publish.signing import fingerprint, fingerprint_digits, own_public_key
from tests.publish.exchanged_bundles import sent

NO_PAUSES = (0.01, 0.05, 0.1)


def nobody(_done: int, _whole: int) -> None:
    """Take note of progress, silently."""


@dataclass
class Shop:
    """A shop with a library, a bundle, and its token for a hub."""

    name: str
    bundle: Path
    fingerprint: str
    token: str = ""
    place: Path = field(default_factory=Path)


def shop_with(cases, folder: Path, name: str) -> Shop:
    """Make a shop that has logged `cases` and written its bundle."""
    place = folder / f"{name.replace(' ', '-')}.db"
    with Library.create(place) as library:
        library.log(cases)
        bundle = sent(library, place.with_suffix(".zip"), name)
        digits = fingerprint_digits(fingerprint(str(own_public_key(library))))
    return Shop(name, bundle, digits, place=place)


def let_in(hub: Path | HubAddress, *shops: Shop) -> None:
    """Make the token of each shop."""
    with Library.open(hub) as library:
        for shop in shops:
            shop.token = make_token(library, shop.name, shop.fingerprint)


def bound_port() -> socket.socket:
    """Return a socket on a free port of this computer."""
    bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    bound.bind(("127.0.0.1", 0))
    return bound


@contextmanager
def in_a_thread(settings: Settings) -> Iterator[str]:
    """Yield the address of a service that runs in this process."""
    server = server_of(settings)
    with bound_port() as bound, settings.owned_inbox():
        thread = threading.Thread(target=server.run, kwargs={"sockets": [bound]})
        thread.start()
        try:
            while not server.started:
                time.sleep(0.005)
            yield f"http://127.0.0.1:{bound.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join(30)


@dataclass
class Process:
    """A service in a process of its own."""

    url: str
    running: subprocess.Popen[bytes]


@contextmanager
def in_a_process(
    library: str, *options: str, port: int | None = None, environment: Mapping[str, str] | None = None
) -> Iterator[Process]:
    """Yield a service that `casebase hub` runs."""
    if port is None:
        with bound_port() as bound:
            port = bound.getsockname()[1]
    command = [sys.executable, "-m", "casebase", "hub", "--port", str(port), "--library", library, *options]
    running = subprocess.Popen(command, env={**os.environ, **(environment or {})}, stderr=subprocess.PIPE)
    url = f"http://127.0.0.1:{port}"
    try:
        until = time.monotonic() + 60
        while True:
            with suppress(httpx.TransportError):
                httpx.get(f"{url}/health", timeout=20)
                break
            assert running.poll() is None, running.stderr and running.stderr.read()
            assert time.monotonic() < until
            time.sleep(0.05)
        yield Process(url, running)
    finally:
        running.terminate()
        running.communicate(timeout=60)


def client(url: str, shop: Shop, pauses: tuple[float, ...] = NO_PAUSES) -> HubClient:
    """Return a client of a shop that does not wait long."""
    return HubClient(url, shop.token, pauses)


class BreakingLine:
    """A line to a service that ends after so many bytes from the sender, or back to it, each time it is used.

    Plain sockets: bytes are passed on, then both ends are cut, by a reset (what was under way is lost) or in order.
    """

    def __init__(self, url: str) -> None:
        self._there = ("127.0.0.1", int(url.rsplit(":", 1)[1]))
        self._bound = bound_port()
        self._bound.listen(64)
        self.url = f"http://127.0.0.1:{self._bound.getsockname()[1]}"
        self.cuts_after: list[int] = []
        self.cuts_answers_after: list[int] = []
        self.uses = 0
        self.is_abrupt = True
        threading.Thread(target=self._accept, daemon=True).start()

    def close(self) -> None:
        """End it."""
        self._bound.close()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._bound.accept()
                self.uses += 1
                most = self.cuts_after.pop(0) if self.cuts_after else None
                most_back = self.cuts_answers_after.pop(0) if self.cuts_answers_after else None
                try:
                    far = socket.create_connection(self._there)
                except OSError:
                    near.close()
                    continue
                threading.Thread(target=self._pass_on, args=(near, far, most), daemon=True).start()
                threading.Thread(target=self._pass_on, args=(far, near, most_back), daemon=True).start()

    def _pass_on(self, near: socket.socket, far: socket.socket, most: int | None) -> None:
        passed = 0
        with suppress(OSError):
            while most is None or passed < most:
                content = near.recv(4096 if most is None else min(4096, most - passed))
                if not content:
                    break
                far.sendall(content)
                passed += len(content)
        for end in (near, far):
            with suppress(OSError):
                if most is not None and self.is_abrupt:
                    end.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
                end.shutdown(socket.SHUT_RDWR)
        near.close()


@contextmanager
def breaking_line(url: str) -> Iterator[BreakingLine]:
    """Yield a line to a service."""
    line = BreakingLine(url)
    try:
        yield line
    finally:
        line.close()
