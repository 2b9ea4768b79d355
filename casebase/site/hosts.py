"""Under which names the site answers: a stranger's page that has its own name point here gets nothing.

The name that a browser asked for stands in the `Host` of its request (RFC 9110, 7.2). An address in figures was typed
or linked by somebody, and no name server can change where it leads.
"""

from __future__ import annotations

import ipaddress
import re
import socket
from collections.abc import Sequence
from typing import Final
from urllib.parse import urlsplit, urlunsplit

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
