"""Facet `symptoms`: lamps, conditions, and what the story means; rare lamps and conditions weigh more.

What a story means is a vector of length 1 that the text embedder gives. Without it on either side, lamps and conditions
are compared alone.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.match.facets.arrays import Atom, Floats, Graded, Ragged, ToRows, nobody_known
from casebase.match.facets.base import UNKNOWN, Compared, Rarity, SetPart, joined, names, overlap
from casebase.match.profile import Profile, Vector

LAMPS_SHARE: Final = 0.2
CONDITIONS_SHARE: Final = 0.4
STORY_SHARE: Final = 0.4
"""Chosen on simulated cases: when it happens tells more of the cause than which lamps are lit."""

UNRELATED_COSINE: Final = 0.15
"""Cosine of two workshop stories that have nothing in common: any two speak of vehicles (judged)."""

ALIKE_FROM: Final = 0.6

STORIES_READ_AT_ONCE: Final = 1 << 14
SHORT_FLOATS_OFF: Final = 1e-4
"""More than a cosine of two vectors of some hundred 32-bit floats can be off: 2**-24 for each of their numbers."""


def compare_symptoms(job: Profile, past: Profile, rarity: Rarity) -> Compared:
    """Compare lamps, conditions and the meaning of the story."""
    return joined(
        (
            (LAMPS_SHARE, _traits("lamp", job.lamps, past.lamps, rarity)),
            (CONDITIONS_SHARE, _traits("condition", job.conditions, past.conditions, rarity)),
            (STORY_SHARE, _stories(job, past)),
        )
    )


def _traits(kind: str, ours: tuple[str, ...], theirs: tuple[str, ...], rarity: Rarity) -> Compared:
    if not ours or not theirs:
        return UNKNOWN
    likeness = overlap(ours, theirs, lambda trait: rarity.of(f"{kind} {trait}"))
    both = [trait for trait in ours if trait in theirs]
    agree = [f"{kind}s in both: {names(both)}"] if both else []
    differ = [] if both else [f"{kind}s: here {names(ours)}, there {names(theirs)}"]
    return Compared(likeness, 1.0, agree, differ)


def _stories(job: Profile, past: Profile) -> Compared:
    if not has_story(job.vector) or not has_story(past.vector):
        return UNKNOWN
    likeness = float(story_likeness(np.dot(_exact(job.vector), _exact(past.vector))))
    both = [word for word in job.words if word in past.words]
    words = f"words in both: {names(both, most=5)}" if both else "without a word in both"
    agree = [f"the stories are alike ({words})"] if likeness >= ALIKE_FROM else []
    return Compared(likeness, 1.0, agree)


def has_story(vector: Vector | None) -> bool:
    """Return whether there is a story at all: the vector of an empty one is all zeros."""
    return vector is not None and bool(np.any(vector))


def story_likeness(cosine: Floats) -> Floats:
    """Return 0 for stories as unlike as any two are, 1 for the same words."""
    return np.clip((cosine - UNRELATED_COSINE) / (1 - UNRELATED_COSINE), 0.0, 1.0)


def _exact(vector: Vector | None) -> Floats:
    return np.asarray(vector, dtype=np.float64)


# --- all cases at once --------------------------------------------------------------------------------------------
# `compare_symptoms` is the specification: case by case the arrays give the same (tests/match/test_index.py).


def lamp_atoms(profile: Profile) -> tuple[Atom, ...]:
    """Return the lamps of a case."""
    return tuple(sorted(set(profile.lamps)))


def condition_atoms(profile: Profile) -> tuple[Atom, ...]:
    """Return the conditions of a case."""
    return tuple(sorted(set(profile.conditions)))


class LampArrays:
    """The distinct lamps of a library with their weights."""

    def __init__(self, atoms: list[Atom], rarity: Rarity) -> None:
        self.atoms, self.weights = atoms, _weights("lamp", atoms, rarity)

    def ask(self, job: Profile, rarity: Rarity) -> ToRows:
        """Return what compares the job's lamps with those of many cases."""
        return _overlap_with(_weighted("lamp", job.lamps, rarity), self.atoms, self.weights)


class ConditionArrays:
    """The distinct conditions of a library with their weights."""

    def __init__(self, atoms: list[Atom], rarity: Rarity) -> None:
        self.atoms, self.weights = atoms, _weights("condition", atoms, rarity)

    def ask(self, job: Profile, rarity: Rarity) -> ToRows:
        """Return what compares the job's conditions with those of many cases."""
        return _overlap_with(_weighted("condition", job.conditions, rarity), self.atoms, self.weights)


def _weights(kind: str, atoms: list[Atom], rarity: Rarity) -> Floats:
    return np.array([rarity.of(f"{kind} {atom}") for atom in atoms])


def _weighted(kind: str, traits: tuple[str, ...], rarity: Rarity) -> dict[str, float]:
    return {trait: rarity.of(f"{kind} {trait}") for trait in traits}


def _overlap_with(ours: dict[str, float], atoms: list[Atom], weights: Floats) -> ToRows:
    """Return `overlap` with the traits of many cases."""
    if not ours:
        return nobody_known
    own = sum(ours.values())
    shared = np.array([atom in ours for atom in atoms]) * weights

    def to_rows(rows: Ragged) -> Graded:
        both = rows.sums(shared[rows.flat])
        return both / (own + rows.sums(weights[rows.flat]) - both), (rows.lengths > 0).astype(np.float64)

    return to_rows


class AskedStory:
    """The story of a job, ready to be compared with those of the rows named; vectors are (cases, dimensions)."""

    def __init__(self, job: Profile, vectors: Vector) -> None:
        self._vectors, self._own = vectors, _exact(job.vector)

    def __call__(self, rows: NDArray[np.intp]) -> Graded:
        """Return the answer for some rows."""
        theirs = self._vectors[rows]
        return story_likeness(theirs.astype(np.float64) @ self._own), self._known(rows)

    def at_most(self, rows: NDArray[np.intp]) -> Graded:
        """Return how alike stories can be at most, for very many rows: all stories are read in passing."""
        own = self._own.astype(np.float32)
        cosines = np.concatenate(
            [
                np.vecdot(self._vectors[begin : begin + STORIES_READ_AT_ONCE], own)
                for begin in range(0, len(self._vectors), STORIES_READ_AT_ONCE)
            ]
        )
        return story_likeness(cosines[rows].astype(np.float64) + SHORT_FLOATS_OFF), self._known(rows)

    def _known(self, rows: NDArray[np.intp]) -> Floats:
        """Return 1 for rows with a story; hardly any vector starts with 0 unless all of it is 0."""
        known = self._vectors[rows, 0] != 0
        unsure = np.flatnonzero(~known)
        known[unsure] = self._vectors[rows[unsure]].any(axis=1)
        return np.asarray(known, dtype=np.float64)


PARTS: Final = (
    SetPart("lamps", "symptoms", LAMPS_SHARE, lamp_atoms, LampArrays, LampArrays.ask),
    SetPart(
        "conditions", "symptoms", CONDITIONS_SHARE, condition_atoms, ConditionArrays, ConditionArrays.ask
    ),
)
"""The parts of this facet that the index goes by."""
