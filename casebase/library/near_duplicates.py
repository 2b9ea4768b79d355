"""Cases that may tell one job twice: alike in nearly everything, of one model, with the odometer nearly the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from casebase.library.index_update import Means
from casebase.library.store import Library
from casebase.match.collection import Collection
from casebase.match.nearest import nearest_of_its_kind
from casebase.record.case import Case

SAME_JOB_FROM: Final = 0.85
"""Likeness from which a case of the same model may be the same job told twice; as under review (judged)."""

SAME_DISTANCE: Final = 0.01
"""Odometers within a hundredth of each other may be of one visit; as under review (judged)."""

MOST_COMPARED: Final = 500
"""Cases that are compared one by one: some ten seconds (judged)."""

_NEAREST: Final = 3


@dataclass(frozen=True)
class NearDuplicate:
    """Two cases that may tell one job, and how alike they are (0 to 1)."""

    case_id: str
    other: str
    score: float


def near_duplicates(library: Library, case_ids: Sequence[str], means: Means) -> list[NearDuplicate]:
    """Return, for the cases named, those others that may tell the same job; each pair once."""
    collection = library.collection(means)
    found: dict[frozenset[str], NearDuplicate] = {}
    for done, case_id in enumerate(case_ids, start=1):
        for one in _near(library, collection, case_id):
            found.setdefault(frozenset((one.case_id, one.other)), one)
        means.progress(done, len(case_ids))
    return sorted(found.values(), key=lambda one: (-one.score, one.case_id, one.other))


def _near(library: Library, collection: Collection, case_id: str) -> list[NearDuplicate]:
    profiles = collection.profiles(collection.rows_of_case(case_id)[-1:])
    if not profiles:
        return []
    matches = nearest_of_its_kind(profiles[0], collection, _NEAREST)
    likely = [match for match in matches if match.score >= SAME_JOB_FROM]
    case = library.get(case_id).case if likely else None
    return [
        NearDuplicate(case_id, match.profile.case_id, match.score)
        for match in likely
        if case is not None and _maybe_one_visit(case, library.get(match.profile.case_id).case)
    ]


def _maybe_one_visit(case: Case, other: Case) -> bool:
    """Return whether two vehicles may be one in one visit; an odometer that was not read speaks for nothing."""
    here, there = case.vehicle, other.vehicle
    if (here.make, here.model) != (there.make, there.model):
        return False
    if here.odometer is None or there.odometer is None:
        return True
    larger = max(here.odometer.number, there.odometer.number)
    return abs(here.odometer.number - there.odometer.number) <= SAME_DISTANCE * larger
