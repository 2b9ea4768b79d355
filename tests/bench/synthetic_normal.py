"""Jobs on which nothing is wrong: what somebody read is as it should be, and was taken for a fault.

Common practice, no source: a network behind a gateway sleeps; the pair at the DLC is quiet until it is asked; ohms read
with the battery connected mean nothing; of a parted plug one side may hold both terminators; a rule of thumb is not a
limit. Each comes up as often as another (judged).
"""

from __future__ import annotations

from random import Random
from typing import Final

from synthetic_causes import Way
from synthetic_faults import Spot
from synthetic_topology import NetworkPlan, Topology

ASLEEP, QUIET = "asleep behind a gateway", "quiet until asked"
POWERED_OHMS, ONE_SIDE, RULE_OF_THUMB = "ohms with the battery connected", "both on one side", "rule of thumb"

_STATES: Final = {ASLEEP: "bus_asleep", QUIET: "bus_quiet"}
_EXPLAINED: Final = {
    ASLEEP: "this side sleeps until somebody asks for it",
    QUIET: "nothing moves until a tester asks",
    POWERED_OHMS: "the ohms were read with the battery on, off they are right",
    ONE_SIDE: "both 120 ohm sit on one side of that plug",
    RULE_OF_THUMB: "the numbers are usual for this build",
}
_ROWS: Final = {
    ASLEEP: ("volts high", "volts low", "ohms between"),
    QUIET: ("volts high", "volts low", "scope", "ohms between"),
    POWERED_OHMS: ("ohms between", "ohms high", "volts high", "volts low"),
    ONE_SIDE: ("ohms between", "volts high", "volts low"),
    RULE_OF_THUMB: ("ohms between", "volts high", "volts low", "ohms high"),
}
TOLD: Final = {
    ASLEEP: ("dead flat on that pair, so it was said", "somebody measured 0 V and ordered a loom"),
    QUIET: ("pair does nothing at the socket", "scope shows a straight line there"),
    POWERED_OHMS: ("meter wanders on the pair", "ohms jump about, somebody says replace the loom"),
    ONE_SIDE: ("120 is missing on one half of the plug, so they say", "one side of the plug reads open"),
    RULE_OF_THUMB: ("book on the web gives other numbers", "not exactly 60 and not 2.5, so it must be bad"),
}
"""What a customer or a colleague says of it."""

MISREADS: Final = tuple(_EXPLAINED)


def drawn_normal(plan: Topology, chance: Random) -> Spot:
    """Return what was misread on a sound vehicle of the platform."""
    misread = chance.choice([one for one in MISREADS if _networks_for(plan, one)])
    number = chance.choice(_networks_for(plan, misread))
    way = Way(1.0, _STATES.get(misread, "healthy"), "none", "none", (), ())
    network = plan.networks[number]
    index = chance.choice(_inner(network)) if misread == ONE_SIDE else 0
    return Spot("none", way, number, index, "", _EXPLAINED[misread], None, misread=misread)


def _networks_for(plan: Topology, misread: str) -> list[int]:
    if misread == ASLEEP:
        return [number for number, network in enumerate(plan.networks) if network.behind_gateway]
    if misread == ONE_SIDE:
        return [number for number, network in enumerate(plan.networks) if _inner(network)]
    if misread == QUIET:
        return [number for number, network in enumerate(plan.networks) if len(network.modules) == 1]
    return [number for number, network in enumerate(plan.networks) if len(network.modules) > 1]


def _inner(network: NetworkPlan) -> list[int]:
    """Return the modules without a terminator."""
    names = network.modules
    return [index for index, name in enumerate(names) if name not in (*network.host_names, network.gateway)]


def rows_read(misread: str, chance: Random) -> tuple[str, ...]:
    """Return what is measured on such a job: what was misread, and a little more."""
    rows = _ROWS[misread]
    return rows[: chance.randint(min(2, len(rows)), len(rows))] if chance.random() < 0.4 else rows
