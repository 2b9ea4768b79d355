"""What an evaluation says on the screen and as JSON."""

import io
import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from casebase.match.evaluation.evaluate import evaluate
from casebase.match.evaluation.fitting import fit
from casebase.match.evaluation.questions import MODEL, Question
from casebase.terminal.evaluation import evaluation_data, print_evaluation
from casebase.terminal.page import Page

sys.path.insert(0, str(Path(__file__).parent.parent / "match"))
from planted import comparison, drawn_questions

pytestmark = pytest.mark.slow  # fits weights first

TRUTH = np.array([0.6, 0.3, 0.1])
WEIGHTS = {"part 0": 0.2, "part 1": 0.3, "part 2": 0.5}


@pytest.fixture(scope="module")
def questions():
    """60 questions, two of them with a look-alike, and one without an answer."""
    asked = drawn_questions(TRUTH, 60, 40, seed=4)
    asked[:2] = [replace(question, look_alike=~question.relevant) for question in asked[:2]]
    asked.append(replace(asked[-1], relevant=np.zeros(40, dtype=bool)))
    return asked


@pytest.fixture(scope="module")
def fitted(questions):
    """Weights fitted on them, far better than those in use."""
    return fit(questions, WEIGHTS)


def printed(evaluation, fitted_weights=None, width=80):
    """Return what is printed on a screen of that width."""
    screen = Console(file=io.StringIO(), width=width, highlight=False)
    print_evaluation(evaluation, Page(screen), fitted_weights)
    return screen.file.getvalue()


def as_told(text):
    """Return the text without its line breaks."""
    return " ".join(text.split())


@pytest.mark.parametrize("width", [80, 110])
def test_no_line_is_wider_than_the_screen(questions, fitted, width):
    """Tables too fit 80 columns, and no row of a table is broken in two."""
    lines = printed(evaluate(questions, WEIGHTS), fitted, width).splitlines()
    assert max(map(len, lines)) <= width
    assert sum(line.startswith("  part 0 ") for line in lines) == 2
    assert sum(line.rstrip().endswith(")") and line.startswith("  part ") for line in lines) == 4


def test_the_page_says_what_was_asked_and_left_out(questions):
    """How many cases, among how many, what was hidden, and what could not be answered."""
    text = as_told(printed(evaluate(questions, WEIGHTS)))
    assert "61 solved cases, each asked again as a stuck job among 40 cases" in text
    assert "Without such a case here, and left out: 1. Left to be measured: 60." in text


def test_every_figure_stands_with_its_interval(questions):
    """The share first, as evaluated, with the interval that few questions leave."""
    evaluation = evaluate(questions, WEIGHTS)
    first = evaluation.full.hit_at_1
    text = printed(evaluation)
    assert f"{first.value:.2f} ({first.low:.2f} to {first.high:.2f})" in text
    assert f"anything from {first.low:.2f} to {first.high:.2f}" in as_told(text)
    assert "2 questions" in text


def test_each_part_has_its_row_heaviest_first(questions):
    """Weight, in how many questions it was told, alone, left out, and what it adds."""
    evaluation = evaluate(questions, WEIGHTS)
    rows = [line.split() for line in printed(evaluation).splitlines() if line.startswith("  part ")][1:]
    assert [row[1] for row in rows] == ["2", "1", "0"]
    worth = evaluation.worth[2]
    figures = (worth.alone.hit_at_1, worth.alone.mrr, worth.without.hit_at_1, worth.without.mrr)
    assert rows[0][2:8] == ["0.50", "60", *(f"{figure.value:.2f}" for figure in figures)]


def test_a_small_library_is_told_how_little_it_can_say(questions):
    """Below a hundred questions the page warns; above, it does not."""
    many = questions[:-1] * 2
    assert "This is a small library" in printed(evaluate(questions, WEIGHTS))
    assert "This is a small library" not in printed(evaluate(many, WEIGHTS))


def test_parts_that_help_or_harm_beyond_chance_are_named():
    """Readings find every case, meaning misleads in every one; where all cases are level, no part is named."""
    rows = [[0.1, 0.9], [0.9, 0.5], [0.3, 0.6], [0.2, 0.4]]
    asked = Question(comparison(rows), np.arange(4) == 0)
    even = {"meaning": 0.5, "readings": 0.5}
    assert "Beyond chance these help: readings; these do harm: meaning." in as_told(
        printed(evaluate([asked] * 9, even))
    )
    level = [replace(asked, comparison=comparison([[0.5, 0.5]] * 4))] * 9
    assert "These questions cannot show of any part whether it helps" in as_told(
        printed(evaluate(level, even))
    )


def test_better_weights_are_offered_and_nothing_is_changed(questions, fitted):
    """Where they hold for models and causes not seen, the page says how to keep them."""
    text = as_told(printed(evaluate(questions, WEIGHTS), fitted))
    assert fitted.better
    assert "did better on models and causes they had not seen" in text
    assert "To use them here: casebase evaluate --fit --keep. Until then nothing has changed." in text


def test_weights_that_are_no_better_are_not_recommended(questions, fitted):
    """The page says to keep the weights in use, and why."""
    worse = replace(
        fitted, held_out=[replace(each, gain=replace(each.gain, low=-0.1)) for each in fitted.held_out]
    )
    text = as_told(printed(evaluate(questions, WEIGHTS), worse))
    assert "did not do better, beyond chance, on models and causes they had not seen" in text
    assert "Keep the weights in use" in text


def test_what_could_not_be_held_back_is_said(questions, fitted):
    """A library of one model cannot show that its weights are any good elsewhere."""
    one = replace(fitted, held_out=[each for each in fitted.held_out if each.split != MODEL])
    text = as_told(printed(evaluate(questions, WEIGHTS), one))
    assert "Nothing could be held back for models not seen" in text


def test_json_tells_the_same(questions, fitted):
    """Every figure of the page, with its interval, and the fitted weights."""
    evaluation = evaluate(questions, WEIGHTS)
    told = json.loads(json.dumps(evaluation_data(evaluation, fitted), allow_nan=False))
    assert (told["asked"], told["unanswerable"], told["cases"]) == (61, 1, 40)
    assert told["full"]["mrr"]["value"] == round(evaluation.full.mrr.value, 4)
    assert told["full"]["above_look_alikes"]["low"] >= 0
    assert list(told["facets"]) == ["part 0", "part 1", "part 2"]
    assert told["facets"]["part 1"]["told_in"] == 60
    assert told["fit"]["weights"] == {part: round(weight, 4) for part, weight in fitted.weights.items()}
    assert told["fit"]["better_on_unseen"] is True
    assert told["fit"]["held_out"]["cause"]["groups"] == 8
    assert evaluation_data(evaluation)["fit"] is None
