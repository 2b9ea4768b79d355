"""The ranking: exact, explained, and fair to what is unknown."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from casebase import places
from casebase.match.answer.data import answer_data
from casebase.match.answer.working_out import answer_to as answered
from casebase.match.index.search import nearest
from casebase.match.profile_of_case import from_data, profile_of, to_data
from casebase.record.vocabulary import Kind, Status
from tests.match.in_memory import collection_of

ENDED = {"ended": "2026-03-02"}
DEMO_ANSWERS = Path(__file__).parent.parent / "demo"


def answer_to(job, cases, most=5):
    """Return the answer to a job, by the simulated buses of this run."""
    return answered(job, cases, most, places.simulation_folder())


def rank(job, profiles, most):
    """Return the ranking of profiles that are a collection of their own."""
    return nearest(job, collection_of(profiles), most)


def test_a_profile_survives_json(profiles):
    """What the library keeps of a profile gives the same profile back."""
    for profile in profiles:
        bare = replace(profile, meaning={}, host=None)
        assert from_data(json.loads(json.dumps(to_data(profile)))) == bare


@pytest.mark.slow
def test_the_parts_shown_give_the_score(demo_jobs, collection):
    """Tempering times the sum of likeness times weight is the score, for every match of every job."""
    for job in demo_jobs.values():
        for match in answer_data(answer_to(job, collection, 60))["matches"]:
            parts = [facet for facet in match["facets"].values() if facet["likeness"] is not None]
            total = match["tempering"] * sum(part["likeness"] * part["weight"] for part in parts)
            assert total == pytest.approx(match["score"], abs=1e-3)


@pytest.mark.slow
def test_ranking_is_exact_over_the_whole_library(demo_jobs, profiles):
    """Every solved case is compared: asking for all returns all, best first."""
    solved = [profile for profile in profiles if profile.kind == Kind.FAULT_CASE]
    for job in demo_jobs.values():
        matches = rank(profile_of(job, "job"), profiles, 1000).matches
        assert len(matches) == len(solved)
        steps = [round(match.score * 100) for match in matches]
        assert steps == sorted(steps, reverse=True)


def test_a_kept_job_is_not_its_own_likeness(profiles):
    """A case is left out of its own answer."""
    found = rank(profiles[0], profiles, 100)
    assert profiles[0].case_id not in [match.profile.case_id for match in found.matches + found.known_good]


def test_an_exact_twin_is_alike_in_everything(profiles):
    """The same case under another ID scores nearly one: only its cause, which a job has not, keeps it from one."""
    fault = next(profile for profile in profiles if profile.fault)
    best = rank(replace(fault, case_id="twin"), profiles, 1).matches[0]
    assert best.profile.case_id == fault.case_id
    assert best.score > 0.95
    for name, facet in best.facets.items():
        assert facet.likeness in (None, pytest.approx(1.0)) or name == "meaning"


def test_verified_comes_before_unverified_of_equal_likeness(profiles):
    """Of two cases alike to the job in the same degree, the verified one is named first."""
    fault = next(profile for profile in profiles if profile.status == Status.FIXED_VERIFIED)
    verified = replace(fault, case_id="z")
    unproven = replace(fault, case_id="a", status=str(Status.FIXED_NOT_PROVEN))
    found = rank(replace(fault, case_id="job"), [unproven, verified], 2).matches
    assert [match.profile.case_id for match in found] == ["z", "a"]


def test_jobs_still_open_solve_nobody(profiles):
    """Another stuck job, however alike, is no past case."""
    fault = next(profile for profile in profiles if profile.fault)
    stuck = replace(fault, case_id="stuck", status=str(Status.OPEN))
    assert rank(fault, [stuck], 5).matches == []


def test_what_the_job_leaves_unknown_counts_against_nobody(make_case):
    """A job without readings ranks a case with readings no lower for having them."""
    job = make_case(codes=[{"code": "U0121", "module": "ECM"}])
    plain = make_case(codes=[{"code": "U0121", "module": "ECM"}], provenance=ENDED)
    reading = {"quantity": "resistance", "line": "CAN high", "against": "CAN low", "value": 60}
    measured = make_case(codes=[{"code": "U0121", "module": "ECM"}], readings=[reading], provenance=ENDED)
    found = rank(profile_of(job, "job"), [profile_of(plain, "p"), profile_of(measured, "m")], 2).matches
    assert found[0].score == pytest.approx(found[1].score)


def test_a_sparse_record_is_tempered(make_case):
    """A case that tells little of what the job tells cannot come out as alike as one that tells it all."""
    told = {"codes": [{"code": "U0121", "module": "ECM"}], "modules": [{"name": "ABS", "answers": "no"}]}
    job, twin = make_case(**told), make_case(**told, provenance=ENDED)
    sparse = make_case(codes=told["codes"], provenance=ENDED)
    found = rank(profile_of(job, "job"), [profile_of(sparse, "s"), profile_of(twin, "t")], 2).matches
    assert [match.profile.case_id for match in found] == ["t", "s"]
    assert found[1].tempering < 1.0


def expected_answers():
    """Return (job, its answers) for every demo job."""
    read = YAML(typ="safe", pure=True).load
    told = [read(path.read_text(encoding="utf-8")) for path in sorted(DEMO_ANSWERS.glob("answers_*.yaml"))]
    return [item for answers in told for item in answers.items()]


@pytest.mark.slow
@pytest.mark.parametrize(("job", "expected"), expected_answers(), ids=lambda value: str(value)[:40])
def test_demo_jobs_find_their_case(job, expected, demo_jobs, collection):
    """Each stuck job's first answer is the record that holds it; look-alikes stay clearly behind."""
    answer = answer_to(demo_jobs[job], collection, 60)
    healthy = [vehicle.match.profile.case_id for vehicle in answer.healthy]
    faults = [case.match.profile.case_id for case in answer.similar]
    best = expected["best"][0]

    assert best == (healthy if best in healthy else faults)[0]
    assert answer.reads_normal == (best in healthy)
    for look_alike in expected["look_alikes"]:
        solved = [name for name in expected["best"] if name in faults]
        assert faults.index(look_alike) > faults.index(solved[0])


