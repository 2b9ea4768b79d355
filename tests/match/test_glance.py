"""What is said first of an answer holds what the whole answer says, and is unsure where that is unsure.

Behind the expectations: 60 ohm across two terminators of 120 ohm in parallel, 120 ohm across one (ISO 11898-2,
5.2 and table 3, from memory); everything else common practice, no source.
"""

import pytest

from casebase.match.answer.answer import SOMETHING_ELSE_WORDS
from casebase.match.answer.data import answer_data
from casebase.match.answer.glance import CAUSES_SHOWN, glance_at
from casebase.match.answer.working_out import answer_to
from casebase.record.case import Case
from casebase.record.cautions import HIGH_VOLTAGE
from casebase.record.words import proof_words
from tests.match.test_evidence import WHEEL, job

OHMS_OFF = {
    "ignition": "off",
    "battery": "disconnected",
    "at": "DLC",
    "line": "CAN high",
    "against": "CAN low",
}


def ohms(value):
    """Return ohms across the pair at the DLC, battery off."""
    return {"quantity": "resistance", "value": value} | OHMS_OFF


def volts(line, value):
    """Return volts of a line at the DLC, ignition on."""
    return {"quantity": "voltage", "line": line, "against": "ground", "at": "DLC", "value": value} | {
        "ignition": "on",
        "tester": "talking",
    }


def can(*readings, **told):
    """Return a job on high-speed CAN."""
    return job(networks=[{"name": "HS", "medium": "high-speed CAN"}], readings=list(readings), **told)


@pytest.fixture(scope="module")
def at(collection):
    """Return what is said first of a job."""
    return lambda asked: glance_at(answer_to(asked, collection))


@pytest.mark.slow
def test_one_terminator_of_two_is_the_verdict_and_says_what_tells_it(at):
    """The reading that speaks for it stands beside it; 120 ohm is one terminator."""
    glance = at(can(ohms("119.8 ohm"), volts("CAN high", "2.7 V")))
    assert glance.verdict.startswith(("Very likely: a terminator missing", "Likely: a terminator missing"))
    assert "119.8 ohm" in glance.causes[0].speaks_for


def test_a_local_fault_is_said_to_be_no_fault_of_the_network(at):
    """One wheel speed code explains the lamps; its proof is the test."""
    glance = at(job(**WHEEL))
    assert "one local fault and not the network" in glance.verdict
    assert "C0035-13 in ABS" in glance.verdict
    assert glance.next_test.words.startswith("C0035-13 in ABS")
    assert glance.outcomes[0].startswith("out of order")
    assert "C0035-13 stored in ABS" in glance.causes[0].speaks_for


@pytest.mark.slow
def test_a_circuit_at_fault_beside_the_network_is_named_with_it(at):
    """Lines shorted together explain no wheel speed circuit: it is a second fault, to be proved by itself."""
    both = can(
        ohms("0.3 ohm"),
        volts("CAN high", "2.5 V"),
        volts("CAN low", "2.5 V"),
        codes=[{"code": "C0035-13", "module": "ABS"}, {"code": "U0140", "module": "ECM"}],
        modules=[{"name": "BCM", "answers": "no"}],
    )
    glance = at(both)
    assert "shorted together" in glance.causes[0].words
    assert glance.beside == ["C0035-13 in ABS: a wheel speed sensor circuit, prove it by itself"]
    assert at(job(**WHEEL)).beside == []


@pytest.mark.slow
def test_readings_that_clash_come_before_any_cause(at):
    """Lines shorted together cannot lie 2 V apart."""
    glance = at(can(ohms("0.3 ohm"), volts("CAN high", "3.5 V"), volts("CAN low", "1.5 V")))
    assert glance.verdict.startswith("Some readings do not fit together")
    assert glance.next_test.words.startswith("Take the readings of HS again")


@pytest.mark.slow
@pytest.mark.parametrize("value", ["600 ohm", "2.2 Mohm", "95 kohm", "1.2 kohm"])
def test_an_odd_reading_alone_never_means_that_nothing_is_wrong(at, value):
    """No sound pair reads so: it is taken again, or something is open; with megohms some line is."""
    glance = at(can(ohms(value)))
    assert not any("no fault" in cause.words and cause.probability > 0.2 for cause in glance.causes)
    assert glance.verdict.endswith(".")
    assert "no fault" not in glance.verdict


