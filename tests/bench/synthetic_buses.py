"""The electrical side: a bus for every vehicle, drawn by `tests/outside/ngspice_sampler.py` and solved by ngspice.

Of the sampler's buses the first is taken that has as many modules as the network and whose fault sits where the
record says; the place of the meter's stub is altered, and in a third of the shorts and opens the ohms. Faults that the
sampler does not know are put into its healthy buses (`synthetic_newer_states`). What ngspice finds is kept bus by bus
in the folder for temporary files.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import sqlite3
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Final, TypeVar

OUTSIDE: Final = Path(__file__).parents[1] / "outside"
if str(OUTSIDE) not in sys.path:
    sys.path.insert(0, str(OUTSIDE))

import ngspice_bus  # noqa: E402
import ngspice_run  # noqa: E402
from ngspice_bus import SpiceBus  # noqa: E402
from ngspice_run import Solved  # noqa: E402
from ngspice_sampler import TRAFFIC, drawn_bus  # noqa: E402
from synthetic_faults import Spot  # noqa: E402
from synthetic_newer_states import (  # noqa: E402
    NEWER_STATES,
    WIDE_SHARE,
    is_stopped_by_nothing,
    widened,
    with_newer_state,
)
from synthetic_topology import NetworkPlan  # noqa: E402

Thing = TypeVar("Thing")

AT_ONCE: Final = 300
"""Buses in one process of ngspice."""

MOST_ATTEMPTS: Final = 200_000
PARTED_OHMS: Final = 1000.0
"""A wire of more has parted; the sampler's corroded ones begin at 2 kohm."""

TRUCK_BATTERIES: Final = 2
"""Two 12 V batteries in a row in every vehicle of J1939 (common practice, no source)."""

_BRANCH_SHARE: Final = {"branch": 1.0, "stub": 1.0}
_MODULES: Final = (4, 14)
"""Fewest and most modules of the sampler's buses."""

Found = tuple[str, int]


def sleeping_bus(network: NetworkPlan, seed: str) -> SpiceBus:
    """Return the sound bus of one vehicle, asleep."""
    return replace(bus_for(network, None, seed), state="bus_asleep")


def bus_for(network: NetworkPlan, spot: Spot | None, seed: str) -> SpiceBus:
    """Return the bus of one vehicle with its fault, or without one.

    A network of one module is that between DLC and gateway: healthy, it is quiet until a tester asks.
    """
    if spot and spot.way.state in NEWER_STATES:
        healthy = bus_for(network, None, f"before the fault {seed}")
        return with_newer_state(healthy, spot, Random(f"amount {seed}"))
    bus = _found_bus(network, spot, seed)
    chance = Random(f"wider {seed}")
    if spot is None or chance.random() >= WIDE_SHARE:
        return bus
    wide = widened(bus, chance)
    return replace(wide, shares=_shares_of_traffic(wide, chance)) if is_stopped_by_nothing(wide) else wide


def _found_bus(network: NetworkPlan, spot: Spot | None, seed: str) -> SpiceBus:
    """Return the first of the sampler's buses that suits."""
    modules = len(network.modules)
    state = spot.way.state if spot else "bus_quiet" if modules == 1 else "healthy"
    share = _BRANCH_SHARE.get(spot.way.reach, 0.0) if spot else 0.0
    for attempt in range(MOST_ATTEMPTS):
        name = f"{seed} {attempt}"
        # The sampler draws the number of modules first: asking for it alone is cheap.
        if modules > 1 and Random(f"{state} {name}").randint(*_MODULES) != modules:
            continue
        bus = drawn_bus(state, name, share)
        if modules == 1 or _fits(bus, spot, modules):
            return _as_in_the_fleet(bus, network)
    raise RuntimeError(f"no bus of {modules} modules found for {spot} among {MOST_ATTEMPTS} draws")


def _fits(bus: SpiceBus, spot: Spot | None, modules: int) -> bool:
    """Return whether a bus has as many modules as the network, and its fault where the record says."""
    if spot is None or len(bus.branches) != modules:
        return len(bus.branches) == modules
    reach, index = _where(bus)
    wanted = spot.way.reach
    if wanted == "none":
        return True
    if wanted == "branch" and not any(bus.shares):
        return False  # a module cut off by itself does not stop the others
    if wanted == "trunk" and spot.way.effect != "far":
        return reach == "trunk"
    if wanted == "end" and spot.fault == "both_terminators_missing":
        return reach == "end"
    return (reach, index) == (wanted, 0 if wanted == "stub" else spot.index)


def _where(bus: SpiceBus) -> Found:
    """Return the part of the bus that its fault sits in, and which."""
    for bridge in bus.bridges:
        return ("trunk", bridge.place) if bridge.branch is None else ("inside", bridge.branch)
    for joint, wires in enumerate(zip(bus.wires_high, bus.wires_low, strict=True)):
        if max(wires) > PARTED_OHMS:
            return "trunk", joint
    for index, branch in enumerate(bus.branches):
        if max(branch.ohms_high, branch.ohms_low) > PARTED_OHMS:
            return "branch", index
        if branch.module and branch.module.stuck:
            return "inside", index
    return _where_at_the_ends(bus)


