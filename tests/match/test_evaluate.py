"""Questions with a known answer, and what weights find among them."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from casebase.errors import InputError
from casebase.match.evaluation.asking import as_stuck_job
from casebase.match.evaluation.evaluate import evaluate
from casebase.match.evaluation.questions import (
    CAUSE,
    MODEL,
    Comparison,
    Question,
    chosen,
    leave_one_out,
    looks_alike,
    same_fault_same_kind_of_place,
    worth_asking,
)
from casebase.match.facets.measure import FACETS, WEIGHTS
from casebase.match.profile_of_case import profile_of
from tests.match.in_memory import rarity_in

sys.path.insert(0, str(Path(__file__).parent))
from planted import PARTS, comparison

NAN = float("nan")
EVEN = dict.fromkeys(PARTS, 0.25)
TWO = {"meaning": 0.5, "readings": 0.5}
CHAFED = {"fault": "low_open", "where": {"place": "harness"}}


@pytest.fixture(scope="module")
def solved(demo_cases):
    """The solved invented cases, with their file names as IDs."""
    profiles = {name: profile_of(case, name) for name, case in demo_cases.items()}
    return {name: (demo_cases[name], profile) for name, profile in profiles.items() if worth_asking(profile)}


@pytest.fixture(scope="module")
def compare(solved):
    """Return what compares a job with the solved demo cases pair by pair, by the facets there are."""
    pasts = [profile for _, profile in solved.values()]
    rarity = rarity_in(pasts)

    def compared(job):
        pairs = [[facet(job, past, rarity) for facet in FACETS.values()] for past in pasts]
        likeness = [[NAN if part.likeness is None else part.likeness for part in row] for row in pairs]
        known = [[part.known for part in row] for row in pairs]
        own = [facet(job, job, rarity).known for facet in FACETS.values()]
        return Comparison(tuple(FACETS), np.array(likeness), np.array(known), np.array(own))

    return compared


@pytest.fixture(scope="module")
def demo_questions(solved, compare):
    """The solved demo cases, each asked again."""
    jobs = [(profile_of(as_stuck_job(case), name), profile) for name, (case, profile) in solved.items()]
    return leave_one_out(jobs, [profile for _, profile in solved.values()], compare)


# --- scores -------------------------------------------------------------------------------------------------------


def test_the_score_is_the_mean_of_what_is_known_tempered_by_how_much():
    """Half of what the job tells is known of a case alike in all of it: its score is the root of a half."""
    compared = comparison([[1.0, NAN], [0.6, 0.2], [NAN, NAN]])
    assert compared.scores(np.array([0.5, 0.5])) == pytest.approx([0.5**0.5, 0.4, 0.0])


def test_what_the_job_leaves_unknown_counts_against_nobody():
    """A part that the job does not tell tempers no score, and a case that tells more is not rewarded for it."""
    compared = comparison([[0.8, NAN], [0.8, 0.8]], known_to_job=[1, 0])
    assert compared.scores(np.array([0.5, 0.5])) == pytest.approx([0.8, 0.8])


def test_only_the_proportions_of_weights_count():
    """Weights ten times as large give the same scores."""
    compared = comparison([[0.9, 0.3], [NAN, 0.7]])
    weights = np.array([0.7, 0.3])
    assert compared.scores(10 * weights) == pytest.approx(compared.scores(weights))


def test_scores_of_demo_cases_are_those_of_the_formula(solved, compare):
    """Arrays or one pair after the other: tempering times the weighted mean over known facets."""
    case, _ = next(iter(solved.values()))
    job = profile_of(as_stuck_job(case), "job")
    compared = compare(job)
    rarity = rarity_in([profile for _, profile in solved.values()])
    own = sum(WEIGHTS[name] * facet(job, job, rarity).known for name, facet in FACETS.items())
    for (_, past), score in zip(
        solved.values(), compared.scores(np.array([*map(WEIGHTS.get, FACETS)])), strict=True
    ):
        parts = [(WEIGHTS[name], facet(job, past, rarity)) for name, facet in FACETS.items()]
        known = sum(weight * part.known for weight, part in parts)
        mean = sum(weight * part.known * (part.likeness or 0) for weight, part in parts) / known
        assert score == pytest.approx(min(1, known / own) ** 0.5 * mean)


def test_arrays_that_do_not_fit_are_refused():
    """A comparison says what shape it expected; a known likeness must be a number."""
    with pytest.raises(InputError, match="expected"):
        Comparison(("a", "b"), np.zeros((3, 2)), np.zeros((3, 1)), np.zeros(2))
    with pytest.raises(InputError, match="known"):
        comparison([[NAN]], known=[[1.0]])


# --- which past case would have helped ----------------------------------------------------------------------------


@pytest.fixture
def with_cause(make_case):
    """Return a maker of profiles of cases with a cause, on a model and with codes."""

    def made(cause, model="Fjellet", codes=("U0121",)):
        case = make_case(
            vehicle={"make": "Norrvik", "model": model},
            cause=cause,
            codes=[{"code": code} for code in codes],
            provenance={"ended": "2026-03-02"},
        )
        return profile_of(case, "case")

    return made


def test_the_same_fault_at_the_same_kind_of_place_would_have_helped(with_cause):
    """An open low line in the harness is not one at a splice, but may be one whose place nobody wrote down."""
    splice, unplaced = {"fault": "low_open", "where": {"place": "splice"}}, {"fault": "low_open"}
    here = with_cause(CHAFED)
    assert same_fault_same_kind_of_place(here, with_cause(CHAFED, model="Havik"))
    assert not same_fault_same_kind_of_place(here, with_cause(splice))
    assert same_fault_same_kind_of_place(here, with_cause(unplaced))
    assert not same_fault_same_kind_of_place(
        here, with_cause({"fault": "high_open", "where": {"place": "harness"}})
    )


def test_no_fault_found_answers_nothing(with_cause):
    """Two jobs that ended without a fault have no cause in common, and are not worth asking again."""
    none = with_cause({"fault": "none"})
    assert not same_fault_same_kind_of_place(none, none)
    assert not worth_asking(none)


def test_a_look_alike_has_the_model_and_a_code_but_another_fault(with_cause):
    """The case that misleads looks the same from the driver's seat."""
    here, other = with_cause(CHAFED), {"fault": "module_internal"}
    assert looks_alike(here, with_cause(other))
    assert not looks_alike(here, with_cause(other, model="Havik"))
    assert not looks_alike(here, with_cause(other, codes=["U0100"]))
    assert not looks_alike(here, with_cause(CHAFED))


