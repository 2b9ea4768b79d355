"""Facet `meaning`: whether the readings there and here can mean the same fault, and at the same module.

The job's side is the posterior over bus states that its readings give. The past case's side is the posterior of its
own readings, sharpened by what was found in the end, and blurred: a cause is hardly ever proven beyond doubt, and a
fault on a branch looks healthy from elsewhere. Facet `readings` compares the same readings one by one, on purpose: two
faults of one meaning can differ in every value, and values alone do not know which differences matter.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from casebase.bus.explain import STATE_WORDS
from casebase.match.facets.arrays import Atom, Numbered, ToRows, nobody_known, of_one_atom
from casebase.match.facets.base import UNKNOWN, Compared, Rarity, SetPart, joined
from casebase.match.facets.network import (
    LOOKS_HEALTHY_SHARE,
    LOOKS_LIKE,
    SAME_PHYSICS_FROM,
    STATES,
    medium_likeness,
)
from casebase.match.profile import Profile, affected_networks
from casebase.record.modules import module_family, module_identity, module_label
from casebase.record.vocabulary import BusState

STATES_SHARE: Final = 0.85
MODULE_SHARE: Final = 0.15
"""Judged: which module a fault goes with is known of few jobs, and then tells much."""

CAUSE_SHARE: Final = 0.65
GUESSED_CAUSE_SHARE: Final = 0.45
"""How far a cause is believed on the stored side, proven and not: at 1.0 look-alikes of the readings get through."""


SHARES_IN: Final = 20
"""The posterior of a past case is kept in twentieths."""

SAME_FAMILY: Final = 0.7
FITS_FROM, UNFIT_BELOW = 0.3, 0.05


_HEALTHY: Final = (str(BusState.HEALTHY), str(BusState.BUS_QUIET))
_NAMES: Final = tuple(STATES)


@dataclass(frozen=True, slots=True)
class BusThere:
    """What is known of the bus of a past case: its medium, the state found, the posterior of its readings."""

    medium: str
    state: str | None
    cause_share: float
    shares: tuple[tuple[str, float], ...]

    def believed(self) -> dict[str, float]:
        """Return what is believed of every bus state, summing to 1."""
        sharp = self.cause_share if self.state else 0.0
        rest = 1.0 - sharp - LOOKS_HEALTHY_SHARE
        read = dict(self.shares) or dict.fromkeys(_NAMES, 1.0)
        whole = sum(read.values())
        believed = {name: rest * read.get(name, 0.0) / whole for name in _NAMES}
        if self.state:
            believed[self.state] += sharp
        for healthy in _HEALTHY:
            believed[healthy] += LOOKS_HEALTHY_SHARE / len(_HEALTHY)
        return believed


def bus_there(past: Profile) -> BusThere | None:
    """Return what is known of the bus of a past case, None where neither readings nor cause tell anything."""
    looks = (LOOKS_LIKE.get(fault, fault) for fault, _ in past.faults)
    state = next((state for state in looks if state in STATES), None)
    media = [network.medium for network in affected_networks(past)]
    read = [medium for medium in media if medium in past.meaning]
    if not media or not (state or read):
        return None
    medium = min(read, key=lambda each: past.meaning[each].get(_HEALTHY[0], 0.0), default=media[0])
    parts = ((name, round(share * SHARES_IN)) for name, share in past.meaning.get(medium, {}).items())
    shares = tuple(sorted((name, part / SHARES_IN) for name, part in parts if part))
    return BusThere(medium, state, CAUSE_SHARE if past.proven else GUESSED_CAUSE_SHARE, shares)


def compare_meaning(job: Profile, past: Profile, rarity: Rarity) -> Compared:
    """Compare what the job's readings can mean with what is known of a past case on the same kind of bus."""
    return joined(((STATES_SHARE, _states(job, past)), (MODULE_SHARE, _modules(job, past))))


def _states(job: Profile, past: Profile) -> Compared:
    there = bus_there(past)
    if there is None:
        return UNKNOWN
    shares = _shares_here(job, there.medium)
    if shares is None:
        return UNKNOWN
    likeness = sum(
        math.sqrt(shares.get(state, 0.0) * believed) for state, believed in there.believed().items()
    )
    return Compared(min(1.0, likeness), 1.0, *_in_words(there, shares))


