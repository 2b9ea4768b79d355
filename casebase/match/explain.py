"""One pair of cases, every facet of it: what the score is made of."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from casebase.errors import InputError
from casebase.match.collection import Collection
from casebase.match.filling import Embeds, profile_to_compare
from casebase.match.index import SUPERSEDED
from casebase.match.meaning import meanings_of
from casebase.match.profile import is_known_good
from casebase.match.ranking import FAULTS, HEALTHY, Match, Measure
from casebase.record.case import Case


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