def test_cases_are_thinned_out_evenly(with_cause):
    """Of many solved cases as many as asked for are taken, from all over the library, the same each time."""
    fixed = replace(with_cause(CHAFED), status="fixed, verified")
    many = [replace(fixed, case_id=f"{number:03d}") for number in range(100)]
    stuck = replace(fixed, case_id="stuck", status="open")
    assert [profile.case_id for profile in chosen([*reversed(many), stuck], 4)] == [
        "000",
        "025",
        "050",
        "075",
    ]
    assert len(chosen(many, 1000)) == 100


# --- leave one out ------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_case_is_left_out_of_its_own_answer(solved, demo_questions):
    """Every demo case is asked among all the others; what it is relevant for follows from both causes."""
    for place, (question, (_, profile)) in enumerate(zip(demo_questions, solved.values(), strict=True)):
        assert np.flatnonzero(~question.candidates).tolist() == [place]
        assert question.groups == {MODEL: f"{profile.make} {profile.model}", CAUSE: profile.fault}
        for (_, past), relevant in zip(solved.values(), question.relevant, strict=True):
            assert relevant == same_fault_same_kind_of_place(profile, past)


def test_a_job_that_still_names_its_cause_is_refused(solved, compare):
    """Whoever forgets to hide the answer gets no figures."""
    profiles = [profile for _, profile in solved.values()]
    with pytest.raises(InputError, match="still names its cause"):
        leave_one_out([(profiles[0], profiles[0])], profiles, compare)


def test_an_answer_of_another_length_is_refused(solved, compare):
    """The rows compared must be the cases that relevance was judged for."""
    profiles = [profile for _, profile in solved.values()]
    stuck = profile_of(as_stuck_job(next(iter(solved.values()))[0]), profiles[0].case_id)
    with pytest.raises(InputError, match="expected 1"):
        leave_one_out([(stuck, profiles[0])], profiles[:1], compare)


def test_progress_is_told_question_by_question(solved, compare):
    """The callback hears of every question done."""
    case, profile = next(iter(solved.values()))
    heard = []
    jobs = [(profile_of(as_stuck_job(case), "a"), profile)] * 3
    leave_one_out(
        jobs, [past for _, past in solved.values()], compare, lambda done, whole: heard.append((done, whole))
    )
    assert heard == [(1, 3), (2, 3), (3, 3)]


# --- figures ------------------------------------------------------------------------------------------------------


def question(likeness, relevant, **more):
    """Return a question on the first parts, `relevant` being rows."""
    marked = np.isin(np.arange(len(likeness)), relevant)
    return Question(comparison(likeness), marked, **more)


def test_figures_of_two_questions_worked_by_hand():
    """Right cases at places 1 and 3: first in .5, among three in 1, mean reciprocal rank 2/3, nDCG (1 + .5) / 2."""
    first = question([[0.9, 0.9], [0.1, 0.2], [0.3, 0.3]], [0])
    third = question([[0.2, 0.2], [0.8, 0.8], [0.5, 0.5]], [0])
    full = evaluate([first, third], TWO).full
    assert (full.hit_at_1.value, full.hit_at_3.value, full.hit_at_5.value) == (0.5, 1.0, 1.0)
    assert full.mrr.value == pytest.approx(2 / 3)
    assert full.ndcg_at_5.value == pytest.approx(0.75)
    assert full.hit_at_1.low < 0.1
    assert full.hit_at_1.high > 0.9


