"""Fitted weights: they find what was planted, keep to the defaults if told, and are judged on what they never saw."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import check_grad

from casebase.errors import InputError
from casebase.match.evaluation import fitting
from casebase.match.evaluation.evaluate import outcomes_of
from casebase.match.evaluation.fitting import (
    STRENGTHS,
    RankLoss,
    block_of,
    fit,
    fitted_weights,
    grouped_folds,
    strength_of,
)
from casebase.match.evaluation.questions import CAUSE, MODEL, Question

sys.path.insert(0, str(Path(__file__).parent))
from planted import comparison, drawn_questions

pytestmark = pytest.mark.slow  # for what it imports

TRUTH = np.array([0.5, 0.3, 0.15, 0.05])
EQUAL = np.full(4, 0.25)
BY_NAME = {f"part {place}": 0.25 for place in range(4)}


@pytest.fixture(scope="module")
def questions():
    """300 questions among 60 cases, whose answers were drawn by the true weights."""
    return drawn_questions(TRUTH, 300, 60)


@pytest.fixture(scope="module")
def loss(questions):
    """The loss of these questions."""
    return RankLoss([block_of(question, EQUAL) for question in questions])


@pytest.fixture(scope="module")
def fitted(questions):
    """A whole fit of the first 120 questions, from equal weights."""
    return fit(questions[:120], BY_NAME)


def test_planted_weights_are_found(loss):
    """From equal weights and hardly held to them, the fit comes to the weights that the answers were drawn by."""
    assert fitted_weights(loss, EQUAL, 1e-6) == pytest.approx(TRUTH, abs=0.04)


def test_planted_weights_are_kept(loss):
    """Weights that are right already hardly move."""
    assert fitted_weights(loss, TRUTH, 1.0) == pytest.approx(TRUTH, abs=0.03)


@pytest.mark.parametrize("defaults", [EQUAL, TRUTH[::-1], np.array([0.0, 0.0, 3.0, 1.0])])
def test_held_strongly_the_defaults_come_out(loss, defaults):
    """However much the cases speak against them, and whatever they sum to."""
    assert fitted_weights(loss, defaults, 1e7) == pytest.approx(defaults / defaults.sum(), abs=1e-4)


def test_weights_are_shares(loss):
    """None is negative, and they sum to one, at any strength."""
    for strength in STRENGTHS:
        weights = fitted_weights(loss, EQUAL, strength)
        assert weights.min() >= 0
        assert weights.sum() == pytest.approx(1.0)


def test_a_useless_part_loses_weight():
    """A part that has nothing to do with the answer comes out last, far below its default."""
    asked = drawn_questions([0.4, 0.35, 0.25, 0.0], 200, 40, seed=3)
    weights = fitted_weights(RankLoss([block_of(each, EQUAL) for each in asked]), EQUAL, 0.1)
    assert weights.argmin() == 3
    assert weights[3] < 0.08


def test_a_part_that_misleads_goes_to_nothing():
    """Its weight is nought, not negative."""
    rows = [[0.52, 0.1], [0.5, 0.8], [0.48, 0.9]]
    asked = Question(comparison(rows), np.array([True, False, False]))
    assert fitted_weights(RankLoss([block_of(asked, EQUAL[:2])]), EQUAL[:2], 0.01)[1] == pytest.approx(0.0)


@pytest.mark.parametrize("weights", [TRUTH, EQUAL, np.array([0.9, 0.05, 0.03, 0.02])])
def test_the_slope_is_that_of_the_loss(loss, weights):
    """scipy.optimize.check_grad: the gradient against finite differences."""
    error = check_grad(lambda at: loss.mean(at)[0], lambda at: loss.mean(at)[1], weights)
    assert error < 1e-4 * np.linalg.norm(loss.mean(weights)[1]) + 1e-5


def test_the_loss_is_the_cross_entropy_of_a_softmax(questions, loss):
    """Worked out question by question from the scores, it is the same."""
    expected = []
    for question in questions:
        heat = np.exp(question.comparison.scores(TRUTH) / fitting.TEMPERATURE)
        expected.append(-np.log(heat[question.relevant].sum() / heat.sum()))
    assert loss.each(TRUTH) == pytest.approx(np.array(expected), abs=1e-5)


def test_a_large_library_is_fitted_on_what_comes_near(questions, monkeypatch):
    """With far rivals left out the planted weights are still found, and no relevant row is ever left out."""
    monkeypatch.setattr(fitting, "MOST_RIVALS", 20)
    blocks = [block_of(question, EQUAL) for question in questions]
    assert all(len(block.relevant) == 21 and block.relevant.sum() == 1 for block in blocks)
    assert fitted_weights(RankLoss(blocks), EQUAL, 1e-6) == pytest.approx(TRUTH, abs=0.06)


def test_what_may_not_answer_is_not_learned_from(questions):
    """The rows of a block are candidates only, and those of groups held back are gone."""
    question = replace(questions[0], candidate=np.arange(60) < 30)
    block = block_of(question, EQUAL)
    assert len(block.relevant) == 30
    left = block.without(MODEL, {"model 1", "model 2"})
    assert set(left.row_groups[MODEL]) == {f"model {number}" for number in range(12)} - {"model 1", "model 2"}


def test_questions_that_teach_nothing_leave_the_defaults():
    """Without a relevant case, or without a rival, there is nothing to learn."""
    alone = Question(comparison([[0.5, 0.5]]), np.array([True]))
    none = Question(comparison([[0.5, 0.5]]), np.array([False]))
    blocks = [block_of(each, EQUAL[:2]) for each in (alone, none)]
    assert fitted_weights(RankLoss(blocks), np.array([3.0, 1.0]), 0.1) == pytest.approx([0.75, 0.25])


def test_a_part_that_was_never_told_keeps_its_share(questions):
    """Where no question had anything to compare in a part, nothing was learned of it, whatever the others come to."""
    untold = [
        replace(question, comparison=comparison(without_last(question), parts=question.comparison.parts))
        for question in questions
    ]
    weights = fitted_weights(RankLoss([block_of(each, EQUAL) for each in untold]), EQUAL, 0.01)
    assert weights[3] == pytest.approx(0.25)
    assert weights[:3] == pytest.approx(0.75 * TRUTH[:3] / TRUTH[:3].sum(), abs=0.05)


def without_last(question):
    """Return the likeness of a question with its last part unknown of every case."""
    likeness = question.comparison.likeness.copy()
    likeness[:, -1] = np.nan
    return likeness


# --- the whole fit ------------------------------------------------------------------------------------------------


def test_fitted_weights_do_better_on_models_and_causes_not_seen(fitted):
    """Where equal weights are wrong and answers follow the true ones, the gain shows in both splits, beyond chance."""
    assert {each.split for each in fitted.held_out} == {MODEL, CAUSE}
    assert fitted.better
    for each in fitted.held_out:
        assert each.gain.low > 0
        assert each.fitted.mrr.value == pytest.approx(each.defaults.mrr.value + each.gain.value)
        assert each.defaults.questions == fitted.questions == 120
        assert each.equal.mrr.value == pytest.approx(each.defaults.mrr.value)


def test_every_question_is_measured_by_weights_that_never_saw_its_group(questions, fitted):
    """Defaults do not change from fold to fold: held out, all folds together, they are as on all questions."""
    seen = outcomes_of(questions[:120], EQUAL[:, None])[0].reciprocal_ranks.mean()
    assert [each.defaults.mrr.value for each in fitted.held_out] == pytest.approx([seen, seen])


def test_weights_that_lose_where_a_twin_is_there_are_not_advised(questions, fitted):
    """What helps where no case of the model is kept must not cost the twin its first place."""
    random = np.random.default_rng(7)
    rows = len(questions[0].relevant)
    models = np.array([f"model {each}" for each in random.integers(6, size=rows)])
    asked = [replace(question, case_groups={MODEL: models}) for question in questions[:60]]
    found = fit(asked, BY_NAME)
    twins = sum(question.has_twin for question in asked)
    assert 0 < twins < 60
    for each in found.held_out:
        assert each.with_twin is not None
        assert each.without_twin is not None
        loses = replace(each, with_twin=replace(each.with_twin, value=-0.14))
        assert not replace(found, held_out=[loses, *found.held_out[1:]]).better


def test_the_same_questions_give_the_same_weights(questions, fitted):
    """Nothing is left to chance."""
    assert fit(questions[:120], BY_NAME) == fitted


def test_answers_without_a_rule_are_not_overfitted(questions):
    """Where answers are drawn blindly, the defaults hold: nothing is gained, and that is said."""
    random = np.random.default_rng(5)
    blind = [replace(question, relevant=np.arange(60) == random.integers(60)) for question in questions[:60]]
    found = fit(blind, BY_NAME)
    assert not found.better
    assert found.weights == pytest.approx(BY_NAME, abs=0.08)
    assert found.strength >= 10


def test_weights_that_suit_only_the_causes_seen_are_not_called_better():
    """Each cause is found by a part of its own: what helps with new models cannot help with new causes."""
    asked = [
        replace(question, groups=dict(question.groups) | {CAUSE: f"cause {place}"})
        for place, count in enumerate((90, 30))
        for question in drawn_questions(np.eye(3)[place], count, 40, seed=place)
    ]
    found = fit(asked, dict.fromkeys(("part 0", "part 1", "part 2"), 1 / 3))
    by_model, by_cause = found.held_out
    assert by_model.gain.low > 0
    assert by_cause.gain.high < by_model.gain.low
    assert set(by_cause.strengths) == {STRENGTHS[0]}
    assert not found.better
    assert found.weights == pytest.approx(found.defaults, abs=0.01)


def test_progress_is_told_fold_by_fold(questions):
    """The callback hears of every fold, and of the last fit."""
    heard = []
    fit(questions[:30], BY_NAME, lambda done, whole: heard.append((done, whole)))
    assert heard == [(done, 11) for done in range(1, 12)]


def test_a_library_of_one_model_cannot_hold_models_back(questions):
    """One model, several causes: only the split that is possible is made, and nothing counts as shown to be better."""
    one = [
        replace(question, groups=dict(question.groups) | {MODEL: "model 0"}) for question in questions[:40]
    ]
    found = fit(one, BY_NAME)
    assert [each.split for each in found.held_out] == [CAUSE]
    assert not found.better


def test_questions_without_groups_keep_the_defaults(questions):
    """Without a check nothing is fitted freely: the strongest hold on the defaults is taken."""
    bare = [replace(question, groups={}) for question in questions[:20]]
    found = fit(bare, BY_NAME)
    assert found.held_out == []
    assert found.strength == STRENGTHS[0]
    assert found.weights == pytest.approx(BY_NAME, abs=0.01)


def test_few_questions_fit_no_weights(questions):
    """Below ten the sentence says how many there are, and to keep the weights in use."""
    with pytest.raises(InputError, match="9 solved cases"):
        fit(questions[:9], BY_NAME)


def test_the_strongest_hold_that_costs_nothing_is_chosen():
    """A weaker hold must be better by more than chance."""
    random = np.random.default_rng(2)
    base = random.random((50, 1))
    same = base + np.zeros((50, len(STRENGTHS)))
    clear = base - np.array([0.0, 0.0, 0.3, 0.3, 0.3])
    assert strength_of(same) == STRENGTHS[0]
    assert strength_of(clear + random.normal(0, 0.01, clear.shape)) in STRENGTHS[2:]


def test_groups_are_never_parted():
    """All questions of one model lie in one fold, and no fold is empty."""
    folds = grouped_folds(["a", "b", "a", "c", "b", "a"], 5)
    assert folds.tolist() == [0, 1, 0, 2, 1, 0]
