"""What a technician decides to measure on one vehicle, before anything is solved, and what gets unplugged.

Judged: 22 % take no reading, 20 % one, 38 % two to four, 20 % five or six; beside them a third unplug something,
half of whom write numbers and the others `unchanged` or `back to normal`; the right module is suspected in 60 % of
the cases. The feed of a silent module is measured in 60 % of the jobs with readings and 30 % of the others, of a module
beyond a cut in 20 %, elsewhere in 12 %.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from random import Random
from typing import Final

from ngspice_bus import SpiceBus
from synthetic_buses import unplugged, without_device
from synthetic_faults import Spot
from synthetic_fleet import picked
from synthetic_normal import ONE_SIDE, rows_read
from synthetic_topology import NetworkPlan

HOW_MANY: Final = ((0, 0.22), (1, 0.20), (3, 0.38), (6, 0.20))
ISOLATES: Final = {0: 0.05, 1: 0.15, 3: 0.40, 6: 0.65}
SUSPECTS_RIGHTLY: Final = 0.6
IN_NUMBERS: Final = 0.5
LOOKS_AT_FEED: Final = {"one": 0.6, "all but one": 0.4, "far": 0.2}
LOOKS_AT_ANY_FEED: Final = 0.12
LOOKS_WITHOUT_READINGS: Final = 0.5
"""How much less often where nothing is read on the lines."""

LOOKS_AT_LOW_SUPPLY: Final = 0.5
MEASURES_AFTERWARDS: Final = 0.35

_ROWS: Final = (
    ("ohms between", 4.0),
    ("volts high", 3.0),
    ("volts low", 2.5),
    ("ohms high", 1.2),
    ("ohms low", 1.2),
    ("scope", 1.0),
)


@dataclass(frozen=True)
class Visit:
    """What is measured. `rows`: at the DLC, or where people measure behind the gateway.

    `suspect`: the index of the module unplugged last; `innocents`: those unplugged before it. `in_numbers`: whether
    readings with the suspect off are written as numbers. `feed_of`: the module whose supply and ground are looked at.
    `afterwards`: whether something is measured after the repair.
    """

    rows: tuple[str, ...]
    suspect: int | None = None
    innocents: tuple[int, ...] = ()
    takes_device_off: bool = False
    in_numbers: bool = False
    feed_of: int | None = None
    afterwards: bool = False

    @property
    def measures(self) -> bool:
        """Whether anything is read on the lines."""
        return bool(self.rows) or self.suspect is not None or self.takes_device_off


def drawn_visit(network: NetworkPlan, spot: Spot | None, chance: Random) -> Visit:
    """Return what somebody measures on a vehicle with this fault; without one, a known good vehicle."""
    many = picked(HOW_MANY, chance) if spot else chance.choice((3, 3, 6))
    rows = _rows(chance.choice({0: (0,), 1: (1,), 3: (2, 3, 4), 6: (5, 6)}[many]), chance)
    if spot is None:
        return Visit(rows)
    if spot.misread:
        parted = spot.index if spot.misread == ONE_SIDE else None
        return Visit(rows_read(spot.misread, chance), suspect=parted, in_numbers=parted is not None)
    visit = Visit(
        rows,
        feed_of=_feed_looked_at(network, spot, bool(many), chance),
        afterwards=chance.random() < MEASURES_AFTERWARDS,
    )
    if chance.random() < ISOLATES[many] and _has_something_to_unplug(network, spot):
        return _isolating(visit, network, spot, chance)
    return visit


def _has_something_to_unplug(network: NetworkPlan, spot: Spot) -> bool:
    """Return whether unplugging modules makes sense: not where nobody talks, nor between DLC and gateway."""
    return len(network.modules) > 1 and spot.way.state not in ("bus_quiet", "bus_asleep", "one_awake_alone")


def _feed_looked_at(network: NetworkPlan, spot: Spot, reads: bool, chance: Random) -> int | None:
    if spot.fault == "low_system_voltage":
        return 0 if chance.random() < LOOKS_AT_LOW_SUPPLY else None
    share = LOOKS_AT_FEED.get(spot.way.effect, LOOKS_AT_ANY_FEED)
    if chance.random() >= share * (1.0 if reads else LOOKS_WITHOUT_READINGS):
        return None
    if spot.way.effect in ("far", "all but one"):
        others = [index for index in range(len(network.modules)) if index != spot.index]
        return chance.choice(others)
    guilty = _guilty(spot)
    return guilty if guilty is not None else chance.randrange(len(network.modules))


def _rows(many: int, chance: Random) -> tuple[str, ...]:
    left, rows = dict(_ROWS), []
    while len(rows) < many:
        row = picked(tuple(left.items()), chance)
        del left[row]
        rows.append(row)
    return tuple(sorted(rows, key=[row for row, _ in _ROWS].index))


def _isolating(visit: Visit, network: NetworkPlan, spot: Spot, chance: Random) -> Visit:
    others = [index for index, name in enumerate(network.modules) if name != network.gateway]
    guilty = _guilty(spot)
    rightly = chance.random() < SUSPECTS_RIGHTLY
    innocents = [index for index in others if index != guilty]
    chance.shuffle(innocents)
    if spot.device and rightly:
        return replace(visit, takes_device_off=True, innocents=tuple(innocents[: chance.randint(0, 1)]))
    suspect = guilty if guilty is not None and rightly else innocents.pop()
    in_numbers = chance.random() < IN_NUMBERS or not visit.rows
    before = tuple(innocents[: chance.choice((0, 0, 1, 2))])
    return replace(visit, suspect=suspect, innocents=before, in_numbers=in_numbers)


def _guilty(spot: Spot) -> int | None:
    """Return the index of the module whose plug tells: the one at fault."""
    by_index = spot.way.reach in ("inside", "branch") or spot.way.effect in ("one", "data", "local")
    return spot.index if by_index else None


def is_cured_without(spot: Spot, index: int) -> bool:
    """Return whether the lines are right again with the module `index` unplugged."""
    return spot.way.reach == "inside" and spot.index == index


def bus_in_isolation(visit: Visit, bus: SpiceBus, chance: Random) -> SpiceBus | None:
    """Return the bus with the suspect unplugged or the device off, where numbers are written of it."""
    if visit.takes_device_off:
        return without_device(bus, chance)
    if visit.suspect is None or not visit.in_numbers:
        return None
    return unplugged(bus, visit.suspect, chance)
