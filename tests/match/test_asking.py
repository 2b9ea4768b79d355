"""Solved cases asked again: what came later is hidden, and nobody is his own answer."""

import numpy as np
import pytest

from casebase import places
from casebase.match.evaluation.asking import questions_of
from casebase.match.evaluation.evaluate import evaluate
from casebase.match.evaluation.fitting import fit
from casebase.match.facets.measure import WEIGHTS

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def questions(collection, demo_cases):
    """The demo records asked again, none of which knows its own ID."""
    return questions_of(collection, demo_cases.__getitem__, places.simulation_folder(), None, 300)


def test_nobody_is_his_own_answer(questions):
    """Each question leaves out exactly one case, and that one would have been the nearest."""
    weights = np.array([WEIGHTS[part] for part in questions[0].comparison.parts])
    for question in questions:
        left_out = np.flatnonzero(~question.candidates)
        assert len(left_out) == 1
        assert np.argmax(question.comparison.scores(weights)) == left_out[0]


def test_the_cause_of_the_question_is_not_known_to_it(questions):
    """No question is answered by its own cause: some right cases do not come first."""
    found = evaluate(questions, WEIGHTS)
    assert found.asked == len(questions)
    assert 0.1 < found.full.hit_at_1.value < 1.0


def test_the_demo_records_can_be_fitted(questions):
    """Fitted weights are shares of the same facets; whether they hold is told with them."""
    fitted = fit(questions, WEIGHTS)
    assert fitted.weights.keys() == WEIGHTS.keys()
    assert sum(fitted.weights.values()) == pytest.approx(1.0)
