"""Local faults: one circuit at a module, on a network that is sound, lights several lamps and makes others complain.

Which lamps follow from one circuit is common practice, no source; the numbers of the codes (SAE J2012, SAE J1939-73)
are from memory. Judged: four in five are the sensor or its circuit, the others its feed; half are weak spots of the
platform. Behind a gateway, half of the people measure at the DLC, which is quiet until a tester asks.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from random import Random
from typing import Final

from synthetic_causes import Way, Weighted
from synthetic_faults import WEAK_SHARE, Spot, placed
from synthetic_topology import Topology

WEAK_LOCALS: Final = 3
SENSOR_SHARE: Final = 0.8

_SENSOR_PLACES: Final = (("connector", 0.6), ("harness", 0.4))
_FEED_PLACES: Final = (("fuse", 0.3), ("harness", 0.4), ("connector", 0.3))
_WORN: Final = (("age", 3.0), ("water", 2.0), ("chafing", 2.0))


@dataclass(frozen=True)
class Circuit:
    """One circuit of a module: what hangs on it, the code of its own, the lamps it lights, what is seen."""

    module: str
    part: str
    code: str
    lamps: tuple[str, ...]
    symptoms: tuple[str, ...]


_ABS, _ESC = "anti-lock brake system", "electronic stability control"

CAR_CIRCUITS: Final = (
    Circuit(
        "anti-lock brakes",
        "left front wheel speed pick-up",
        "C0035-13",
        (_ABS, _ESC, "parking brake", "general warning"),
        ("ABS, skid and hill lamps all on", "cruise refuses, several messages one after the other"),
    ),
    Circuit(
        "anti-lock brakes",
        "right rear wheel speed pick-up",
        "C0050-1F",
        (_ABS, _ESC, "steering", "transmission failure"),
        ("half the dash lit above walking pace", "gearbox and skid messages after the first corner"),
    ),
    Circuit(
        "anti-lock brakes",
        "yaw pick-up",
        "C0063-01",
        (_ESC, _ABS, "lane keeping", "distance control"),
        ("lane and distance aids off, skid lamp on", "every driver aid says unavailable"),
    ),
    Circuit(
        "brake booster",
        "pedal travel pick-up",
        "C12C4-49",
        ("brake failure", _ESC, _ABS),
        ("red brake message and the aids off", "pedal feels long, three lamps on"),
    ),
    Circuit(
        "engine control",
        "accelerator pedal pick-up",
        "P2138",
        ("engine", _ESC, "distance control", "transmission failure"),
        ("limp mode with skid lamp and no cruise", "no pull, four lamps at once"),
    ),
    Circuit(
        "engine control",
        "brake light switch",
        "P0504",
        ("engine", _ESC, "distance control"),
        ("cruise won't set, skid and engine lamps on", "start by button only now and then, lamps on"),
    ),
    Circuit(
        "power steering",
        "torque pick-up",
        "C0545-07",
        ("steering", _ESC, "lane keeping", "parking aid"),
        ("heavy wheel, lane and parking aids off", "steering, skid and lane messages together"),
    ),
    Circuit(
        "steering angle sensor",
        "angle track",
        "C0460-54",
        (_ESC, "lane keeping", "steering"),
        ("skid and lane lamps after every turn", "aids off until it is driven straight"),
    ),
    Circuit(
        "restraints",
        "driver's belt buckle switch",
        "B0050-13",
        ("airbag", "seat belt", "general warning"),
        ("belt chime and airbag lamp", "chimes at random, two lamps on"),
    ),
)
TRUCK_CIRCUITS: Final = (
    Circuit(
        "electronic braking",
        "front left wheel speed pick-up",
        "SPN 789 FMI 5",
        (_ABS, _ESC, "brake failure"),
        ("brake and skid lamps on above 20", "retarder cut out with the ABS lamp"),
    ),
    Circuit(
        "engine control",
        "accelerator pedal pick-up",
        "SPN 91 FMI 3",
        ("engine", "general warning", "transmission failure"),
        ("no pedal, gearbox complains too", "idles only, two lamps"),
    ),
)


def circuits_of(plan: Topology) -> tuple[Circuit, ...]:
    """Return the circuits that a platform has."""
    known = TRUCK_CIRCUITS if plan.platform.layout == "truck" else CAR_CIRCUITS
    return tuple(circuit for circuit in known if circuit.module in plan.modules)


def circuit_of(spot: Spot) -> Circuit | None:
    """Return the circuit that failed, where the fault is a local one."""
    known = (*CAR_CIRCUITS, *TRUCK_CIRCUITS)
    return next((circuit for circuit in known if circuit.part == spot.part), None)


def drawn_local(plan: Topology, chance: Random) -> Spot:
    """Return the local fault that one vehicle of the platform suffers from."""
    return chance.choice(_weak(plan)) if chance.random() < WEAK_SHARE else _any(plan, chance)


@cache
def _weak(plan: Topology) -> tuple[Spot, ...]:
    chance = Random(f"weak circuits {plan.platform.name}")
    return tuple(_any(plan, chance) for _ in range(WEAK_LOCALS))


def _any(plan: Topology, chance: Random) -> Spot:
    circuit = chance.choice(circuits_of(plan))
    sensor = chance.random() < SENSOR_SHARE
    places: Weighted = _SENSOR_PLACES if sensor else _FEED_PLACES
    way = Way(1.0, "healthy", "none", "local", places, _WORN)
    network = plan.networks.index(plan.network_of(circuit.module))
    hit = network, plan.networks[network].modules.index(circuit.module)
    fault = "sensor_or_actuator" if sensor else "module_supply_or_ground"
    return placed(plan, fault, way, hit, chance, circuit.part)
