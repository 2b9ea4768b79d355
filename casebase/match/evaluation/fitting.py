"""Fitting the weights to a library's own solved cases, and whether they hold for models and causes not seen.

How strongly the defaults hold is chosen by cross-validation. Whether the fitted weights are any better is measured by
holding back whole models, and then whole causes: the strength is chosen anew inside what is left (nested), and neither
the questions nor the cases of the groups held back are seen while fitting.

The loss of a question is the cross-entropy of a softmax over the scores of its candidates, all relevant ones counting
as right (ListNet's top-one probability, Cao et al. 2007, with several right answers). What is made least is its mean
over questions plus `strength` times the squared distance of the weights from the defaults; no weight is negative.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.errors import InputError
from casebase.match.evaluation.evaluate import (
    Figures,
    Outcomes,
    answerable_of,
    figures,
    gain,
    gain_first,
    on_other_models,
    outcomes_of,
)
from casebase.match.evaluation.metrics import Bools, Estimate
from casebase.match.evaluation.questions import CAUSE, MODEL, Groups, Progress, Question, weights_in_order
from casebase.match.facets.arrays import Floats

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


STRENGTHS: Final = (1000.0, 100.0, 10.0, 1.0, 0.1)
"""How strongly the defaults hold: with the first the weights hardly move, with the last the cases alone decide."""

CHANCE: Final = 2.0
"""Standard errors within which a difference is no difference: about 95 %."""

OUTER_FOLDS: Final = 5
INNER_FOLDS: Final = 3

LEAST_QUESTIONS: Final = 10
"""With fewer questions any weights can be made to fit (judged)."""

SPLITS: Final = (MODEL, CAUSE)


@dataclass(frozen=True, slots=True)
class HeldOut:
    """What three sets of weights came to on questions of groups held back, all folds together.

    `gain` is by how much the fitted weights' mean reciprocal rank is above the defaults', question by question.
    `with_twin` and `without_twin` are by how much oftener their first case is a right one, where a case of the model
    would help, and in a library without that model; None where no question tells.
    """

    split: str
    groups: int
    folds: int
    defaults: Figures
    fitted: Figures
    equal: Figures
    gain: Estimate
    with_twin: Estimate | None
    without_twin: Estimate | None
    strengths: tuple[float, ...]

    @property
    def better(self) -> bool:
        """Whether the fitted weights did better beyond chance, and lost nothing with a twin there nor without one."""
        told = [each for each in (self.with_twin, self.without_twin) if each is not None]
        return self.gain.low > 0 and all(each.value >= 0 for each in told)


@dataclass(frozen=True, slots=True)
class Fit:
    """Weights fitted on all questions, beside the defaults; `seen_*` are figures on the very questions fitted on."""

    defaults: dict[str, float]
    weights: dict[str, float]
    strength: float
    questions: int
    seen_defaults: Figures
    seen_fitted: Figures
    held_out: list[HeldOut]

    @property
    def better(self) -> bool:
        """Whether the fitted weights did better on models and on causes not seen, with a twin and without."""
        tested = {each.split for each in self.held_out} == set(SPLITS)
        return tested and all(each.better for each in self.held_out)


def fit(
    questions: Sequence[Question], defaults: Mapping[str, float], progress: Progress | None = None
) -> Fit:
    """Return weights fitted on `questions`, and what they are worth on models and causes held back.

    The same questions give the same weights. Raises InputError where too few questions have an answer.
    """
    answerable = answerable_of(questions)
    if len(answerable) < LEAST_QUESTIONS:
        raise InputError(
            f"{len(answerable)} solved cases have another with the same fault: expected {LEAST_QUESTIONS} at least, for"
            " fewer fit any weights; keep the weights in use"
        )
    return _Fitting(answerable, defaults, progress).fit()


def grouped_folds(groups: Sequence[str], most: int) -> NDArray[np.int64]:
    """Return a fold for each entry, equal groups together: the largest group first, each into the emptiest fold.

    >>> grouped_folds(["a", "b", "a", "c"], 2).tolist()
    [0, 1, 0, 1]
    """
    counts = Counter(groups)
    folds = min(most, len(counts))
    filled = [0] * folds
    fold_of: dict[str, int] = {}
    for group, count in sorted(counts.items(), key=lambda item: (-item[1], item[0])):
        fold_of[group] = filled.index(min(filled))
        filled[fold_of[group]] += count
    return np.array([fold_of[group] for group in groups], dtype=np.int64)


def strength_of(losses: Floats) -> float:
    """Return the strongest of `STRENGTHS` that is no worse than the best by more than chance.

    `losses` are (questions, strengths). Chance is `CHANCE` standard errors of the difference, question by question.
    """
    best = int(losses.mean(axis=0).argmin())
    behind = losses - losses[:, [best]]
    error = behind.std(axis=0, ddof=1) / len(losses) ** 0.5 if len(losses) > 1 else np.zeros(len(STRENGTHS))
    return STRENGTHS[int(np.flatnonzero(behind.mean(axis=0) <= CHANCE * error)[0])]


class _Fitting:
    """One fit of many questions: what is shared by its folds."""

    def __init__(
        self, questions: Sequence[Question], defaults: Mapping[str, float], progress: Progress | None
    ) -> None:
        self._questions = questions
        self._parts = questions[0].comparison.parts
        whole = weights_in_order(defaults, self._parts)
        self._defaults = whole / whole.sum()
        self._blocks = [block_of(question, self._defaults) for question in questions]
        self._splits = [split for split in SPLITS if len(self._groups(self._blocks, split)) > 1]
        self._progress = progress
        self._done = 0

    def fit(self) -> Fit:
        held_out = [self._held_out(split) for split in self._splits]
        strength = self._chosen_strength()
        weights = fitted_weights(RankLoss(self._blocks), self._defaults, strength)
        seen = outcomes_of(self._questions, np.column_stack([self._defaults, weights]))
        return Fit(
            self._named(self._defaults),
            self._named(weights),
            strength,
            len(self._questions),
            figures(seen[0]),
            figures(seen[1]),
            held_out,
        )

    def _named(self, weights: Floats) -> dict[str, float]:
        return dict(zip(self._parts, map(float, weights), strict=True))

    def _groups(self, blocks: Sequence[Block], split: str) -> list[str]:
        """Return the groups of a split, or none where a question does not tell its own."""
        told = [block.groups.get(split) for block in blocks]
        return sorted({group for group in told if group is not None}) if None not in told else []

    def _held_out(self, split: str) -> HeldOut:
        folds = grouped_folds([block.groups[split] for block in self._blocks], OUTER_FOLDS)
        strengths, found, with_twin, without_twin = [], [], [], []
        for fold in range(int(folds.max()) + 1):
            training = _training(self._blocks, folds, fold, split)
            strengths.append(strength_of(self._losses(training, split, INNER_FOLDS)))
            fitted = fitted_weights(RankLoss(training), self._defaults, strengths[-1])
            variants = np.column_stack([self._defaults, fitted, np.ones(len(fitted))])
            asked = [question for question, its in zip(self._questions, folds, strict=True) if its == fold]
            found.append(outcomes_of(asked, variants))
            with_twin.append(outcomes_of([question for question in asked if question.has_twin], variants))
            without_twin.append(outcomes_of(on_other_models(asked), variants))
            self._step()
        defaults, fitted_too, equal = (_joined(outcomes) for outcomes in zip(*found, strict=True))
        return HeldOut(
            split,
            len(self._groups(self._blocks, split)),
            len(strengths),
            figures(defaults),
            figures(fitted_too),
            figures(equal),
            gain(fitted_too, defaults),
            _gain_first(with_twin),
            _gain_first(without_twin),
            tuple(strengths),
        )

    def _chosen_strength(self) -> float:
        """Return the strength chosen over both splits; the first where nothing can be held back."""
        losses = [self._losses(self._blocks, split, OUTER_FOLDS) for split in self._splits]
        self._step()
        return strength_of(np.concatenate(losses)) if losses else STRENGTHS[0]

    def _losses(self, blocks: Sequence[Block], split: str, most: int) -> Floats:
        """Return the losses (questions, strengths) of questions held back, the fits going from strong to weak."""
        folds = grouped_folds([block.groups[split] for block in blocks], most)
        held_back = []
        for fold in range(int(folds.max()) + 1) if len(set(folds)) > 1 else ():
            training = RankLoss(_training(blocks, folds, fold, split))
            measured = RankLoss([block for block, its in zip(blocks, folds, strict=True) if its == fold])
            if measured.questions:
                held_back.append(self._losses_along(training, measured))
        return np.concatenate(held_back) if held_back else np.zeros((1, len(STRENGTHS)))

    def _losses_along(self, training: RankLoss, measured: RankLoss) -> Floats:
        weights, losses = self._defaults, []
        for strength in STRENGTHS:
            weights = fitted_weights(training, self._defaults, strength, weights)
            losses.append(measured.each(weights))
        return np.column_stack(losses)

    def _step(self) -> None:
        self._done += 1
        if self._progress:
            folds = sum(min(OUTER_FOLDS, len(self._groups(self._blocks, split))) for split in self._splits)
            self._progress(self._done, folds + 1)


def _training(blocks: Sequence[Block], folds: NDArray[np.int64], fold: int, split: str) -> list[Block]:
    """Return what may be seen: the questions of the other folds, without the cases of the groups held back."""
    held_back = {block.groups[split] for block, its in zip(blocks, folds, strict=True) if its == fold}
    return [block.without(split, held_back) for block, its in zip(blocks, folds, strict=True) if its != fold]


def _gain_first(by_fold: Sequence[Sequence[Outcomes]]) -> Estimate | None:
    """Return by how much oftener the fitted weights were right first, all folds together; None without a question."""
    told = [outcomes for outcomes in by_fold if outcomes]
    if not told:
        return None
    defaults, fitted_too, _ = (_joined(outcomes) for outcomes in zip(*told, strict=True))
    return gain_first(fitted_too, defaults)


def _joined(outcomes: Sequence[Outcomes]) -> Outcomes:
    first = outcomes[0]
    return replace(
        first,
        **{name: np.concatenate([getattr(each, name) for each in outcomes]) for name in vars(first)},
    )