def _shares_here(job: Profile, medium: str) -> Mapping[str, float] | None:
    """Return the posterior of the job on that kind of bus; of several networks the least healthy one."""
    comparable = [
        shares
        for ours, shares in sorted(job.meaning.items())
        if medium_likeness(ours, medium) >= SAME_PHYSICS_FROM
    ]
    return min(comparable, key=lambda each: each.get(_HEALTHY[0], 0.0), default=None)


def _modules(job: Profile, past: Profile) -> Compared:
    there = module_there(past)
    if job.host is None or there is None:
        return UNKNOWN
    here, share = module_identity(job.host[0]), job.host[1]
    likeness = _module_likeness(here, there, share)
    label = module_label(there)
    agree = [f"the readings place the fault at {label}, where it was found there"] if here == there else []
    return Compared(likeness, 1.0, agree, [] if agree else [f"the fault there went with {label}"])


def module_there(past: Profile) -> str | None:
    """Return the module that the fault of a past case went with, as a key."""
    if past.cause_module:
        return module_identity(past.cause_module)
    return module_identity(past.host[0]) if past.host else None


def _module_likeness(here: str, there: str, share: float) -> float:
    if here == there:
        return share
    return SAME_FAMILY * share if module_family(here) == module_family(there) else 1.0 - share


# --- all cases at once --------------------------------------------------------------------------------------------
# `compare_meaning` is the specification: case by case the arrays give the same (tests/match/test_index.py).


def meaning_atoms(past: Profile) -> tuple[Atom, ...]:
    """Return what is known of the bus of a case: one atom, or none."""
    there = bus_there(past)
    return () if there is None else ((there.medium, there.state, there.cause_share, there.shares),)


def located_atoms(past: Profile) -> tuple[Atom, ...]:
    """Return the module that the fault went with: one atom, or none."""
    there = module_there(past)
    return () if there is None else (there,)


class MeaningArrays:
    """What is believed of the distinct buses of a library: the square roots of the shares, (atoms, states)."""

    def __init__(self, atoms: list[Atom], rarity: Rarity) -> None:
        self.media = Numbered(atom[0] for atom in atoms)
        believed = [list(BusThere(*atom).believed().values()) for atom in atoms]
        self.roots = np.sqrt(np.array(believed).reshape(len(atoms), len(_NAMES)))

    def ask(self, job: Profile, rarity: Rarity) -> ToRows:
        """Return what compares the job's posterior with what is believed of many cases."""
        if not job.meaning or not self.media.values:
            return nobody_known
        here = [_shares_here(job, str(medium)) for medium in self.media.values]
        roots = np.sqrt([[(shares or {}).get(name, 0.0) for name in _NAMES] for shares in here])
        likeness = (self.roots @ roots.T)[np.arange(len(self.roots)), self.media.ids]
        known = np.array([shares is not None for shares in here], dtype=np.float64)[self.media.ids]
        return of_one_atom(np.minimum(1.0, likeness), known)


class LocationArrays:
    """The distinct modules that faults went with."""

    def __init__(self, atoms: list[Atom], rarity: Rarity) -> None:
        self.modules: list[str] = list(atoms)

    def ask(self, job: Profile, rarity: Rarity) -> ToRows:
        """Return what compares the module that the job's readings name with that of many cases."""
        if job.host is None:
            return nobody_known
        here, share = module_identity(job.host[0]), job.host[1]
        likeness = np.array([_module_likeness(here, there, share) for there in self.modules])
        return of_one_atom(likeness, np.ones(len(self.modules)))


PARTS: Final = (
    SetPart("states", "meaning", STATES_SHARE, meaning_atoms, MeaningArrays, MeaningArrays.ask),
    SetPart("located", "meaning", MODULE_SHARE, located_atoms, LocationArrays, LocationArrays.ask),
)
"""The parts of this facet that the index goes by."""


# --- in words -----------------------------------------------------------------------------------------------------


def _in_words(there: BusThere, shares: Mapping[str, float]) -> tuple[list[str], list[str]]:
    if there.state is None:
        return [], []
    share = shares.get(there.state, 0.0)
    words = f"{STATE_WORDS[STATES[there.state]]}, as found there"
    if share >= FITS_FROM:
        return [f"the readings here can mean {words} (probability {share:.2f})"], []
    if share < UNFIT_BELOW:
        return [], [f"the readings here hardly mean {words} (probability {share:.2f})"]
    return [], []
