"""What a set of weights finds among questions with a known answer, and what each part adds to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from casebase.errors import InputError
from casebase.match.evaluation.metrics import (
    Bools,
    Estimate,
    above_every_look_alike,
    hit_at,
    mean_of,
    ndcg_at,
    places_of_relevant,
    reciprocal_rank,
    share_of,
)
from casebase.match.evaluation.questions import MODEL, Question, weights_in_order
from casebase.match.facets.arrays import Floats


@dataclass(frozen=True)
class Outcomes:
    """What each question came to, one entry per question; `above` is NaN for a question without look-alikes."""

    hits_at_1: Bools
    hits_at_3: Bools
    hits_at_5: Bools
    reciprocal_ranks: Floats
    gains_at_5: Floats
    above: Floats


@dataclass(frozen=True, slots=True)
class Figures:
    """Means over questions: a relevant case among the first 1, 3, 5; mean reciprocal rank; nDCG of the first 5.

    `above_look_alikes` is the share of the `with_look_alikes` questions whose best relevant case stood above every case
    of the same model with a code in common and another fault; None where no question has such a case.
    """

    questions: int
    hit_at_1: Estimate
    hit_at_3: Estimate
    hit_at_5: Estimate
    mrr: Estimate
    ndcg_at_5: Estimate
    with_look_alikes: int
    above_look_alikes: Estimate | None


@dataclass(frozen=True, slots=True)
class Worth:
    """One part: alone, left out, and what it `adds` (mean reciprocal rank of all parts less that without it).

    `told_in` is the number of questions in which it could be compared with any case at all.
    """

    part: str
    weight: float
    told_in: int
    alone: Figures
    without: Figures
    adds: Estimate


@dataclass(frozen=True, slots=True)
class Evaluation:
    """`asked` questions put to `cases` cases; `unanswerable` ones have no relevant case and count in no figure.

    `on_other_models` puts the questions to a library without any case of the question's own model; None where no
    question has an answer left.
    """

    asked: int
    unanswerable: int
    cases: int
    full: Figures
    worth: list[Worth]
    on_other_models: Figures | None


def evaluate(questions: Sequence[Question], weights: Mapping[str, float]) -> Evaluation:
    """Return what `weights` find, each part alone, and each left out.

    Raises InputError where no question has a relevant case: then there is nothing to measure.
    """
    answerable = answerable_of(questions)
    parts = answerable[0].comparison.parts
    whole = weights_in_order(weights, parts)
    alone, without = np.diag(np.ones(len(parts))), whole[:, None] * (1 - np.eye(len(parts)))
    full, *others = outcomes_of(answerable, np.column_stack([whole, alone, without]))
    worth = [
        Worth(
            part,
            float(whole[place] / whole.sum()),
            sum(bool(question.comparison.known[question.candidates, place].any()) for question in answerable),
            figures(others[place]),
            figures(others[place + len(parts)]),
            gain(full, others[place + len(parts)]),
        )
        for place, part in enumerate(parts)
    ]
    return Evaluation(
        asked=len(questions),
        unanswerable=len(questions) - len(answerable),
        cases=len(answerable[0].relevant),
        full=figures(full),
        worth=worth,
        on_other_models=_on_other_models(answerable, whole),
    )


def answerable_of(questions: Sequence[Question]) -> list[Question]:
    """Return the questions that have a relevant case; raises InputError where none has."""
    answerable = [question for question in questions if question.answerable]
    if not answerable:
        raise InputError(
            f"nothing to measure: of {len(questions)} solved cases none has another with the same fault at the same"
            " kind of place; log more solved cases first"
        )
    return answerable


def outcomes_of(questions: Sequence[Question], weights: Floats) -> list[Outcomes]:
    """Return what the questions came to under each column of `weights` (parts, variants)."""
    found = [_outcomes_of_one(question, weights) for question in questions]
    return [_as_outcomes(np.array(rows, dtype=np.float64)) for rows in zip(*found, strict=True)]


def figures(outcomes: Outcomes) -> Figures:
    """Return the means over all questions, with their intervals."""
    above = outcomes.above[~np.isnan(outcomes.above)]
    return Figures(
        len(outcomes.hits_at_1),
        share_of(outcomes.hits_at_1),
        share_of(outcomes.hits_at_3),
        share_of(outcomes.hits_at_5),
        mean_of(outcomes.reciprocal_ranks),
        mean_of(outcomes.gains_at_5),
        len(above),
        share_of(above > 0) if len(above) else None,
    )


def gain(ours: Outcomes, theirs: Outcomes) -> Estimate:
    """Return by how much our mean reciprocal rank is higher, question by question."""
    return mean_of(ours.reciprocal_ranks - theirs.reciprocal_ranks)


def gain_first(ours: Outcomes, theirs: Outcomes) -> Estimate:
    """Return by how much oftener our first case is a right one, question by question."""
    return mean_of(ours.hits_at_1.astype(np.float64) - theirs.hits_at_1)


def _outcomes_of_one(question: Question, weights: Floats) -> list[tuple[float, ...]]:
    rows = question.candidates
    scores, relevant = question.comparison.scores(weights)[rows], question.relevant[rows]
    look_alike = np.zeros_like(relevant) if question.look_alike is None else question.look_alike[rows]
    return [_measured(column, relevant, look_alike) for column in scores.T]


def _measured(scores: Floats, relevant: Bools, look_alike: Bools) -> tuple[float, ...]:
    places = places_of_relevant(scores, relevant)
    above = above_every_look_alike(scores, relevant, look_alike)
    hits = (float(hit_at(places, most)) for most in (1, 3, 5))
    gained = ndcg_at(places, int(relevant.sum()))
    return (*hits, reciprocal_rank(places), gained, np.nan if above is None else float(above))


def _as_outcomes(rows: Floats) -> Outcomes:
    first, third, fifth, reciprocal, gained, above = rows.T
    return Outcomes(first > 0, third > 0, fifth > 0, reciprocal, gained, above)


def on_other_models(questions: Sequence[Question]) -> list[Question]:
    """Return the questions put to a library without any case of their own model, as far as an answer is left."""
    told = [question for question in questions if MODEL in question.groups and MODEL in question.case_groups]
    others = [question.without(MODEL, [question.groups[MODEL]]) for question in told]
    return [question for question in others if question.answerable]


def _on_other_models(questions: Sequence[Question], weights: Floats) -> Figures | None:
    left = on_other_models(questions)
    return figures(outcomes_of(left, weights[:, None])[0]) if left else None
