"""Which module of a record plays which role on the simulated buses.

The modules that hold the terminators are the ends; others take a role in the order in which readings name them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from casebase.bus.observe import DLC, NOTHING
from casebase.bus.pair_draws import ROLES
from casebase.record.modules import module_identity, modules_named_in
from casebase.record.reading import Reading, place_kind


@dataclass(frozen=True)
class BusUnderTest:
    """What is known of the network that the readings were taken on."""

    terminators_in: tuple[str, ...] = ()
    modules: tuple[str, ...] = ()


@dataclass(frozen=True)
class Roles:
    """Roles by module identity, and the names that people gave them."""

    by_module: dict[str, str]
    names: dict[str, str]

    def of(self, name: str) -> str | None:
        """Return the role of a module, None where none was free."""
        return self.by_module.get(module_identity(name))

    def unplugged(self, reading: Reading) -> str | None:
        """Return the roles unplugged for a reading as one key, `nothing`, or None where one has no role."""
        roles = [self.of(name) for name in reading.unplugged or ()]
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


_UNNAMED = {
    "terminator A": "the module with one terminator",
    "terminator B": "the module with the other terminator",
    "module 1": "a module",
    "module 2": "another module",
    "module 3": "a third module",
}


def roles_for(bus: BusUnderTest, readings: Sequence[Reading], suspects: Sequence[str] = ()) -> Roles:
    """Return the roles of the modules that matter: terminators, those that readings name, then `suspects`."""
    by_module: dict[str, str] = {}
    names: dict[str, str] = {}
    for role, name in zip(ROLES, bus.terminators_in, strict=False):
        if role.startswith("terminator"):
            by_module.setdefault(module_identity(name), role)
            names.setdefault(role, name)
    free = [role for role in ROLES if role not in names and not (role.startswith("terminator") and not names)]
    inner = [role for role in free if role.startswith("module")]
    for name in (*_named_in(readings), *suspects, *bus.modules):
        identity = module_identity(name)
        if identity not in by_module and inner:
            role = inner.pop(0)
            by_module[identity] = role
            names[role] = name
    return Roles(by_module, names)


def _named_in(readings: Sequence[Reading]) -> list[str]:
    unplugged = [name for reading in readings for name in reading.unplugged or ()]
    return unplugged + [named for reading in readings if (named := _module_at(reading))]


def _module_at(reading: Reading) -> str | None:
    """Return the identity of the module at whose connector a reading was taken."""
    if place_kind(reading.at) != "connector":
        return None
    found = modules_named_in(reading.at, strict=False)
    return found[0].key if found else None
