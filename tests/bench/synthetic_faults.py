"""Where each vehicle of the fleet fails: the weak spots of its platform, or anywhere.

Judged: half of the cases (`WEAK_SHARE`) are weak spots, 10 places where the vehicles of a platform fail again and
again, the earlier ones of the list more often; single modules fail mostly (`TROUBLED_SHARE`) among 3 troubled ones. So
a case often has a twin, and the same silence and codes often come from another cause. The mechanism is known in 85 %.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from random import Random
from typing import Final

from synthetic_causes import FAULTS, Way
from synthetic_fleet import picked
from synthetic_modules import DEVICES
from synthetic_topology import Topology

WEAK_SPOTS: Final = 10
WEAK_SHARE: Final = 0.5
TROUBLED_MODULES: Final = 3
TROUBLED_SHARE: Final = 0.85
BY_INDEX: Final = ("one", "data", "local", "all but one")
"""Effects of a fault at one module."""


@dataclass(frozen=True)
class Spot:
    """Where and how one vehicle failed. `index`: of the module hit, or of the joint of the trunk that parted.

    `part`: what failed at a module, on a sound network. `misread`: what was taken for a fault where there is none.
    """

    fault: str
    way: Way
    network: int
    index: int
    place: str
    where: str
    mechanism: str | None
    module: str | None = None
    device: str | None = None
    part: str | None = None
    misread: str | None = None

    @property
    def named(self) -> str | None:
        """The module or the device that a record names."""
        return self.device or self.module


def drawn_spot(plan: Topology, chance: Random) -> Spot:
    """Return what one vehicle of the platform suffers from."""
    if chance.random() < WEAK_SHARE:
        spots = weak_spots(plan)
        return picked(tuple((spot, 1 / (rank + 1) ** 0.6) for rank, spot in enumerate(spots)), chance)
    return _any_spot(plan, chance)


@cache
def weak_spots(plan: Topology) -> tuple[Spot, ...]:
    """Return the places where vehicles of the platform fail again and again, the most frequent first."""
    chance = Random(f"weak spots {plan.platform.name}")
    return tuple(_any_spot(plan, chance) for _ in range(WEAK_SPOTS))


@cache
def _troubled(plan: Topology) -> tuple[tuple[int, int], ...]:
    """Return the (network, module) pairs that make most of the platform's trouble."""
    chance = Random(f"troubled {plan.platform.name}")
    pairs = [
        (number, index)
        for number, network in enumerate(plan.networks)
        for index, name in enumerate(network.modules)
        if name != network.gateway
    ]
    return tuple(chance.sample(pairs, TROUBLED_MODULES))


def _any_spot(plan: Topology, chance: Random) -> Spot:
    gateways = any(network.behind_gateway for network in plan.networks)
    possible = [name for name in FAULTS if gateways or name != "gateway_isolation_normal"]
    fault = picked(tuple((name, FAULTS[name][0]) for name in possible), chance)
    way = picked(tuple((way, way.share) for way in FAULTS[fault][1]), chance)
    network, index = _hit(plan, fault, way, chance)
    return placed(plan, fault, way, (network, index), chance)


def _hit(plan: Topology, fault: str, way: Way, chance: Random) -> tuple[int, int]:
    """Return the network and the index of the module, or of the joint, that is hit."""
    inner = [number for number, network in enumerate(plan.networks) if len(network.modules) > 1]
    if way.reach == "stub" or fault == "gateway_isolation_normal":
        return 0, 0
    if way.reach in ("inside", "branch") or way.effect in BY_INDEX:
        troubled = _troubled(plan)
        if chance.random() < TROUBLED_SHARE:
            return chance.choice(troubled)
        number = chance.choice(inner)
        names = plan.networks[number].modules
        return number, chance.choice(
            [i for i, name in enumerate(names) if name != plan.networks[number].gateway]
        )
    number = chance.choice(inner)
    count = len(plan.networks[number].modules)
    if way.reach == "end":
        return number, chance.choice((0, count - 1))
    return number, chance.choice([joint for joint in range(count) if plan.networks[number].beyond(joint)])


def placed(  # noqa: PLR0913, PLR0917  what failed, where, and by which chance
    plan: Topology,
    fault: str,
    way: Way,
    hit: tuple[int, int],
    chance: Random,
    part: str | None = None,
) -> Spot:
    """Return a fault at the module or joint `hit` (network, index), with its place in words; `part` at that module."""
    network = plan.networks[hit[0]]
    device = chance.choice(DEVICES) if way.by_device else None
    module = _module_named(plan, fault, way, hit)
    place = picked(way.places, chance)
    mechanism = picked(way.mechanisms, chance) if way.mechanisms and chance.random() < 0.85 else None
    name = device or part or (plan.kind(module).names[0] if module else network.name)
    where = chance.choice(_WHERE[place]).format(
        of=name,
        letter=chance.choice("ABCDX"),
        number=chance.randint(2, 60),
        amperes=chance.choice((5, 10, 15, 20)),
    )
    return Spot(fault, way, hit[0], hit[1], place, where, mechanism, module, device, part)


def _module_named(plan: Topology, fault: str, way: Way, hit: tuple[int, int]) -> str | None:
    network = plan.networks[hit[0]]
    if fault in ("gateway_isolation_normal", "bus_quiet"):
        return network.gateway or network.modules[0]
    by_index = way.reach in ("inside", "branch", "end") or way.effect in BY_INDEX
    if way.by_device or not by_index or fault == "both_terminators_missing":
        return None
    return network.modules[hit[1]]


_WHERE: Final = {
    "harness": (
        "front loom at the inner wing, {of}",
        "loom under the centre console, towards {of}",
        "sill loom below the scuff plate, {of} side",
        "loom at the battery tray, by {of}",
        "rear loom over the axle, {of} branch",
        "pillar gaiter, wires of {of}",
    ),
    "connector": (
        "connector of {of}",
        "plug {letter}{number} in the line to {of}",
        "bulkhead coupling {letter}{number}, {of}",
        "pin block G{number} of {of}",
    ),
    "splice": ("splice S{number}0 of {of}", "splice pack {letter}{number} behind the glove box, {of}"),
    "module": ("{of} itself", "{of}, on its board", "{of} behind the left trim"),
    "fuse": ("F{number} {amperes} A, feeds {of}", "fuse F{number} in the rear carrier ({of})"),
}
