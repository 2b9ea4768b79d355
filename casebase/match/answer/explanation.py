"""A job explained by one past case: the pair facet by facet, and when a case explains a job well enough to say so.

Told unasked, such a case is seldom, and then nearly always rightly, named.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from casebase.errors import InputError
from casebase.match.answer.causes import CASES_POOLED, pooled_causes
from casebase.match.facets.base import Match
from casebase.match.facets.measure import FAULTS, HEALTHY, Measure
from casebase.match.index.collection import Collection, fault_rows
from casebase.match.index.match_index import SUPERSEDED
from casebase.match.index.query import Query
from casebase.match.index.search import Found, first_of
from casebase.match.meaning import Embeds, meanings_of, profile_to_compare
from casebase.match.profile import Profile, is_known_good
from casebase.record.case import Case
from casebase.record.vocabulary import Fault


def explained(  # noqa: PLR0913, PLR0917  the pair, and how to compare
    job: Case,
    collection: Collection,
    case_id: str,
    buses: Path | None,
    embedder: Embeds | None,
    measure: Measure = FAULTS,
) -> Match:
    """Return the comparison of a job with one case of a collection; a healthy vehicle's is by its own facets.

    Raises `InputError` where the collection has no such case.
    """
    rows = collection.rows_of_case(case_id)
    rows = rows[collection.index.statuses[rows] != SUPERSEDED]
    if not len(rows):
        raise InputError(f"case {case_id}: cannot be compared: run casebase check")
    profile = profile_to_compare(job, meanings_of(job, buses, most_tests=0), embedder)
    past = collection.profiles(rows[-1:])[0]
    by = HEALTHY if is_known_good(past) else measure
    return by.match(profile, past, collection.index.rarity)


LIKE_FROM: Final = 0.65
PROBABLE_FROM: Final = 0.8
"""Likeness of the case, and probability of its cause for this job, from which it is told. Chosen with
`python tests/bench/news_calls.py`: of the demonstration's 33 solved cases, each asked again, 4 got a call, and all 4
were right (95 % interval .51 to 1.00); 15 had a right case at all, so .27 of these were found. In a simulated fleet,
400 questions put to 50, 200, 800 and 2628 cases got 32 calls, 28 of them right (.88; .72 to .95); 1 to 4 of 100 that
could be answered were found. From .7 on it would be 60 calls, 46 right (.77). By a code and a sentence alone, as most
leftovers ask, none of 309 got a call; from .5 on 11 would have, 4 right."""


_MOST_AGREE: Final = 4
_MOST_DIFFER: Final = 3


@dataclass(frozen=True)
class Explained:
    """The proven case that explains a job well, how like it is, and the probability of its cause for the job."""

    match: Match
    probability: float

    @property
    def reasons(self) -> list[str]:
        """Why it may explain the job, in words."""
        return [
            f"the most like it of all proven cases (likeness {self.match.score:.2f})",
            f"its cause is the likeliest here (probability {self.probability:.2f})",
            *self.match.agree[:_MOST_AGREE],
        ]

    @property
    def differ(self) -> list[str]:
        """What speaks against it, in words."""
        return self.match.differ[:_MOST_DIFFER]


def proves_a_fault(past: Profile) -> bool:
    """Return whether a case holds a proven fault: only such a case explains anything."""
    return past.proven and past.fault is not None and past.fault != Fault.NONE


def best_explanation(
    job: Profile,
    collection: Collection,
    counts: Callable[[Profile], bool] = proves_a_fault,
    measure: Measure = FAULTS,
    like_from: float = 0.0,
) -> Explained | None:
    """Return the proven case nearest to a job, with the probability of its cause, where that is the likeliest one.

    `counts` says which past cases may explain at all. The job's own record and jobs still open are left out. None too
    where that case is less like the job than `like_from`.
    """
    found = nearest_rows(job, collection, CASES_POOLED, measure)
    pasts = collection.profiles(found.rows)
    place = next((place for place, past in enumerate(pasts) if counts(past)), None)
    if place is None or found.scores[place] < like_from:
        return None
    matches = measure.matches(job, pasts, collection.index.rarity)
    likeliest = max(pooled_causes(job, matches, []), key=lambda cause: cause.probability)
    behind = any(case.case_id == pasts[place].case_id for case in likeliest.cases)
    return Explained(matches[place], likeliest.probability) if behind else None


def nearest_rows(job: Profile, collection: Collection, most: int, measure: Measure = FAULTS) -> Found:
    """Return the rows of the ended fault cases most like a job, its own left out."""
    allowed = fault_rows(collection.index)
    allowed[collection.rows_of_case(job.case_id)] = False
    return first_of(Query(collection.index, job, measure), allowed, most)


def explains_well(found: Explained) -> bool:
    """Return whether an explanation is good enough to be told unasked."""
    return found.match.score >= LIKE_FROM and found.probability >= PROBABLE_FROM
