"""The networks of each platform: modules in order along the trunk, who holds the terminators, who listens to whom.

A platform has one to three networks. Its harness is the same in every vehicle: where a module sits decides what a
cut takes away, who listens decides which codes follow. Layouts are common practice, no source; the choice is
chance.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from random import Random
from typing import Final

from synthetic_fleet import Platform
from synthetic_modules import CAR_MODULES, ModuleKind
from synthetic_truck_modules import TRUCK_MODULES

LISTENS: Final = 0.55
"""Chance that a module needs another one's messages; engine and cluster need everybody's (judged)."""

_DRIVE: Final = ("engine control", "transmission control", "anti-lock brakes", "power steering", "restraints")
_DRIVE_MORE: Final = (
    *("steering angle sensor", "all-wheel drive", "parking brake", "gear selector", "front radar"),
    "suspension control",
)
_ELECTRIC: Final = (
    "drive motor",
    "battery management",
    "battery charger",
    "dc to dc converter",
    "brake booster",
)
_ELECTRIC_MORE: Final = ("anti-lock brakes", "power steering", "restraints", "front radar", "parking brake")
_BODY: Final = ("climate control", "radio", "door control driver", "door control passenger")
_BODY_MORE: Final = ("parking assist", "tailgate", "telematics", "camera", "tyre pressure monitor")
_TRUCK: Final = ("engine control", "transmission control", "electronic braking", "instrument cluster")
_TRUCK_MORE: Final = (
    *("retarder", "body control", "aftertreatment", "tachograph", "suspension control", "climate control"),
)
_LIKELY_HOSTS: Final = frozenset(
    {
        "engine control",
        "body control",
        "instrument cluster",
        "gateway",
        "anti-lock brakes",
        "electronic braking",
    }
)


@dataclass(frozen=True)
class NetworkPlan:
    """One network. `modules` in order along the trunk, a terminator in the first and in the last.

    `dlc_place` is the place on the trunk, 1 to count - 1, where the stub with the meter begins: the DLC's, or,
    behind a gateway, the connector at which people measure there.
    """

    name: str
    medium: str
    bit_rate: str
    modules: tuple[str, ...]
    dlc_place: int
    gateway: str | None = None
    behind_gateway: bool = False

    @property
    def host_names(self) -> tuple[str, ...]:
        """The modules with a terminator."""
        return (self.modules[0], self.modules[-1]) if len(self.modules) > 1 else ()

    @property
    def measured_beside(self) -> str:
        """The module at whose connector people measure where the DLC does not reach."""
        return self.modules[max(self.dlc_place - 1, 0)]

    def place(self, index: int) -> int:
        """Return the place on the trunk of the module `index`; the DLC's stub has one of its own."""
        return index if index < self.dlc_place else index + 1

    def beyond(self, joint: int) -> tuple[str, ...]:
        """Return the modules that a cut between the places `joint` and `joint + 1` takes from whoever asks."""
        asks = self.dlc_place
        if self.behind_gateway and self.gateway in self.modules:
            asks = self.place(self.modules.index(self.gateway))
        return tuple(
            name
            for index, name in enumerate(self.modules)
            if (self.place(index) <= joint) != (asks <= joint) and name != self.gateway
        )


@dataclass(frozen=True)
class Topology:
    """All networks of a platform."""

    platform: Platform
    networks: tuple[NetworkPlan, ...]

    @property
    def modules(self) -> tuple[str, ...]:
        """Every module once, by network."""
        return tuple(dict.fromkeys(name for network in self.networks for name in network.modules))

    def kind(self, key: str) -> ModuleKind:
        """Return what is known of a module."""
        return (TRUCK_MODULES if self.platform.layout == "truck" else CAR_MODULES)[key]

    def network_of(self, key: str) -> NetworkPlan:
        """Return the network on which a module talks; of a gateway, the one furthest in."""
        return next(network for network in reversed(self.networks) if key in network.modules)

    def listeners(self, key: str) -> tuple[str, ...]:
        """Return the modules that miss `key` when it is silent, the same in every vehicle of the platform."""
        return _listeners(self, key)


