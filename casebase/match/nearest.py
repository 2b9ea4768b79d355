"""The nearest cases of a collection: found by the index, explained one by one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from casebase.match.collection import Collection
from casebase.match.narrowing import EVERY_CASE, Narrowing, fault_rows, known_good_rows
from casebase.match.profile import Profile
from casebase.match.query import Query
from casebase.match.rank import first_of
from casebase.match.ranking import FAULTS, HEALTHY, Match, Measure, Ranking
from casebase.record.vocabulary import Kind


def nearest(
    job: Profile,
    collection: Collection,
    most: int = 5,
    narrowing: Narrowing = EVERY_CASE,
    faults: Measure = FAULTS,
) -> Ranking:
    """Return the cases most like `job`, exactly; its own record and jobs still open are left out."""
    index = collection.index
    own = collection.rows_of_case(job.case_id)
    faulty, healthy = fault_rows(index, narrowing), known_good_rows(index, narrowing)
    faulty[own] = healthy[own] = False
    return Ranking(
        _matches(job, collection, faulty, faults, most),
        _matches(job, collection, healthy, HEALTHY, most),
        int(faulty.sum() + healthy.sum()),
    )


def nearest_of_its_kind(record: Profile, collection: Collection, most: int) -> list[Match]:
    """Return the records most like one that is kept: of a fault case the fault cases, of a known good one those."""
    healthy = record.status == str(Kind.KNOWN_GOOD)
    allowed = known_good_rows(collection.index) if healthy else fault_rows(collection.index)
    allowed[collection.rows_of_case(record.case_id)] = False
    return _matches(record, collection, allowed, HEALTHY if healthy else FAULTS, most)


def _matches(
    job: Profile, collection: Collection, allowed: NDArray[np.bool_], measure: Measure, most: int
) -> list[Match]:
    index = collection.index
    found = first_of(Query(index, job, measure), allowed, most)
    return measure.matches(job, collection.profiles(found.rows), index.rarity)
