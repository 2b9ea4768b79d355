"""Weights that bring relevant cases to the top: a listwise loss over the candidates of each question, made least.

The loss of a question is the cross-entropy of a softmax over the scores of its candidates, all relevant ones counting
as right (ListNet's top-one probability, Cao et al. 2007, with several right answers). What is made least is its mean
over questions plus `strength` times the squared distance of the weights from the defaults; no weight is negative.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from casebase.match.metrics import Bools
from casebase.match.questions import Groups, Question
from casebase.match.ragged import Floats

TEMPERATURE: Final = 0.05
"""Scores this far apart make one case e times as likely to be the right one as another (judged)."""

MOST_RELEVANT: Final = 10
"""Of a common fault a large library has hundreds of cases: one of the nearest has to come first, not all of them."""

MOST_RIVALS: Final = 200
"""Candidates beyond the relevant ones that a question is fitted on; measured is always against all."""


_SUM_HELD: Final = 10.0
"""The loss knows only the proportions of the weights: their sum is held at 1, away from no weights at all."""


@dataclass(frozen=True)
class Block:
    """One question as it is fitted: the rows of its relevant cases and of those that come near them."""

    shares: Floats
    known: Floats
    own: Floats
    relevant: Bools
    groups: dict[str, str]
    row_groups: dict[str, Groups]

    def without(self, split: str, held_back: Collection[str]) -> Block:
        """Return the block without the cases of the groups `held_back`."""
        if split not in self.row_groups:
            return self
        kept = ~np.isin(self.row_groups[split], list(held_back))
        return Block(
            self.shares[kept],
            self.known[kept],
            self.own,
            self.relevant[kept],
            self.groups,
            {name: groups[kept] for name, groups in self.row_groups.items()},
        )


def block_of(question: Question, defaults: Floats) -> Block:
    """Return the rows of a question: the relevant cases and the rivals that stand highest under some weights."""
    comparison = question.comparison
    variants = np.column_stack([defaults, np.ones(len(defaults)), np.eye(len(defaults))])
    scores = np.where(question.candidates[:, None], comparison.scores(variants), -1.0)
    rivals = question.candidates & ~question.relevant
    relevant = question.candidates & question.relevant
    kept = np.flatnonzero(_highest(scores, relevant, MOST_RELEVANT) | _highest(scores, rivals, MOST_RIVALS))
    return Block(
        comparison.shares[kept],
        comparison.known[kept],
        comparison.known_to_job,
        question.relevant[kept],
        dict(question.groups),
        {name: groups[kept] for name, groups in question.case_groups.items()},
    )


def _highest(scores: Floats, among: Bools, most: int) -> Bools:
    """Mark the `most` cases whose best place under any of the variants is the highest."""
    places = np.argsort(np.argsort(-scores, axis=0, kind="stable"), axis=0, kind="stable")
    best = np.where(among, places.min(axis=1), len(scores))
    marked = np.zeros(len(scores), dtype=bool)
    marked[np.argsort(best, kind="stable")[:most]] = True
    return marked & among


class RankLoss:
    """The loss of many questions at once; those without a relevant or without a rival row teach nothing."""

    def __init__(self, blocks: Sequence[Block]) -> None:
        kept = [block for block in blocks if block.relevant.any() and not block.relevant.all()]
        self.questions = len(kept)
        if kept:
            self._shares = np.concatenate([block.shares for block in kept])
            self._known = np.concatenate([block.known for block in kept])
            self._relevant = np.concatenate([block.relevant for block in kept])
            self._own = np.array([block.own for block in kept])
            lengths = [len(block.relevant) for block in kept]
            self.told: Bools = np.asarray((self._known > 0).any(axis=0))
            self._begins = np.cumsum([0, *lengths[:-1]])
            self._question = np.repeat(np.arange(len(kept)), lengths)

    def each(self, weights: Floats) -> Floats:
        """Return the loss of every question, in nats."""
        loss, _ = self._softmax(self._scores(weights)[0])
        return loss

    def mean(self, weights: Floats) -> tuple[float, Floats]:
        """Return the mean loss and its gradient."""
        scores, by_share, by_known, by_own = self._scores(weights)
        loss, slope = self._softmax(scores)
        slope = slope / (TEMPERATURE * self.questions)
        per_question = np.bincount(self._question, slope * by_own, minlength=self.questions)
        gradient = self._shares.T @ (slope * by_share) + self._known.T @ (slope * by_known)
        return float(loss.mean()), gradient + self._own.T @ per_question

    def _scores(self, weights: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Return the scores and their slopes by the sums of shares, of what was known, and of what the job tells."""
        known, own = self._known @ weights, (self._own @ weights)[self._question]
        some, told = np.where(known > 0, known, 1.0), np.where(own > 0, own, np.inf)
        reached = np.sqrt(np.minimum(1.0, known / told))
        scores = reached * (self._shares @ weights) / some
        tempered = known < told
        by_known = -scores / some * np.where(tempered, 0.5, 1.0)
        return scores, reached / some, by_known, np.where(tempered, -scores / (2 * told), 0.0)

    def _softmax(self, scores: Floats) -> tuple[Floats, Floats]:
        """Return the loss of every question and, for every row, its slope by score / temperature."""
        heat = scores / TEMPERATURE
        heat = np.exp(heat - np.maximum.reduceat(heat, self._begins)[self._question])
        whole = np.add.reduceat(heat, self._begins)
        right = np.add.reduceat(heat * self._relevant, self._begins)
        slope = heat / whole[self._question] - heat * self._relevant / right[self._question]
        return np.log(whole) - np.log(right), slope


def fitted_weights(loss: RankLoss, defaults: Floats, strength: float, start: Floats | None = None) -> Floats:
    """Return the weights of least loss, none negative, summing to 1; the defaults where no question teaches any.

    A part that could be compared in no question keeps its default share.
    """
    from scipy.optimize import minimize  # type: ignore[import-untyped] # noqa: PLC0415

    towards = np.asarray(defaults / defaults.sum())
    if not loss.questions:
        return towards

    def objective(weights: Floats) -> tuple[float, Floats]:
        value, gradient = loss.mean(weights)
        off, sum_off = weights - towards, weights.sum() - 1.0
        held = strength * float(off @ off) + _SUM_HELD * sum_off**2
        return value + held, gradient + 2 * strength * off + 2 * _SUM_HELD * sum_off

    begin = towards if start is None else start
    bounds = [
        (0.0, None) if told else (weight, weight) for told, weight in zip(loss.told, towards, strict=True)
    ]
    found = minimize(objective, begin, jac=True, method="L-BFGS-B", bounds=bounds).x
    # Only the proportions of what was compared have been fitted, not how they stand to the rest.
    scale = towards[loss.told].sum() / found[loss.told].sum()
    return np.asarray(np.where(loss.told, found * scale, towards), dtype=np.float64)
