"""How a network looks, as bus states, on a vehicle with the same cause as a past case.

A cause that is a bus state looks like it, or like a sound network where it sits on a branch. One that leaves the wires
alone looks sound. One that may do anything to them looks as it did in its own case.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from casebase.match.meaning_facet import LOOKS_HEALTHY_SHARE, LOOKS_LIKE, STATES
from casebase.match.profile import Profile
from casebase.record.vocabulary import BusState

SOUND: Final = tuple(str(state) for state in (BusState.HEALTHY, BusState.BUS_QUIET, BusState.BUS_ASLEEP))
"""States in which the wires are as they should be."""

SOUND_TO_LOOK_AT: Final[Mapping[str, float]] = {SOUND[0]: 0.5, SOUND[1]: 0.5}
"""A network on which nothing is wrong, or nothing that shows from where the leads are (judged)."""

OWN_SHARE: Final = 0.1
"""How much the readings of its own case say beside a cause that is a bus state or leaves the wires alone (judged)."""

OWN_SHARE_ALONE: Final = 0.7
"""How much they say where nothing else tells how the cause looks (judged)."""

SLIP: Final = 0.01
"""Chance that a cause was mistaken, so that anything may be read (judged)."""

ANYTHING: Final[Mapping[str, float]] = dict.fromkeys(STATES, 1.0 / len(STATES))

_SOUND_CAUSES: Final[Mapping[str, Mapping[str, float]]] = {
    SOUND[0]: {SOUND[0]: 0.8, SOUND[1]: 0.2},
    SOUND[1]: {SOUND[0]: 0.1, SOUND[1]: 0.9},
    SOUND[2]: {SOUND[1]: 0.2, SOUND[2]: 0.8},
}
"""A network that should be healthy, quiet or asleep: who reads it may have woken it or not (judged)."""


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


def looks_of(past: Profile, medium: str) -> dict[str, float]:
    """Return the probability of each bus state on a network of `medium`, given the cause of a past case."""
    state = state_of(past.fault or "")
    own = past.meaning.get(medium)
    if state is None:
        share = OWN_SHARE_ALONE if own else 0.0
        return _mixed((share, own or ANYTHING), (1.0 - share, ANYTHING))
    typical = _SOUND_CAUSES.get(state, {state: 1.0})
    branch = 0.0 if state in SOUND else LOOKS_HEALTHY_SHARE
    rest = 1.0 - branch - OWN_SHARE - SLIP
    return _mixed((rest, typical), (OWN_SHARE, own or typical), (branch, SOUND_TO_LOOK_AT), (SLIP, ANYTHING))


def _mixed(*parts: tuple[float, Mapping[str, float]]) -> dict[str, float]:
    mixed = dict.fromkeys(STATES, 0.0)
    for share, looks in parts:
        whole = sum(looks.values())
        for state, probability in looks.items():
            mixed[state] += share * probability / whole
    return mixed