@pytest.mark.slow
def test_a_reading_that_hardly_any_bus_shows_is_taken_again_first(at):
    """600 ohm is sooner 60 with the point moved; nobody knows until it was read again."""
    glance = at(can(ohms("600 ohm")))
    assert glance.verdict == "Hardly any bus reads so, so take that reading again first."
    assert glance.next_test is not None
    assert glance.next_test.words == "Take the reading of HS again: CAN high to CAN low at DLC"
    assert glance.next_test.outcomes[1].startswith("the same again: believe it")


@pytest.mark.slow
def test_nothing_wrong_is_said_where_a_healthy_vehicle_reads_the_same(at, demo_cases):
    """With its own readings a healthy vehicle is told to be normal."""
    healthy = demo_cases["t2-velin-known-good-dlc-silent-until-asked.yaml"]
    asked = Case.model_validate(
        healthy.model_dump(mode="json", exclude_none=True, include={"vehicle", "networks", "readings"})
        | {"kind": "fault case"}
    )
    glance = at(asked)
    assert "nothing is wrong here" in glance.verdict or "looks normal here" in glance.verdict
    assert glance.normal.startswith("Yes: all readings agree with a healthy Tessaro Velin")


def test_nothing_known_is_not_decided(at):
    """Without any finding nobody is told a cause as if it were known."""
    glance = at(job(concern="stops at times"))
    assert glance.verdict.startswith("Too little is given")
    assert glance.next_test.words.startswith("supply and ground of the DLC")


@pytest.mark.slow
def test_no_more_than_three_causes_and_the_remainder_apart(at, demo_jobs):
    """What no case had is no cause of the list; every cause says what speaks for it and against it."""
    for asked in demo_jobs.values():
        glance = at(asked)
        assert 1 <= len(glance.causes) <= CAUSES_SHOWN
        assert SOMETHING_ELSE_WORDS not in {cause.words for cause in glance.causes}
        assert all(cause.speaks_for and cause.speaks_against for cause in glance.causes)
        assert glance.outcomes or glance.next_test is None
        assert all(case.vehicle and case.was and case.proof for case in glance.nearest)


@pytest.mark.slow
def test_high_voltage_is_minded_with_any_first_test(at, demo_jobs):
    """On a vehicle with a silent traction battery no test is named without it."""
    assert HIGH_VOLTAGE in at(demo_jobs["e1-pavane-no-ready-can-high-under-one-volt.yaml"]).cautions


def test_ohms_say_what_each_value_means(collection):
    """With the levels read, ohms across the pair tell the terminators: near 60 ohm there are two, near 120 one."""
    asked = can(volts("CAN high", "2.9 V"), volts("CAN low", "2.1 V"))
    across = next(
        test
        for test in answer_to(asked, collection).tests
        if test.words.startswith("ohms between the lines at the DLC")
    )
    assert any(
        outcome.startswith(("about 60 ohm: a healthy", "about 61 ohm: a healthy"))
        for outcome in across.outcomes
    )
    assert any(
        outcome.startswith(("about 119 ohm: a term", "about 120 ohm: a term")) for outcome in across.outcomes
    )


def test_the_data_hold_the_same(collection):
    """Whoever reads JSON reads the same verdict."""
    answer = answer_to(job(**WHEEL), collection)
    told = answer_data(answer)["glance"]
    assert told["verdict"] == glance_at(answer).verdict
    assert told["do_next"] == answer.tests[0].words


@pytest.mark.parametrize(
    ("told", "words"),
    [
        (
            {"days_without_return": 3, "road_test": "40 km", "rescan": "clean"},
            "stayed away 3 days, 40 km, rescan clean",
        ),
        ({"days_without_return": 1}, "stayed away 1 day"),
        ({"came_back": "yes", "rescan": "same codes back"}, "came back, same codes back"),
        ({"rescan": "not done"}, None),
        ({}, None),
    ],
)
def test_a_repair_is_proved_in_the_words_of_its_record(told, words):
    """No badge: what was seen afterwards."""
    assert proof_words(job(verification=told)) == words


def test_a_reading_after_the_repair_is_proof_too():
    """It is told with its value."""
    case = job(readings=[ohms("60.1 ohm") | {"stage": "after repair"}])
    assert proof_words(case) == "60.1 ohm after the repair"
