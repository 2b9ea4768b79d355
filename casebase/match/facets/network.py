"""Facet `network`: medium, bit rate, behind a gateway or not; and what holds of every bus: levels, looks of wires."""

from __future__ import annotations

from dataclasses import fields
from typing import Final

import numpy as np

from casebase.match.facets.arrays import Atom, Graded, Ragged, ToRows, nobody_known
from casebase.match.facets.base import UNKNOWN, Compared, Rarity, SetPart, joined
from casebase.match.profile import NetworkTrait, Profile, affected_networks
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


MEDIUM_WEIGHT: Final = 0.7
BIT_RATE_WEIGHT: Final = 0.12
GATEWAY_WEIGHT: Final = 0.18
"""Judged, not fitted: the medium decides what a reading means, the rest only where it was taken."""


def compare_networks(job: Profile, past: Profile, rarity: Rarity) -> Compared:
    """Compare the networks on which the fault shows, by their most alike pair."""
    ours, theirs = affected_networks(job), affected_networks(past)
    if not ours or not theirs:
        return UNKNOWN
    return max((_compare_pair(here, there) for here in ours for there in theirs), key=_alike_and_known)


def _alike_and_known(compared: Compared) -> tuple[float, float]:
    return compared.likeness or 0.0, compared.known


def _compare_pair(ours: NetworkTrait, theirs: NetworkTrait) -> Compared:
    return joined(
        (
            (MEDIUM_WEIGHT, _media(ours.medium, theirs.medium)),
            (BIT_RATE_WEIGHT, _bit_rates(ours.bits_per_second, theirs.bits_per_second)),
            (GATEWAY_WEIGHT, _gateways(ours.behind_gateway, theirs.behind_gateway)),
        )
    )


def _media(ours: str, theirs: str) -> Compared:
    likeness = medium_likeness(ours, theirs)
    if ours == theirs:
        return Compared(likeness, 1.0, [f"same medium, {ours}"])
    return Compared(likeness, 1.0, [], [f"medium: here {ours}, there {theirs}"])


def _bit_rates(ours: float | None, theirs: float | None) -> Compared:
    if ours is None or theirs is None:
        return UNKNOWN
    same = abs(ours - theirs) <= 0.01 * ours
    differ = [] if same else [f"bit rate: here {ours / 1000:g}, there {theirs / 1000:g} kbit/s"]
    return Compared(float(same), 1.0, [], differ)


def _gateways(ours: bool | None, theirs: bool | None) -> Compared:
    if ours is None or theirs is None:
        return UNKNOWN
    if ours == theirs:
        return Compared(1.0, 1.0, ["both behind a gateway"] if ours else [])
    here, there = ("behind a gateway", "direct") if ours else ("direct", "behind a gateway")
    return Compared(0.0, 1.0, [], [f"seen from the DLC: here {here}, there {there}"])


# --- all cases at once --------------------------------------------------------------------------------------------
# `compare_networks` is the specification: case by case the arrays give the same (tests/match/test_index.py).


def network_atoms(profile: Profile) -> tuple[Atom, ...]:
    """Return the affected networks of a case, each kind once."""
    told = {
        tuple(getattr(network, each.name) for each in fields(network))
        for network in affected_networks(profile)
    }
    return tuple(sorted(told, key=str))


class NetworkArrays:
    """The distinct networks of a library: so few that each is compared by itself."""

    def __init__(self, atoms: list[Atom], rarity: Rarity) -> None:
        self.networks = [NetworkTrait(*atom) for atom in atoms]

    def ask(self, job: Profile, rarity: Rarity) -> ToRows:
        """Return what compares the job's networks with those of many cases."""
        ours = affected_networks(job)
        if not ours or not self.networks:
            return nobody_known
        best = [max(_alike_and_known(_compare_pair(here, there)) for here in ours) for there in self.networks]
        by_place = [(0.0, 0.0), *sorted(set(best))]
        places = np.array([by_place.index(pair) for pair in best], dtype=np.float64)
        likeness, known = np.array(by_place).T

        def to_rows(rows: Ragged) -> Graded:
            place = rows.best(places[rows.flat]).astype(np.intp)
            return likeness[place], known[place]

        return to_rows


PARTS: Final = (SetPart("network", "network", 1.0, network_atoms, NetworkArrays, NetworkArrays.ask),)
"""The parts of this facet that the index goes by."""