@cache
def topology(platform: Platform) -> Topology:
    """Return the networks of a platform."""
    chance = Random(f"topology {platform.name}")
    return Topology(platform, _LAYOUTS[platform.layout](chance))


@cache
def _listeners(plan: Topology, key: str) -> tuple[str, ...]:
    chance = Random(f"listeners {plan.platform.name} {key}")
    near = [name for name in plan.network_of(key).modules if name != key]
    always = {"gateway", "engine control", "instrument cluster"}
    chosen = [name for name in near if name in always or chance.random() < LISTENS]
    return tuple(chosen if len(chosen) > 1 else near[:2])


def _chosen(
    core: tuple[str, ...], more: tuple[str, ...], extra: tuple[int, int], chance: Random
) -> list[str]:
    return [*core, *chance.sample(more, chance.randint(*extra))]


def _along_trunk(names: list[str], chance: Random, first: str | None = None) -> tuple[str, ...]:
    """Return the modules in the order of the trunk, likely hosts of a terminator at its ends."""
    hosts = [name for name in names if name in _LIKELY_HOSTS and name != first]
    ends = [first, chance.choice(hosts or names)] if first else chance.sample(hosts, 2)
    inner = [name for name in names if name not in ends]
    chance.shuffle(inner)
    return (str(ends[0]), *inner, str(ends[1]))


def _network(name: str, modules: tuple[str, ...], chance: Random, **more: object) -> NetworkPlan:
    place = chance.randint(1, max(len(modules) - 1, 1))
    given = {"medium": "high-speed CAN", "bit_rate": "500 kbit/s", **more}
    return NetworkPlan(name=name, modules=modules, dlc_place=place, **given)  # type: ignore[arg-type]


def _one_pair(chance: Random) -> tuple[NetworkPlan, ...]:
    names = _chosen((*_DRIVE, "body control", "instrument cluster"), _DRIVE_MORE, (0, 3), chance)
    return (_network("powertrain CAN", _along_trunk(names, chance), chance),)


def _two_pairs(chance: Random) -> tuple[NetworkPlan, ...]:
    drive = _chosen((*_DRIVE, "body control", "instrument cluster"), _DRIVE_MORE, (0, 2), chance)
    body = _chosen(_BODY, _BODY_MORE, (1, 3), chance)
    return (
        _network("powertrain CAN", _along_trunk(drive, chance), chance),
        _behind("body CAN", "body control", body, chance),
    )


def _behind(name: str, gateway: str, names: list[str], chance: Random) -> NetworkPlan:
    modules = _along_trunk(names, chance, first=gateway)
    return _network(name, modules, chance, gateway=gateway, behind_gateway=True)


def _gateway(chance: Random) -> tuple[NetworkPlan, ...]:
    return _with_gateway("chassis CAN", _chosen(_DRIVE, _DRIVE_MORE, (1, 3), chance), chance)


def _electric(chance: Random) -> tuple[NetworkPlan, ...]:
    return _with_gateway("drive CAN", _chosen(_ELECTRIC, _ELECTRIC_MORE, (1, 3), chance), chance)


def _with_gateway(name: str, drive: list[str], chance: Random) -> tuple[NetworkPlan, ...]:
    body = _chosen(("body control", "instrument cluster", *_BODY), _BODY_MORE, (0, 2), chance)
    return (
        _network("diagnostic CAN", ("gateway",), chance, gateway="gateway"),
        _behind(name, "gateway", drive, chance),
        _behind("body CAN", "gateway", body, chance),
    )


def _truck(chance: Random) -> tuple[NetworkPlan, ...]:
    names = _chosen(_TRUCK, _TRUCK_MORE, (2, 5), chance)
    rate = chance.choice(("250 kbit/s", "500 kbit/s"))
    return (_network("vehicle J1939", _along_trunk(names, chance), chance, medium="J1939", bit_rate=rate),)


_LAYOUTS: Final = {
    "one pair": _one_pair,
    "two pairs": _two_pairs,
    "gateway": _gateway,
    "gateway electric": _electric,
    "truck": _truck,
}
