"""The parts that the score is a weighted mean of: each facet is made of one or several.

A part that is a set of atoms says which atoms a case has, and how many cases are compared with a job at once. Readings
and stories are arrays of another shape (`reading_arrays.py`, `symptoms_facet.py`) and are named here only.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from casebase.match import (
    codes_facet,
    meaning_facet,
    network_facet,
    silence_facet,
    symptoms_facet,
    vehicle_facet,
)
from casebase.match.arrays import Atom, ToRows
from casebase.match.profile import Profile
from casebase.match.rarity import Rarity


@dataclass(frozen=True, slots=True)
class SetPart:
    """A part in which a case is a set of atoms; `share` is its share in the facet."""

    name: str
    facet: str
    share: float
    atoms_of: Callable[[Profile], tuple[Atom, ...]]
    arrays: Callable[[list[Atom], Rarity], Any]
    ask: Callable[[Any, Profile, Rarity], ToRows]


SET_PARTS: Final = (
    SetPart(
        "states",
        "meaning",
        meaning_facet.STATES_SHARE,
        meaning_facet.meaning_atoms,
        meaning_facet.MeaningArrays,
        meaning_facet.MeaningArrays.ask,
    ),
    SetPart(
        "located",
        "meaning",
        meaning_facet.MODULE_SHARE,
        meaning_facet.located_atoms,
        meaning_facet.LocationArrays,
        meaning_facet.LocationArrays.ask,
    ),
    SetPart(
        "silent",
        "silence",
        silence_facet.SILENT_SHARE,
        silence_facet.silent_atoms,
        silence_facet.ModuleArrays,
        silence_facet.ModuleArrays.ask_silent,
    ),
    SetPart(
        "vehicle",
        "vehicle",
        1.0,
        vehicle_facet.vehicle_atoms,
        vehicle_facet.VehicleArrays,
        vehicle_facet.VehicleArrays.ask,
    ),
    SetPart(
        "network",
        "network",
        1.0,
        network_facet.network_atoms,
        network_facet.NetworkArrays,
        network_facet.NetworkArrays.ask,
    ),
    SetPart(
        "blamed",
        "silence",
        silence_facet.BLAMED_SHARE,
        silence_facet.blamed_atoms,
        silence_facet.ModuleArrays,
        silence_facet.ModuleArrays.ask_blamed,
    ),
    SetPart(
        "lamps",
        "symptoms",
        symptoms_facet.LAMPS_SHARE,
        symptoms_facet.lamp_atoms,
        symptoms_facet.LampArrays,
        symptoms_facet.LampArrays.ask,
    ),
    SetPart(
        "conditions",
        "symptoms",
        symptoms_facet.CONDITIONS_SHARE,
        symptoms_facet.condition_atoms,
        symptoms_facet.ConditionArrays,
        symptoms_facet.ConditionArrays.ask,
    ),
    SetPart(
        "reporters",
        "silence",
        silence_facet.REPORTERS_SHARE,
        silence_facet.reporter_atoms,
        silence_facet.ModuleArrays,
        silence_facet.ModuleArrays.ask_reporters,
    ),
    SetPart(
        "codes",
        "codes",
        1.0,
        codes_facet.code_atoms,
        codes_facet.CodeArrays,
        codes_facet.CodeArrays.ask,
    ),
)

READINGS: Final = ("readings", "readings", 1.0)
STORY: Final = ("story", "symptoms", symptoms_facet.STORY_SHARE)
COMPARABLE: Final = ("comparable", "comparable", 1.0)
"""Name, facet and share of the parts of another shape."""
