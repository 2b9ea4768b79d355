"""The trouble codes that follow from who is silent and who listens, with what scans add and people leave out.

The same silence on the same platform gives the same codes, whatever silenced the module: that is what makes
look-alikes. Numbers of the network codes come from casebase's own tables; SPN 2000 plus a source address for a
silent J1939 module, SPN 639 for the network and the supply codes are from memory. Judged shares: a local code with
no bearing in 20 % of the cases, a bus code that names the very fault 8 % of disturbed buses; each code is left out as
often as its author forgets.
"""

from __future__ import annotations

from functools import cache
from random import Random
from typing import Any, Final

from synthetic_faults import Spot
from synthetic_local import circuit_of
from synthetic_silence import Silence
from synthetic_topology import Topology

from casebase.places import read_table

LOCAL_SHARE: Final = 0.2
TELLING_SHARE: Final = 0.08
MOST_CODES: Final = 12
MOST_BY_ONE: Final = 3
"""Codes about others that one module stores when a whole network is gone (judged: scans list the first few)."""

_TELLING: Final = {
    "high_open": "U0003",
    "high_shorted_to_ground": "U0004",
    "high_shorted_to_battery": "U0005",
    "low_open": "U0006",
    "low_shorted_to_ground": "U0007",
    "low_shorted_to_battery": "U0008",
    "lines_shorted_together": "U0009",
}
_TOLD: Final = {"lost": "87", "invalid": "81", "bus": "88", "software": "00", "supply": "16"}
"""Failure types of SAE J2012-DA by what a code says (from memory)."""

Entry = tuple[str, str]
"""The key of the module that stores a code, and the code."""


def codes_of(
    plan: Topology, spot: Spot, heard: Silence, chance: Random, second: Spot | None = None
) -> list[Entry]:
    """Return every code that a full scan would show; what the faults made comes first."""
    entries = [
        *(_own_codes(plan, second, heard) if second and second.module in heard.readable else ()),
        *_about_modules(plan, heard.missed, "lost", heard.readable),
        *_about_modules(plan, heard.refused, "invalid", heard.readable),
        *(_about_bus(plan, spot, heard, chance) if heard.disturbed else ()),
        *_own_codes(plan, spot, heard),
    ]
    if chance.random() < LOCAL_SHARE:
        entries += _local_codes(plan, heard, chance)
    return list(dict.fromkeys(entries))[:MOST_CODES]


def written_codes(
    entries: list[Entry], named: dict[str, str], forgets: float, words: tuple[str, ...], chance: Random
) -> list[dict[str, Any]]:
    """Return the codes as somebody writes them down: some left out, one status word or none."""
    kept = [entry for entry in entries if chance.random() >= forgets] or entries[:1]
    status = chance.choice((*words, None))
    return [
        {"module": named[module], "code": code, **({"status": status} if status else {})}
        for module, code in kept
    ]


def _about_modules(
    plan: Topology, about: tuple[str, ...], kind: str, readable: tuple[str, ...]
) -> list[Entry]:
    said: dict[str, int] = {}
    entries = []
    for blamed in about:
        for reporter in plan.listeners(blamed):
            mostly = said.get(reporter, 0)
            if reporter in readable and mostly < MOST_BY_ONE:
                said[reporter] = mostly + 1
                entries.append((reporter, _code(plan, blamed, kind)))
    return entries


def _code(plan: Topology, blamed: str, kind: str) -> str:
    module = plan.kind(blamed)
    if plan.platform.layout == "truck":
        return f"SPN {2000 + (module.address or 0)} FMI {9 if kind == 'lost' else 19}"
    return _ended(plan, _numbers()[module.coded_as or module.key][kind], kind)


def _ended(plan: Topology, base: str, kind: str) -> str:
    """Return a letter code as scans of this platform end it."""
    ending = plan.platform.failure_type
    if not ending:
        return base
    return f"{base}-{_TOLD[kind] if ending == 'told' else '00'}"


@cache
def _numbers() -> dict[str, dict[str, str]]:
    return {row["key"]: row for row in read_table("network_codes")}


def _about_bus(plan: Topology, spot: Spot, heard: Silence, chance: Random) -> list[Entry]:
    """Return the bus codes: on one platform always the same code, from the same two modules."""
    steady = Random(f"bus codes {plan.platform.name}")
    network = plan.networks[spot.network]
    usual = steady.choice(("SPN 639 FMI 9", "SPN 639 FMI 2", "SPN 639 FMI 19"))
    if plan.platform.layout != "truck":
        usual = _ended(plan, steady.choice(("U0001", "U0073")), "bus")
        if spot.way.state in _TELLING and chance.random() < TELLING_SHARE:
            usual = _ended(plan, _TELLING[spot.way.state], "bus")
    reporters = [
        name for name in steady.sample(network.modules, len(network.modules)) if name in heard.readable
    ]
    return [(name, usual) for name in reporters[:2]]


def _own_codes(plan: Topology, spot: Spot, heard: Silence) -> list[Entry]:
    """Return what the module at fault stores of itself, and what a weak supply leaves everywhere."""
    network = plan.networks[spot.network]
    truck = plan.platform.layout == "truck"
    if spot.fault == "low_system_voltage":
        supply = "SPN 168 FMI 18" if truck else _ended(plan, "U3003", "supply")
        first = "SPN 158 FMI 18" if truck else "P0562"
        return [(network.modules[0], first), *((name, supply) for name in network.modules[1:3])]
    module = network.modules[spot.index]
    circuit = circuit_of(spot)
    if circuit is not None:
        return [(module, _as_scanned(plan, circuit.code))]
    if spot.fault == "sensor_or_actuator":
        return [(module, _as_scanned(plan, plan.kind(module).local[0]))]
    if spot.fault == "configuration":
        own = f"SPN {2000 + (plan.kind(module).address or 0)} FMI 13"
        return [(module, own if truck else _ended(plan, "U0300", "software"))]
    return []


def _local_codes(plan: Topology, heard: Silence, chance: Random) -> list[Entry]:
    stored = []
    for _ in range(chance.choice((1, 1, 2))):
        module = chance.choice(heard.readable or plan.modules)
        stored.append((module, _as_scanned(plan, chance.choice(plan.kind(module).local))))
    return stored


def _as_scanned(plan: Topology, code: str) -> str:
    return code if plan.platform.failure_type else code.partition("-")[0]
