"""What a record tells beside readings and codes stands on its page, and what was inferred of a job on the answer."""

import pytest

from casebase.record.case import Case

SECOND = {"fault": "low_system_voltage", "where": {"place": "battery", "text": "loose clamp"}}
CASE = {
    "kind": "fault case",
    "vehicle": {"make": "Norrvik", "model": "Fjellet", "powertrain": "V6 diesel"},
    "concern": "dies in the wet",
    "trials": [
        {"did": "swapped", "what": "ABS", "used_part": "yes", "outcome": "no change", "minutes": 40},
        {"did": "bypassed", "what": "splice S204", "outcome": "restored", "note": "with a test lead"},
    ],
    "cause": {"fault": "low_open", "mechanism": "clip had let go of the loom"},
    "more_causes": [SECOND],
    "fix": {"done": "wire mended"},
    "verification": {"rescan": "starts at once and no lamps"},
    "why_normal": "the other bus is quiet until asked",
}


def test_a_case_shows_its_trials_its_second_cause_and_what_was_said_in_words(asking, frozen_of):
    """Nothing of what was told gets lost between record and page."""
    page = asking(frozen_of(Case.model_validate(CASE)))("/case/case0001").text
    for told in (
        "swapped ABS (used part): no change",
        "40 min",
        "bypassed splice S204: restored - with a test lead",
        "CAN low open, clip had let go of the loom",
        "system voltage too low, at the battery (loose clamp)",
        "starts at once and no lamps",
        "the other bus is quiet until asked",
        "Norrvik Fjellet, V6, diesel",
    ):
        assert told in page, told


@pytest.mark.slow
def test_a_job_without_its_network_is_answered_and_says_what_it_was_taken_for(ask):
    """CAN high and CAN low, and nobody chose the kind of network."""
    read = "r1.what=ohm-pair&r1.value=119&r2.what=volt-high&r2.value=2.6&r2.traffic=yes"
    address = f"/job?{read}&tried=swapped+ABS,+no+change"
    page = ask(address).text
    assert (
        "Network not stated: taken as high-speed CAN, for CAN high was read; say so if it is another." in page
    )
    assert "What the readings can mean" in page
    assert "Choose the kind of network" not in page
    assert "1 trial" in page
    assert ask(address.replace("/job", "/job.json")).json()["answer"]["taken_as"]


def test_a_trial_that_cannot_be_read_is_named_on_the_form(ask):
    """Beside its field, with what would be read."""
    page = ask("/job?wrong=dead&tried=the+customer+called").text
    assert "does not say what was done" in page
