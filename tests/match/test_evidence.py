"""What a job tells beside its readings is heard and shown (rules of the trade: common practice, no source)."""

from casebase.match.answer.case_votes import CauseKey
from casebase.match.answer.evidence import evidence_of
from casebase.match.answer.words import cases_behind_words
from casebase.match.answer.working_out import answer_to
from casebase.record.case import Case
from casebase.record.cautions import BRAKES_OR_STEERING
from casebase.record.vocabulary import Fault

WHEEL = {
    "lamps": ["anti-lock brake system", "electronic stability control"],
    "codes": [{"module": "ABS", "code": "C0035-13"}, {"module": "ECM", "code": "U0415"}],
}


def job(**told):
    """Return a stuck job."""
    return Case.model_validate(
        {"kind": "fault case", "vehicle": {"make": "Norrvik", "model": "Skarn"}} | told
    )


def test_the_proof_of_one_local_fault_comes_before_all_other_tests(collection):
    """Minutes, with what to mind at brakes; the cause stands first, and says what tells it where no case had it."""
    answer = answer_to(job(**WHEEL), collection)
    first, cause = answer.tests[0], answer.causes[0]
    assert first.words.startswith(
        "C0035-13 in ABS, a wheel speed sensor circuit: compare the four wheel speeds"
    )
    assert (first.minutes, first.cautions) == (20, [BRAKES_OR_STEERING])
    assert cause.fault == Fault.SENSOR_OR_ACTUATOR
    assert cases_behind_words(cause) == ["none had it: the job's own codes, lamps and feeds say so"]


def test_beside_a_module_that_is_missed_the_network_comes_first(collection):
    """A wheel speed code explains no silence."""
    missed = [*WHEEL["codes"], {"module": "ECM", "code": "U0101"}]
    answer = answer_to(
        job(lamps=WHEEL["lamps"], codes=missed, modules=[{"name": "TCM", "answers": "no"}]), collection
    )
    assert "C0035" not in answer.tests[0].words
    assert [blame.module for blame in answer.blames if blame.kind == "lost"] == ["transmission control"]


def test_a_job_with_a_silent_module_never_counts_as_nothing_amiss():
    """Nor one whose codes miss a module, or whose feed is bad."""
    assert evidence_of(job(), []).nothing_amiss == 1.0
    assert evidence_of(job(modules=[{"name": "TCM", "answers": "no"}]), []).nothing_amiss == 0.0
    assert evidence_of(job(codes=[{"module": "ECM", "code": "U0101"}]), []).nothing_amiss == 0.0
    assert evidence_of(job(lamps=["engine"]), []).nothing_amiss < 1.0


def test_a_local_fault_that_explains_all_speaks_for_itself():
    """No case had it, yet one circuit code with the lamps that follow from it is a cause to look at first."""
    told = job(
        lamps=["anti-lock brake system", "electronic stability control"],
        codes=[{"module": "ABS", "code": "C0035-13"}, {"module": "ECM", "code": "U0415"}],
    )
    words = dict(evidence_of(told, []).own_words(1.0, 0.1))
    assert words[CauseKey(str(Fault.SENSOR_OR_ACTUATOR), "anti-lock brakes")] > 0.3
    bus_at_fault = dict(evidence_of(told, []).own_words(0.01, 0.1))
    assert bus_at_fault[CauseKey(str(Fault.SENSOR_OR_ACTUATOR), "anti-lock brakes")] < 0.02
