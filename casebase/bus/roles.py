"""Which module of a record plays which role on the simulated buses.

The modules that hold the terminators are the ends; others take a role in the order in which readings name them.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final, Protocol

from casebase.bus.instruments import DLC, NOTHING
from casebase.bus.pair_draws import ROLES
from casebase.bus.who_answers import WhoAnswers
from casebase.record.modules import module_identity, modules_named_in
from casebase.record.reading import Reading, place_kind
from casebase.record.vocabulary import Into


@dataclass(frozen=True)
class BusUnderTest:
    """What is known of the network that the readings were taken on; `reached_at` is where it can be read at once."""

    terminators_in: tuple[str, ...] = ()
    modules: tuple[str, ...] = ()
    reached_at: str = "the DLC"
    who_answers: WhoAnswers | None = None


class Places(Protocol):
    """Where readings were taken, as simulated buses name it."""

    def of(self, name: str) -> str | None:
        """Return what a module is called there, None where it is none."""

    def unplugged(self, reading: Reading) -> str | None:
        """Return what was off for a reading as one key, `nothing`, or None where that is not known."""

    def place(self, reading: Reading) -> str:
        """Return the place of the leads."""


@dataclass(frozen=True)
class Roles:
    """Roles by module identity, and the names that people gave them."""

    by_module: dict[str, str]
    names: dict[str, str]
    reached_at: str = "the DLC"

    def of(self, name: str) -> str | None:
        """Return the role of a module, None where none was free."""
        return self.by_module.get(module_identity(name))

    def unplugged(self, reading: Reading) -> str | None:
        """Return the roles unplugged for a reading as one key, `nothing`, or None where one has no role."""
        roles = [self.of(name) for name in reading.unplugged or ()]
        if reading.into is Into.HARNESS and (at_plug := self.by_module.get(_module_at(reading) or "")):
            roles.append(at_plug)
        if None in roles:
            return None
        return "+".join(sorted({role for role in roles if role})) or NOTHING

    def place(self, reading: Reading) -> str:
        """Return the place of the leads: the DLC, or a role's connector; a splice is taken as the trunk."""
        if place_kind(reading.at) == "DLC":
            return DLC
        named = _module_at(reading)
        role = self.by_module.get(named) if named else None
        return role or DLC

    def called(self, role: str) -> str:
        """Return what a role is called on this vehicle."""
        return self.names.get(role) or _UNNAMED[role]


_UNNAMED: Final = {
    "terminator A": "the module with one terminator",
    "terminator B": "the module with the other terminator",
    "commander": "the commander",
    "module 1": "a module",
    "module 2": "another module",
    "module 3": "a third module",
}
HOLDS_TERMINATOR: Final = 0.25
"""Chance that a module holds a terminator where nobody says: two of about eight modules do."""

_ON_THE_WAY: Final = re.compile(r"\b(pillar|in-?line|bulkhead|coupling|intermediate)\b", re.IGNORECASE)


def roles_for(bus: BusUnderTest, readings: Sequence[Reading], unpluggable: Sequence[str] = ROLES) -> Roles:
    """Return the roles of the modules that matter: those at the ends, those that readings name, then the others.

    `unpluggable` are the roles that the medium's simulated buses have.
    """
    ends = [role for role in unpluggable if not role.startswith("module")]
    inner = [role for role in unpluggable if role.startswith("module")]
    by_module: dict[str, str] = {}
    names: dict[str, str] = {}
    held = bus.terminators_in if ends else ()
    for name in (*held, *_named_in(readings), *bus.modules):
        identity = module_identity(name)
        free = ends if name in held and ends else inner
        if identity not in by_module and free:
            role = free.pop(0)
            by_module[identity] = role
            names[role] = name
    return Roles(by_module, names, bus.reached_at)


def ways_to_hold(bus: BusUnderTest, readings: Sequence[Reading]) -> list[tuple[BusUnderTest, float]]:
    """Return (what may be known of the bus, how likely) where nobody says which modules hold the terminators.

    A module that was unplugged may have taken its terminator along: both are tried, and the readings decide.
    """
    named = list(dict.fromkeys(name for reading in readings for name in reading.unplugged or ()))[:3]
    if bus.terminators_in or not named:
        return [(bus, 1.0)]
    ways = [(bus, (1 - HOLDS_TERMINATOR) ** len(named))]
    for many in (1, 2):
        for holders in combinations(named, many):
            chance = HOLDS_TERMINATOR**many * (1 - HOLDS_TERMINATOR) ** (len(named) - many)
            ways.append((replace(bus, terminators_in=holders), chance))
    return ways


def _named_in(readings: Sequence[Reading]) -> list[str]:
    unplugged = [
        name for reading in readings for name in (*(reading.unplugged or ()), *(reading.swapped or ()))
    ]
    return unplugged + [named for reading in readings if (named := _module_at(reading))]


def _module_at(reading: Reading) -> str | None:
    """Return the identity of the module at whose own connector a reading was taken."""
    if place_kind(reading.at) != "connector" or _ON_THE_WAY.search(reading.at):
        return None
    found = modules_named_in(reading.at, strict=False)
    return found[0].key if found else None
