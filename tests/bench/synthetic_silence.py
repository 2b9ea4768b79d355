"""Which modules fall silent: it follows from where the fault sits, how the platform is wired, and the traffic.

A bus that ngspice's sampler left without traffic takes all its modules along; one that still runs loses two at
times, always the same two of a network. Shares of `no` against `intermittent` are judged.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from random import Random
from typing import Final

from ngspice_bus import SpiceBus
from synthetic_faults import Spot
from synthetic_topology import NetworkPlan, Topology

ONE_AT_TIMES: Final = 0.2
"""How often a single silent module answers at times."""

FAR_AT_TIMES: Final = 0.3
"""How often modules beyond a cut in one line still answer at times."""

STILL_CONDUCTS: Final = ("poor_joint", "ground_offset")
STILL_CONDUCTS_AT_TIMES: Final = 0.8
"""How often what a poor joint or a lifted ground cuts off answers at times."""

READ_LATER: Final = 0.75
"""How often the codes of a bus that stood still are read once the culprit is off."""

YES, NO, AT_TIMES = "yes", "no", "intermittent"


@dataclass(frozen=True)
class Silence:
    """Who answers the tester, whose messages others miss, whose data they refuse, and whose codes can be read."""

    answers: dict[str, str]
    missed: tuple[str, ...] = ()
    refused: tuple[str, ...] = ()
    disturbed: bool = False
    readable: tuple[str, ...] = ()

    @property
    def affected(self) -> tuple[str, ...]:
        """The modules in trouble, as a technician sees it."""
        silent = tuple(name for name, answer in self.answers.items() if answer != YES)
        return silent or self.missed or self.refused

    def refusing(self, module: str) -> Silence:
        """Return the same with the data of one more module refused."""
        return replace(self, refused=tuple(dict.fromkeys((*self.refused, module))))


def silence(plan: Topology, spot: Spot, bus: SpiceBus, chance: Random) -> Silence:
    """Return what the fault does to the talk of the modules."""
    found = _silenced(plan, spot, bus, chance)
    later = any(answer == NO for answer in found.answers.values()) and found.disturbed
    all_read = later and chance.random() < READ_LATER
    readable = tuple(name for name in plan.modules if all_read or found.answers[name] != NO)
    return Silence(found.answers, found.missed, found.refused, found.disturbed, readable)


def _silenced(plan: Topology, spot: Spot, bus: SpiceBus, chance: Random) -> Silence:
    network = plan.networks[spot.network]
    effect = spot.way.effect
    everybody = tuple(name for name in network.modules if name != network.gateway)
    if effect in ("bus", "far") and not any(bus.shares):
        return _with(plan, dict.fromkeys(everybody, NO), everybody, disturbed=True)
    if effect == "far":
        return _beyond_the_cut(plan, spot, chance)
    if effect in ("bus", "some"):
        some = _weakest(plan, network)
        return _with(plan, dict.fromkeys(some, AT_TIMES), some, disturbed=True)
    if effect == "nobody answers":
        return _nobody_answers(plan, network, everybody, AT_TIMES if spot.way.state == "poor_joint" else NO)
    if effect == "all but one":
        others = tuple(name for name in everybody if name != network.modules[spot.index])
        return _with(plan, dict.fromkeys(others, NO), others)
    return _single(plan, spot, chance)


def _single(plan: Topology, spot: Spot, chance: Random) -> Silence:
    """One module is silent, or its data are refused, or nothing is amiss with anybody."""
    module = plan.networks[spot.network].modules[spot.index]
    if spot.way.effect == "one":
        share = STILL_CONDUCTS_AT_TIMES if spot.way.state in STILL_CONDUCTS else ONE_AT_TIMES
        return _with(plan, {module: AT_TIMES if chance.random() < share else NO}, (module,))
    refused = (module,) if spot.way.effect in ("data", "local") else ()
    return Silence(dict.fromkeys(plan.modules, YES), refused=refused)


def _beyond_the_cut(plan: Topology, spot: Spot, chance: Random) -> Silence:
    gone = plan.networks[spot.network].beyond(spot.index)
    share = STILL_CONDUCTS_AT_TIMES if spot.way.state in STILL_CONDUCTS else FAR_AT_TIMES
    at_times = spot.way.state != "both_open" and chance.random() < share
    return _with(plan, dict.fromkeys(gone, AT_TIMES if at_times else NO), gone)


def _with(
    plan: Topology, answers: dict[str, str], missed: tuple[str, ...], disturbed: bool = False
) -> Silence:
    return Silence({**dict.fromkeys(plan.modules, YES), **answers}, missed, disturbed=disturbed)


def _nobody_answers(plan: Topology, network: NetworkPlan, everybody: tuple[str, ...], answer: str) -> Silence:
    """A network behind a gateway is missed by it; at the DLC's own network the tester finds nobody at all."""
    if network.behind_gateway:
        return _with(plan, dict.fromkeys(everybody, answer), everybody)
    return Silence(dict.fromkeys(plan.modules, answer))


def _weakest(plan: Topology, network: NetworkPlan) -> tuple[str, ...]:
    """Return the two modules that a disturbed network loses first, the same in every vehicle of the platform."""
    names = [name for name in network.modules if name != network.gateway]
    return tuple(Random(f"weakest {plan.platform.name} {network.name}").sample(names, 2))
