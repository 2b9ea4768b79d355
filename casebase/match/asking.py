"""A collection's own solved cases put to it again as stuck jobs: the questions that evaluation and fitting go by."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from casebase.match.collection import Collection
from casebase.match.filling import Embeds, profile_to_compare
from casebase.match.hiding import as_stuck_job
from casebase.match.index import Index
from casebase.match.meaning import meanings_of
from casebase.match.narrowing import fault_rows
from casebase.match.profile import Profile
from casebase.match.query import Query, Rows, facet_answers
from casebase.match.questions import Comparison, Progress, Question, chosen, leave_one_out
from casebase.match.ranking import FAULTS, Measure, faults_by
from casebase.match.weights import FACETS
from casebase.record.case import Case

EVEN = {name: 1.0 / len(FACETS) for name in FACETS}


def questions_of(  # noqa: PLR0913, PLR0917  the cases, what fills them in, how many, whom to tell
    collection: Collection,
    case_of: Callable[[str], Case],
    buses: Path | None,
    embedder: Embeds | None,
    most: int,
    progress: Progress | None = None,
) -> list[Question]:
    """Return one question for each of at most `most` solved cases, everything that came after the search hidden."""
    rows = np.flatnonzero(fault_rows(collection.index))
    pasts = collection.profiles(rows)
    asked = [
        (replace(_as_stuck(case_of(solved.case_id), buses, embedder), case_id=solved.case_id), solved)
        for solved in chosen(pasts, most)
    ]
    return leave_one_out(asked, pasts, lambda job: comparison(collection.index, rows, job), progress)


def comparison(index: Index, rows: Rows, job: Profile) -> Comparison:
    """Return how a job compares with the rows named, facet by facet."""
    query = Query(index, job, _EVENLY)
    answers = facet_answers(query, rows)
    unknown = np.zeros(len(rows)), np.zeros(len(rows))
    told = [answers.get(name, unknown) for name in FACETS]
    known = np.stack([known for _, known in told], axis=1)
    likeness = np.stack([likeness for likeness, _ in told], axis=1)
    itself = FAULTS.compared(job, job, index.rarity)
    return Comparison(
        tuple(FACETS),
        np.where(known > 0, likeness, np.nan),
        known,
        np.array([itself[name].known for name in FACETS]),
    )


_EVENLY: Measure = faults_by(EVEN)
"""No facet left out, whatever it weighs: weights are put to the comparison later."""


def _as_stuck(case: Case, buses: Path | None, embedder: Embeds | None) -> Profile:
    stuck = as_stuck_job(case)
    return profile_to_compare(stuck, meanings_of(stuck, buses, most_tests=0, rough=True), embedder)
