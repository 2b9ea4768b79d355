"""Likely causes and the tests that settle them, in words: the same on every screen.

One pair of cases, every facet of it: what the score is made of.

When a past case explains a job well enough to say so unasked: seldom, and then nearly always rightly.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from casebase.errors import InputError
from casebase.match.answer.causes import SOMETHING_ELSE_WORDS, CaseBehind, LikelyCause, pooled_causes
from casebase.match.answer.deciding_tests import DecidingTest
from casebase.match.answer.fault_fit import is_sound_cause
from casebase.match.facets.base import Match
from casebase.match.facets.measure import FAULTS, HEALTHY, Measure
from casebase.match.index.collection import Collection, fault_rows
from casebase.match.index.match_index import SUPERSEDED
from casebase.match.index.query import Query
from casebase.match.index.search import Found, first_of
from casebase.match.meaning import meanings_of
from casebase.match.prepared import Embeds, profile_to_compare
from casebase.match.profile import Profile, is_known_good
from casebase.record.case import Case
from casebase.record.vocabulary import Fault

MOST_CASES_SHOWN: Final = 3
LARGE_REMAINDER: Final = 0.5

_WORDS: Final = (
    (0.9, "very likely"),
    (0.7, "likely"),
    (0.4, "about even"),
    (0.15, "possible"),
    (0.0, "less likely"),
)
"""The lowest probability of each word (judged)."""


def in_words(probability: float) -> str:
    """Return a probability in words and per cent; the ends of the scale are never reached.

    >>> in_words(0.62), in_words(0.998)
    ('about even, 62 %', 'very likely, over 99 %')
    """
    words = next(words for lowest, words in _WORDS if probability >= lowest)
    return f"{words}, {_per_cent(probability)}"


def _per_cent(probability: float) -> str:
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else f"{100 * probability:.0f} %"


def cases_behind_words(cause: LikelyCause) -> list[str]:
    """Return the cases behind a cause, each in a few words."""
    if not cause.cases:
        return ["none had it: the readings alone say so"]
    more = len(cause.cases) - MOST_CASES_SHOWN
    told = [_case(behind) for behind in cause.cases[:MOST_CASES_SHOWN]]
    return [*told, f"and {more} more"] if more > 0 else told


def _case(behind: CaseBehind) -> str:
    verified = "verified" if behind.verified else "not verified"
    there = f"; there in {behind.module}" if behind.module else ""
    return f"{behind.case_id} (likeness {behind.score:.2f}, {verified}{there})"


def said_by_readings(cause: LikelyCause) -> str:
    """Return what the job's readings alone say of a cause; empty where they say nothing."""
    if cause.from_readings is None:
        return ""
    if is_sound_cause(cause.fault):
        return f"the wires look as they do with this cause: {_per_cent(cause.from_readings)}"
    return f"alone they give this state: {_per_cent(cause.from_readings)}"


def remainder_words(probability: float, others: bool) -> str:
    """Return what is said of the share that no cause has; `others` tells whether any cause is listed."""
    if not others:
        return "No cause stands out: no case is alike enough, and no reading names a fault of the wires."
    said = f"{SOMETHING_ELSE_WORDS.capitalize()}: {_per_cent(probability)}."
    return f"{said} Keep looking beyond this list." if probability >= LARGE_REMAINDER else said


def no_test_words(causes: Sequence[LikelyCause]) -> str:
    """Return what is said where no test would tell more."""
    if len(causes) > 1:
        return (
            "No further reading is expected to tell these apart. Prove the first one before any part is ordered: take"
            " the fault away, see the network come back, and see it fail again."
        )
    return "No reading is known that would tell more: take those that are missing, beginning at the DLC."


def needs_words(test: DecidingTest) -> str:
    """Return what a test needs, and how long it takes."""
    minutes = f"about {test.minutes:.0f} min{' each' if test.in_turn else ''}" if test.minutes else ""
    return "; ".join(part for part in (test.needs, minutes) if part)


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


def explained_data(match: Match) -> dict[str, Any]:
    """Return a comparison as plain data."""
    return {
        "case_id": match.profile.case_id,
        "title": match.profile.title,
        "score": round(match.score, 4),
        "tempering": round(match.tempering, 4),
        "facets": {
            name: {
                "likeness": None if facet.likeness is None else round(facet.likeness, 4),
                "known": round(facet.compared.known, 4),
                "weight": round(facet.weight, 4),
                "agree": facet.compared.agree,
                "differ": facet.compared.differ,
            }
            for name, facet in match.facets.items()
        },
    }


LIKE_FROM: Final = 0.65
PROBABLE_FROM: Final = 0.8
"""Likeness of the case, and probability of its cause for this job, from which it is told. Chosen with
`python tests/bench/news_calls.py`: of the demonstration's 33 solved cases, each asked again, 4 got a call, and all 4
were right (95 % interval .51 to 1.00); 15 had a right case at all, so .27 of these were found. In a simulated fleet,
400 questions put to 50, 200, 800 and 2628 cases got 32 calls, 28 of them right (.88; .72 to .95); 1 to 4 of 100 that
could be answered were found. From .7 on it would be 60 calls, 46 right (.77). By a code and a sentence alone, as most
leftovers ask, none of 309 got a call; from .5 on 11 would have, 4 right."""

CASES_POOLED: Final = 50

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
