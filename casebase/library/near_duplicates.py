"""Cases that may tell one job twice: alike in nearly everything, with the same codes, perhaps of one vehicle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from casebase.library.matching import Means
from casebase.library.store import Library
from casebase.match.index.collection import Collection
from casebase.match.index.search import nearest_of_its_kind
from casebase.record.case import Case
from casebase.record.vehicle import Vehicle

SAME_JOB_FROM: Final = 0.85
"""Likeness from which a case with the same codes may be the same job told twice (judged)."""

SAME_DISTANCE: Final = 0.01
"""Odometers within a hundredth of each other may be of one visit (judged)."""

SAME_VIN: Final = "same VIN"
NEAR_ODOMETER: Final = "same model, near odometer"

MOST_COMPARED: Final = 500
"""Cases that are compared one by one: some ten seconds (judged)."""

_NEAREST: Final = 3


@dataclass(frozen=True)
class NearDuplicate:
    """Two cases that may tell one job, how alike they are (0 to 1), and why they may."""

    case_id: str
    other: str
    score: float
    why: str


def near_duplicates(library: Library, case_ids: Sequence[str], means: Means) -> list[NearDuplicate]:
    """Return, for the cases named, those others that may tell the same job; each pair once."""
    collection = library.collection(means)
    found: dict[frozenset[str], NearDuplicate] = {}
    for done, case_id in enumerate(case_ids, start=1):
        for one in _near(library, collection, case_id):
            found.setdefault(frozenset((one.case_id, one.other)), one)
        means.progress(done, len(case_ids))
    return sorted(found.values(), key=lambda one: (-one.score, one.case_id, one.other))


def same_job(case: Case, other: Case, score: float) -> str | None:
    """Return why another case may be the same job told twice: alike, the same codes, perhaps the same vehicle."""
    if score < SAME_JOB_FROM or _codes(case) != _codes(other):
        return None
    vehicle = same_vehicle(case.vehicle, other.vehicle)
    return f"same codes, {vehicle}" if vehicle else None


def same_vehicle(here: Vehicle, there: Vehicle) -> str | None:
    """Return why two vehicles may be one in one visit; None where they are not, or of different models."""
    if (here.make, here.model) != (there.make, there.model):
        return None
    if here.vin and there.vin:
        return SAME_VIN if here.vin == there.vin else None
    if here.odometer is None or there.odometer is None:
        return "same model, odometer not told of both"
    first, second = here.odometer.number, there.odometer.number
    near = abs(first - second) <= SAME_DISTANCE * max(first, second)
    return NEAR_ODOMETER if near else None


def _codes(case: Case) -> set[str]:
    return {entry.code.base for entry in case.codes}


def _near(library: Library, collection: Collection, case_id: str) -> list[NearDuplicate]:
    profiles = collection.profiles(collection.rows_of_case(case_id)[-1:])
    if not profiles:
        return []
    likely = [
        match
        for match in nearest_of_its_kind(profiles[0], collection, _NEAREST)
        if match.score >= SAME_JOB_FROM
    ]
    case = library.get(case_id).case if likely else None
    found = []
    for match in likely:
        other = match.profile.case_id
        if case is not None and (why := same_job(case, library.get(other).case, match.score)):
            found.append(NearDuplicate(case_id, other, match.score, why))
    return found