def test_each_demo_job_has_an_expected_answer(demo_jobs):
    """A new job in the demo needs its answer written down."""
    assert {job for job, _ in expected_answers()} == set(demo_jobs)


@pytest.mark.slow
def test_the_reading_that_tells_look_alikes_apart_is_named(demo_jobs, collection):
    """The look-alike's difference from the job with the silent ABS is the pair at the ABS connector."""
    answer = answer_to(demo_jobs["k4-fjellet-abs-silent.yaml"], collection, 5)
    look_alike = next(
        case.match
        for case in answer.similar
        if case.match.profile.case_id == "k4-abs-low-line-chafed-at-strut.yaml"
    )
    assert any("connector of ABS" in words and "OL" in words for words in look_alike.differ)


@pytest.mark.slow
def test_what_would_settle_it_is_named_with_each_case(demo_jobs, collection):
    """For the silent ABS the nearest case has the supply at its connector, which the job has not."""
    answer = answer_to(demo_jobs["k4-fjellet-abs-silent.yaml"], collection, 3)
    told = answer_data(answer)["matches"][0]["would_settle"]
    assert told.startswith("supply to")


def test_what_is_read_already_does_not_settle_it(make_case):
    """A job that holds the ohms of the pair is sent for the volts, not for the ohms again."""
    ohms = {
        "quantity": "resistance",
        "line": "CAN high",
        "against": "CAN low",
        "battery": "disconnected",
        "value": 60,
    }
    volts = {"quantity": "voltage", "line": "CAN high", "against": "ground", "ignition": "on", "value": 3.5}
    past = make_case(readings=[ohms, volts], cause={"fault": "driver_stuck_dominant"}, provenance=ENDED)
    job = make_case(readings=[ohms])

    told = answer_data(answer_to(job, collection_of([profile_of(past, "past")])))

    assert told["matches"][0]["would_settle"].startswith("CAN high to ground at DLC")


@pytest.mark.slow
def test_probabilities_of_the_causes_sum_to_one(demo_jobs, collection):
    """What is listed and what none of these cases had make the whole."""
    for job in demo_jobs.values():
        told = answer_data(answer_to(job, collection))
        whole = sum(cause["probability"] for cause in told["causes"]) + told["something_else"]
        assert whole == pytest.approx(1.0, abs=1e-3)