def test_each_part_alone_and_left_out():
    """Readings find the case, meaning misleads: alone it finds nothing, without it nothing is lost."""
    asked = [question([[0.1, 0.9], [0.5, 0.1], [0.4, 0.2]], [0])] * 4
    meaning, readings = evaluate(asked, TWO).worth
    assert (meaning.part, readings.part) == ("meaning", "readings")
    assert (meaning.alone.hit_at_1.value, readings.alone.hit_at_1.value) == (0.0, 1.0)
    assert (meaning.without.hit_at_1.value, readings.without.hit_at_1.value) == (1.0, 0.0)
    assert meaning.adds.value == 0.0
    assert readings.adds.value == pytest.approx(2 / 3)


def test_a_part_that_is_never_known_finds_nothing_alone():
    """All scores nought is a tie, and a tie is no find."""
    asked = [question([[0.9, NAN], [0.1, NAN]], [0])] * 3
    _, readings = evaluate(asked, TWO).worth
    assert readings.told_in == 0
    assert readings.alone.hit_at_1.value == 0.0


def test_questions_without_an_answer_are_counted_but_not_measured():
    """A fault that the library holds once cannot be found: it is said, not held against the weights."""
    found = evaluate([question([[0.9, 0.9], [0.1, 0.1]], [0]), question([[0.9, 0.9], [0.1, 0.1]], [])], TWO)
    assert (found.asked, found.unanswerable, found.full.questions) == (2, 1, 1)
    assert found.full.hit_at_1.value == 1.0


def test_a_library_without_two_cases_of_one_fault_cannot_be_measured():
    """The sentence says what is lacking."""
    with pytest.raises(InputError, match="same fault"):
        evaluate([question([[0.9, 0.9]], [])], TWO)


def test_a_case_that_may_not_answer_is_not_counted():
    """The question's own record, alike in everything, is no find."""
    own = np.array([False, True, True])
    asked = [question([[1.0, 1.0], [0.5, 0.5], [0.6, 0.6]], [0, 1], candidate=own)]
    assert evaluate(asked, TWO).full.hit_at_1.value == 0.0


def test_look_alikes_are_measured_where_there_are_any():
    """Of two questions with a look-alike one has it above the right case."""
    rows = [[0.6, 0.6], [0.9, 0.9], [0.5, 0.5]]
    marks = [np.arange(3) == place for place in (1, 2)]
    asked = [question(rows, [0], look_alike=look_alike) for look_alike in marks]
    full = evaluate([*asked, question(rows, [0])], TWO).full
    assert full.with_look_alikes == 2
    assert full.above_look_alikes.value == 0.5


def test_without_the_twin_other_models_must_answer():
    """With no case of its own model left, the question is harder, and asked only where an answer is left."""
    models = {MODEL: np.array(["Norrvik Fjellet", "Maruvo Pavane", "Maruvo Pavane"])}
    rows = [[0.9, 0.9], [0.5, 0.5], [0.6, 0.6]]
    here = {"groups": {MODEL: "Norrvik Fjellet"}, "case_groups": models}
    found = evaluate([question(rows, [0, 1], **here), question(rows, [0], **here)], TWO)
    assert found.full.hit_at_1.value == 1.0
    assert found.on_other_models.questions == 1
    assert found.on_other_models.mrr.value == 0.5
    assert evaluate([question(rows, [0])], TWO).on_other_models is None


def test_weights_that_do_not_fit_are_refused():
    """A part without a weight, or weights that are all nought or negative."""
    asked = [question([[0.9, 0.9], [0.1, 0.1]], [0])]
    for weights, words in (
        ({"meaning": 1.0}, "readings"),
        (dict.fromkeys(TWO, 0.0), "above"),
        (TWO | {"meaning": -1}, "0"),
    ):
        with pytest.raises(InputError, match=words):
            evaluate(asked, weights)


@pytest.mark.slow
def test_demo_cases_are_found_better_with_all_facets_than_by_codes(demo_questions):
    """Among the invented cases all facets together beat codes alone, and intervals stay honest: few questions, wide."""
    found = evaluate(demo_questions, WEIGHTS)
    codes = next(each for each in found.worth if each.part == "codes")
    assert found.full.questions + found.unanswerable == found.asked == len(demo_questions)
    assert found.full.mrr.value > codes.alone.mrr.value
    assert found.full.hit_at_1.high - found.full.hit_at_1.low > 0.2
    assert sum(each.weight for each in found.worth) == pytest.approx(1.0)