def _where_at_the_ends(bus: SpiceBus) -> Found:
    if max(bus.dlc.ohms_high, bus.dlc.ohms_low) > PARTED_OHMS:
        return "stub", 0
    for index in (0, len(bus.branches) - 1):
        module = bus.branches[index].module
        if module and module.terminator_ohms is None:
            return "end", index
    return "none", 0


def _as_in_the_fleet(bus: SpiceBus, network: NetworkPlan) -> SpiceBus:
    """Put the meter's stub where it is on this network, and two batteries into a truck."""
    volts = bus.battery_volts * (TRUCK_BATTERIES if network.medium == "J1939" else 1)
    if len(network.modules) == 1:
        return replace(bus, battery_volts=volts)
    branches = tuple(replace(branch, place=network.place(i)) for i, branch in enumerate(bus.branches))
    dlc = replace(bus.dlc, place=network.dlc_place)
    return replace(bus, branches=branches, dlc=dlc, battery_volts=volts)


def unplugged(bus: SpiceBus, index: int, chance: Random) -> SpiceBus:
    """Return the bus with the module `index` unplugged, probed there; one that it had stopped talks again."""
    was_guilty = _where(bus) == ("inside", index)
    left = replace(bus.without(index), probed=index)
    return _talking_again(left, chance) if was_guilty else left


def without_device(bus: SpiceBus, chance: Random) -> SpiceBus:
    """Return the bus with an added device taken off, and what it did to the lines with it."""
    return _talking_again(replace(bus, bridges=()), chance) if bus.bridges else bus


def _talking_again(bus: SpiceBus, chance: Random) -> SpiceBus:
    return replace(
        bus, state="healthy", shares=bus.shares if any(bus.shares) else _shares_of_traffic(bus, chance)
    )


def _shares_of_traffic(bus: SpiceBus, chance: Random) -> tuple[float, ...]:
    parts = [chance.gammavariate(0.7, 1.0) + 1e-6 for _ in bus.senders]
    total = chance.triangular(*TRAFFIC)
    return tuple(total * part / sum(parts) for part in parts)


def all_solved(buses: Sequence[SpiceBus]) -> list[Solved]:
    """Return what ngspice finds on every bus, each in a circuit of its own so that none depends on its neighbours."""
    sources = [Path(module.__file__ or "") for module in (ngspice_bus, ngspice_run)]
    path = Path(tempfile.gettempdir()) / f"synthetic-buses-{_digest(sources)}.sqlite3"
    with closing(sqlite3.connect(path, timeout=600)) as db, db:
        db.execute("CREATE TABLE IF NOT EXISTS solved(bus TEXT PRIMARY KEY, found BLOB NOT NULL)")
        known = {name for (name,) in db.execute("SELECT bus FROM solved")}
    left = [bus for bus in dict.fromkeys(buses) if _name_of(bus) not in known]
    for start in range(0, len(left), AT_ONCE):
        some = left[start : start + AT_ONCE]
        rows = [
            (_name_of(bus), pickle.dumps(one))
            for bus, one in zip(some, ngspice_run.solved(some, at_once=1), strict=True)
        ]
        with closing(sqlite3.connect(path, timeout=600)) as db, db:
            db.executemany("INSERT OR IGNORE INTO solved VALUES (?, ?)", rows)
    return list(_kept_solved(path, buses))


def _kept_solved(path: Path, buses: Sequence[SpiceBus]) -> Iterator[Solved]:
    """Yield what is kept of those buses that have been solved."""
    with closing(sqlite3.connect(path, timeout=600)) as db:
        for bus in buses:
            for (found,) in db.execute("SELECT found FROM solved WHERE bus = ?", (_name_of(bus),)):
                yield pickle.loads(found)


def _name_of(bus: SpiceBus) -> str:
    return hashlib.sha256(repr(bus).encode()).hexdigest()


def _digest(sources: Sequence[Path], key: str = "") -> str:
    content = b"".join(source.read_bytes() for source in sources) + key.encode()
    return hashlib.sha256(content).hexdigest()[:16]


def kept(name: str, sources: Sequence[Path], key: str, make: Callable[[], Thing]) -> Thing:
    """Return what `make` gives; kept in the folder for temporary files for as long as sources and key stay the same."""
    path = Path(tempfile.gettempdir()) / f"{name}-{_digest(sources, key)}"
    if path.exists():
        found: Thing = pickle.loads(path.read_bytes())
        return found
    made = make()
    unfinished = path.with_name(f"{path.name}-{os.getpid()}")
    unfinished.write_bytes(pickle.dumps(made))
    unfinished.replace(path)
    return made
