"""What holds of every bus: which media share their levels, and how the wires look with a fault."""

from __future__ import annotations

from typing import Final

from casebase.record.vocabulary import BusState

SAME_PHYSICS: Final = {
    frozenset(("high-speed CAN", "J1939")): 0.7,
    frozenset(("high-speed CAN", "CAN FD")): 0.9,
    frozenset(("CAN FD", "J1939")): 0.7,
}
"""J1939 has the levels of ISO 11898-2, on other vehicles and at another rate; CAN FD differs within frames alone."""


SAME_PHYSICS_FROM: Final = 0.5
"""Likeness of two media from which a reading on one says something of the other."""

OTHER_MEDIUM: Final = 0.05


def medium_likeness(ours: str, theirs: str) -> float:
    """Return how alike two media are, 0..1.

    >>> medium_likeness("high-speed CAN", "J1939"), medium_likeness("LIN", "FlexRay")
    (0.7, 0.05)
    """
    return 1.0 if ours == theirs else SAME_PHYSICS.get(frozenset((ours, theirs)), OTHER_MEDIUM)


LOOKS_HEALTHY_SHARE: Final = 0.20
"""Chance that a fault looks healthy from where the leads are: it may sit on a branch (judged)."""


STATES: Final = {str(state): state for state in BusState}


LOOKS_LIKE: Final = {
    "module_supply_or_ground": str(BusState.HEALTHY),
    "configuration": str(BusState.HEALTHY),
    "none": str(BusState.HEALTHY),
    "gateway_isolation_normal": str(BusState.BUS_QUIET),
}
"""Causes that leave the wires as they should be; water, corrosion and added devices may do anything to them."""


SOUND: Final = tuple(str(state) for state in (BusState.HEALTHY, BusState.BUS_QUIET, BusState.BUS_ASLEEP))
"""States in which the wires are as they should be."""


def state_of(fault: str) -> str | None:
    """Return the bus state that goes with a fault, None where it may do anything to the wires.

    >>> state_of("module_supply_or_ground"), state_of("water_in_module")
    ('healthy', None)
    """
    state = LOOKS_LIKE.get(fault, fault)
    return state if state in STATES else None


def is_sound_cause(fault: str) -> bool:
    """Return whether a fault leaves the wires of the network as they should be."""
    return state_of(fault) in SOUND
