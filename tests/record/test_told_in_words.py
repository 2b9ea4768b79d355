"""What people say in words where the record has a list: kept beside it, and the list still forgives a slip."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from casebase.record.case import Case, Cause, Verification, missing_for_verified
from casebase.record.cautions import HIGH_VOLTAGE, RESTRAINTS, cautions_of
from casebase.record.checks import inconsistencies, remarks_on
from casebase.record.vehicle import Vehicle
from casebase.record.vocabulary import Mechanism, Powertrain, Rescan
from casebase.record.words import cause_line, searchable_text, verification_words

NAMED = {"make": "Norrvik", "model": "Skarn"}
JOB = {"kind": "fault case", "vehicle": NAMED, "concern": "no drive"}


def test_a_mechanism_in_words_stands_beside_the_list() -> None:
    """What no word of the list says is kept as it was said."""
    cause = Cause.model_validate({"fault": "low_open", "mechanism": "clip had let go of the loom"})
    assert (cause.mechanism, cause.mechanism_text) == (None, "clip had let go of the loom")
    assert cause_line(cause) == "CAN low open, clip had let go of the loom"


@pytest.mark.parametrize("typed", ["Earlier Repair", "earlier-repair", "chafing"])
def test_a_word_of_the_list_stays_one(typed: str) -> None:
    """However it is spelled."""
    cause = Cause.model_validate({"fault": "low_open", "mechanism": typed})
    assert isinstance(cause.mechanism, Mechanism)
    assert cause.mechanism_text is None


@pytest.mark.parametrize("typed", ["chaffing", "erlier repair"])
def test_a_slip_is_refused_with_what_was_meant(typed: str) -> None:
    """A single word, or nearly one of the list, is no sentence."""
    with pytest.raises(ValidationError, match="mechanism"):
        Cause.model_validate({"fault": "low_open", "mechanism": typed})


def test_a_rescan_told_as_behaviour_is_kept_as_behaviour() -> None:
    """It is no scan: whether codes stayed away is still open."""
    proof = Verification.model_validate({"rescan": "starts at once and all lamps out"})
    assert (proof.rescan, proof.behaviour) == (None, "starts at once and all lamps out")
    case = Case.model_validate(JOB | {"cause": {"fault": "low_open"}, "verification": proof.model_dump()})
    assert any("clean rescan" in words for words in missing_for_verified(case))
    assert "starts at once and all lamps out" in verification_words(proof)
    assert "all lamps out" in searchable_text(case)


def test_all_modules_answer_shows_that_a_network_works() -> None:
    """A scan in which everybody answers is what a network repair is for (common practice, no source)."""
    case = Case.model_validate(
        JOB
        | {
            "cause": {"fault": "low_open", "proof": "0.3 ohm after, OL before"},
            "fix": {"done": "wire mended"},
            "verification": {"rescan": Rescan.ALL_ANSWER},
        }
    )
    assert missing_for_verified(case) == []


@pytest.mark.parametrize(
    ("typed", "engine", "powertrain"),
    [
        ("V6", "V6", None),
        ("V8 petrol", "V8", Powertrain.PETROL),
        ("diesel V6", "V6", Powertrain.DIESEL),
        ("EV", None, Powertrain.BATTERY_ELECTRIC),
        ("PHEV", None, Powertrain.PLUG_IN_HYBRID),
        ("hybrid", None, Powertrain.HYBRID),
    ],
)
def test_cylinders_name_the_engine(typed: str, engine: str | None, powertrain: Powertrain | None) -> None:
    """V6 says nothing of the fuel."""
    vehicle = Vehicle.model_validate(NAMED | {"powertrain": typed})
    assert (vehicle.engine, vehicle.powertrain) == (engine, powertrain)


def test_an_electric_vehicle_by_its_short_name_brings_its_caution() -> None:
    """EV is as much high voltage as the whole word."""
    case = Case.model_validate(JOB | {"vehicle": NAMED | {"powertrain": "EV"}})
    assert HIGH_VOLTAGE in cautions_of(case)


def second_cause(**keys: Any) -> Case:
    """Return a job with two causes."""
    return Case.model_validate(
        JOB
        | {
            "cause": {"fault": "low_open"},
            "more_causes": [
                {"fault": "low_system_voltage", "where": {"place": "battery", "text": "loose clamp"}} | keys
            ],
        }
    )


def test_a_job_may_have_a_second_cause() -> None:
    """Both are told; the first is the one that the job is kept under."""
    case = second_cause()
    assert inconsistencies(case) == []
    assert "System voltage too low" not in cause_line(case.cause or pytest.fail("no cause"))
    assert "system voltage too low, at the battery (loose clamp)" in searchable_text(case)


def test_the_module_of_a_second_cause_brings_its_caution() -> None:
    """Whoever repairs it works on the restraint system."""
    assert RESTRAINTS in cautions_of(second_cause(module="airbag module"))


def test_a_second_cause_needs_a_first() -> None:
    """And its network is one of the record's."""
    alone = second_cause(network="moon bus").model_copy(update={"cause": None})
    assert {problem.field for problem in inconsistencies(alone)} == {"more_causes", "more_causes[0].network"}


def test_a_known_good_record_says_why_it_is_normal() -> None:
    """What a stuck colleague would take for a fault."""
    healthy = Case.model_validate(
        {
            "kind": "known good",
            "vehicle": NAMED,
            "why_normal": "quiet at the DLC until a tester asks",
            "readings": [{"quantity": "voltage", "line": "CAN high", "value": "2.5 V"}],
        }
    )
    assert inconsistencies(healthy) == []
    assert "quiet at the DLC" in searchable_text(healthy)


def test_ohms_below_zero_are_remarked_upon() -> None:
    """The record is kept, and says what to do."""
    reading = {"quantity": "resistance", "line": "CAN high", "against": "CAN low", "value": "-14 ohm"}
    told = remarks_on(Case.model_validate(JOB | {"readings": [reading]}))
    assert any("ohms below zero: there is a voltage on the wire" in remark for remark in told)
