"""What a job tells beside its readings is heard and shown (rules of the trade: common practice, no source)."""

import pytest

from casebase import places
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


@pytest.mark.slow
def test_the_proof_of_one_local_fault_comes_before_all_other_tests(collection):
    """Minutes, with what to mind at brakes; the cause stands first, and says what tells it where no case had it."""
    answer = answer_to(job(**WHEEL), collection)
    first, cause = answer.tests[0], answer.causes[0]
    assert first.words.startswith(
        "C0035-13 in ABS, a wheel speed sensor circuit: compare the four wheel speeds"
    )
    assert (first.minutes, first.cautions) == (20, [BRAKES_OR_STEERING])
    assert cause.fault == Fault.SENSOR_OR_ACTUATOR
    assert cases_behind_words(cause) == ["none; it follows from the job's own codes, lamps and feeds"]


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


def test_cases_where_nothing_was_wrong_count_little_where_something_complains():
    """A lost module, refused data or wrong software speaks against them; a gateway may still hide what is lost."""
    nothing, behind = CauseKey(str(Fault.NONE), None), CauseKey(str(Fault.GATEWAY_ISOLATION_NORMAL), None)
    lost = evidence_of(job(codes=[{"module": "ECM", "code": "U0101"}]), [])
    refused = evidence_of(job(codes=[{"module": "ECM", "code": "U0415"}]), [])
    silent = evidence_of(job(modules=[{"name": "TCM", "answers": "no"}]), [])
    assert evidence_of(job(), []).likelihood(nothing) == 1.0
    assert max(one.likelihood(nothing) for one in (lost, refused, silent)) < 0.1
    assert lost.likelihood(behind) > lost.likelihood(nothing)
    assert silent.likelihood(behind) == 1.0  # the tester is let through to nobody


@pytest.mark.slow
def test_a_sleeping_bus_of_which_nothing_complains_is_no_fault(collection):
    """Both lines near ground with the ignition off: the bus sleeps. With a silent module that may be the fault."""
    told = {
        "networks": [{"name": "body CAN", "medium": "high-speed CAN"}],
        "readings": [
            {"quantity": "voltage", "line": line, "against": "ground", "at": "DLC", "value": value}
            | {"ignition": "off", "battery": "connected", "unplugged": "nothing"}
            for line, value in (("CAN high", "0.02 V"), ("CAN low", "0.01 V"))
        ],
    }
    calm = answer_to(job(**told), collection, cache=places.simulation_folder())
    silent = [{"name": "TCM", "network": "body CAN", "answers": "no"}]
    troubled = answer_to(job(**told, modules=silent), collection, cache=places.simulation_folder())
    assert calm.causes[0].fault == Fault.NONE
    assert Fault.NONE not in {cause.fault for cause in troubled.causes}


def test_refused_data_is_not_normal_whatever_the_wires_read():
    """A healthy vehicle may read the same: a neighbour that refuses data still complains of something."""
    refused = job(codes=[{"module": "ECM", "code": "U0415"}])
    assert evidence_of(job(), [], reads_normal=True).looks_normal
    assert not evidence_of(refused, [], reads_normal=True).looks_normal


def test_data_that_all_neighbours_refuse_point_to_an_input_of_its_module():
    """U0415 says that the data of the brakes are invalid: they come, so their module answers and lacks an input."""
    refused = [{"code": "U0415", "module": name} for name in ("ECM", "TCM", "EPS")]
    told = dict(evidence_of(job(codes=refused), []).own_words(1.0, 0.12))
    assert max(told, key=told.get) == (str(Fault.SENSOR_OR_ACTUATOR), "anti-lock brakes")


@pytest.mark.parametrize(
    "gone",
    [
        {"modules": [{"name": "ABS", "answers": "no"}]},
        {"codes": [{"code": "U0415", "module": "ECM"}, {"code": "U0121", "module": "TCM"}]},
    ],
    ids=["silent", "missed by another"],
)
def test_refused_data_say_nothing_of_inputs_where_the_module_is_gone(gone):
    """What does not come at all is the network's or the module's matter."""
    asked = job(**({"codes": [{"code": "U0415", "module": "ECM"}]} | gone))
    assert evidence_of(asked, []).refused == {}
