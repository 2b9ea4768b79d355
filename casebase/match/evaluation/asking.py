"""A collection's own solved cases put to it again as stuck jobs: the questions that evaluation and fitting go by.

Everything that came later than the stuck job is taken away. What stays is named field by field: a field that is added
to the record stays hidden until somebody names it here, so that no evaluation can be helped by an answer that a stuck
technician does not have.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from casebase.errors import InputError
from casebase.match.evaluation.questions import Comparison, Progress, Question, chosen, leave_one_out
from casebase.match.facets.measure import FACETS, FAULTS, Measure, faults_by
from casebase.match.index.collection import Collection, fault_rows
from casebase.match.index.match_index import Index
from casebase.match.index.query import Query, Rows, facet_answers
from casebase.match.meaning import Embeds, meanings_of, profile_to_compare
from casebase.match.profile import Profile
from casebase.record.case import Case, Provenance
from casebase.record.fields import STORED
from casebase.record.reading import Reading
from casebase.record.trial import Outcome, Trial
from casebase.record.vocabulary import Kind, Stage

KEPT_WHOLE: Final = (
    "id",
    "kind",
    "vehicle",
    "concern",
    "symptoms",
    "lamps",
    "conditions",
    "networks",
    "modules",
    "others_answer",
    "codes",
)
"""Known when the vehicle came in, or read off it before any repair."""

KEPT_OUTCOMES: Final = (Outcome.NO_CHANGE, Outcome.CAME_BACK, Outcome.PASSED)
"""What followed the trials of a job that is still stuck; any other outcome may be the one that told the cause."""

KEPT_OF_TRIAL: Final = ("did", "what", "at", "used_part", "configured", "outcome")
KEPT_OF_PROVENANCE: Final = ("author", "shop", "opened", "invented")

KEPT_OF_READING: Final = (
    "network",
    "quantity",
    "line",
    "against",
    "at",
    "pins",
    "ignition",
    "battery",
    "unplugged",
    "swapped",
    "into",
    "to",
    "loaded",
    "tester",
    "traffic",
    "stage",
    "value",
)
KEPT_OF_WAVEFORM: Final = ("traffic", "recessive", "dominant", "looks", "dominant_share", "whole_frames")
"""Notes are left out here as everywhere else: nothing says whether they were written before the cause was known."""


def as_stuck_job(case: Case, isolation: bool = True) -> Case:
    """Return `case` as it stood before its cause was known, under its own ID.

    Steps go too: nothing tells those of the search from those of the repair. With `isolation` false only the readings
    as found are left, which is the harder question. Raises InputError for a known good record: it was never stuck.
    """
    if case.kind is not Kind.FAULT_CASE:
        raise InputError(
            f"{case.id or 'this record'} is a {case.kind} record: only a fault case was ever a stuck job"
        )
    stages = (Stage.AS_FOUND, Stage.ISOLATION) if isolation else (Stage.AS_FOUND,)
    return Case.model_validate(
        {name: getattr(case, name) for name in KEPT_WHOLE}
        | {
            "readings": [_without_notes(reading) for reading in case.readings if reading.stage in stages],
            "trials": [
                Trial.model_validate({name: getattr(trial, name) for name in KEPT_OF_TRIAL})
                for trial in case.trials
                if trial.outcome in KEPT_OUTCOMES
            ],
            "provenance": Provenance.model_validate(
                {name: getattr(case.provenance, name) for name in KEPT_OF_PROVENANCE}, context=STORED
            ),
        }
    )


def _without_notes(reading: Reading) -> Reading:
    seen = reading.waveform
    hidden = dict.fromkeys(reading.__class__.model_fields.keys() - {*KEPT_OF_READING, "waveform"})
    if seen is not None:
        levels = seen.model_copy(
            update=dict.fromkeys(seen.__class__.model_fields.keys() - {*KEPT_OF_WAVEFORM})
        )
        return reading.model_copy(update=hidden | {"waveform": levels})
    return reading.model_copy(update=hidden)


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
