"""The parts of a record, each on its own: what fits, what is refused."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from pydantic import ValidationError

from casebase.record.case import Case
from casebase.record.vocabulary import Fault, Kind, Lamp, Medium, Place, Review, YesNo

VEHICLE = {"make": "Norrvik", "model": "Skarn"}


def case(**keys: Any) -> Case:
    """Return a fault case of an invented vehicle with `keys` added."""
    return Case.model_validate({"kind": "fault case", "vehicle": VEHICLE, **keys})


def refusal(**keys: Any) -> str:
    """Return the words with which a record is refused."""
    with pytest.raises(ValidationError) as refused:
        case(**keys)
    return str(refused.value)


def test_kind_and_vehicle_are_all_a_record_must_have() -> None:
    """Everything else may be unknown; what is not said is empty."""
    least = case()
    assert (least.kind, least.vehicle.make) == (Kind.FAULT_CASE, "Norrvik")
    assert (least.readings, least.codes, least.cause) == ([], [], None)
    assert least.review.state is Review.NOT_READ
    assert "Field required" in refusal(kind=None, vehicle={})


@pytest.mark.parametrize("year", [2099, "2099", 1979, "ninety", 2015.5, True])
def test_a_model_year_that_cannot_be_is_refused(year: object) -> None:
    """17-character VINs begin with model year 1980 (49 CFR 565); 2099 is a slip of the finger."""
    assert "vehicle.model_year" in refusal(vehicle=VEHICLE | {"model_year": year})


def test_the_coming_model_years_are_taken() -> None:
    """Next year's model is sold this year (common practice, no source)."""
    newest = date.today().year + 2
    assert case(vehicle=VEHICLE | {"model_year": str(newest)}).vehicle.model_year == newest


def test_a_vin_with_a_letter_that_no_vin_has_is_refused() -> None:
    """I, O and Q stand in no VIN (49 CFR 565.15)."""
    assert "vehicle.vin" in refusal(vehicle=VEHICLE | {"vin": "IG4AH59H45G118341"})


@pytest.mark.parametrize(
    ("vehicle", "has"),
    [
        ({"powertrain": "battery electric"}, True),
        ({"powertrain": "PHEV"}, True),
        ({"powertrain": "diesel"}, False),
        ({"powertrain": "mild hybrid"}, False),
        ({"powertrain": "mild hybrid", "high_voltage": "yes"}, True),
        ({"powertrain": "hybrid", "high_voltage": "no"}, False),
        ({}, False),
    ],
)
def test_high_voltage_follows_from_the_powertrain_unless_stated(vehicle: dict[str, str], has: bool) -> None:
    """What the record says of the high-voltage system goes before what its powertrain suggests."""
    assert case(vehicle=VEHICLE | vehicle).vehicle.has_high_voltage is has


def test_the_vehicle_in_one_line_leaves_out_what_is_unknown() -> None:
    """Make and model, then year, powertrain, odometer and platform as far as known."""
    whole = VEHICLE | {"model_year": 2015, "powertrain": "petrol", "odometer": "84 200 km", "platform": "K4"}
    assert case(vehicle=whole).vehicle.line() == "Norrvik Skarn, 2015, petrol, 84200 km, platform K4"
    assert case().vehicle.line() == "Norrvik Skarn"


@pytest.mark.parametrize("days", [True, -1, 40_000, "a week"])
def test_days_without_return_are_a_plausible_count(days: object) -> None:
    """A truth value, a negative or a hundred-year count is no number of days."""
    assert "verification.days_without_return" in refusal(verification={"days_without_return": days})


@pytest.mark.parametrize(
    "day", ["2024-02-30", "1700006400", 20240219, 1.7e9, "1979-12-31", "19.02.2024", "yesterday", True]
)
def test_a_date_is_written_year_month_day(day: object) -> None:
    """ISO 8601 dates only: a number would be read as seconds, 02.03. as March or February."""
    assert "provenance.opened" in refusal(provenance={"opened": day})


def test_a_job_cannot_have_been_opened_in_the_future() -> None:
    """One day of grace for an author further east; more is a typing error."""
    today = date.today()
    assert case(provenance={"opened": (today + timedelta(days=1)).isoformat()})
    assert "lies in the future" in refusal(provenance={"opened": (today + timedelta(days=3)).isoformat()})


def test_a_single_word_may_stand_where_a_list_is_expected() -> None:
    """`lamps: abs`, `conditions: wet`, `symptoms: no crank` are lists of one."""
    told = case(lamps="abs", conditions="wet", symptoms="no crank")
    assert told.lamps == [Lamp.ABS]
    assert [str(it) for it in told.conditions] == ["wet"]
    assert told.symptoms == ["no crank"]


@pytest.mark.parametrize("name", ["../secret", "a/b.png", "a\\b.png", ""])
def test_an_attachment_is_a_file_beside_the_record(name: str) -> None:
    """A name with a folder could point anywhere on another machine."""
    assert "attachments.0.file" in refusal(attachments=[{"file": name}])


@pytest.mark.parametrize("case_id", ["ABCD1234", "abc1234", "abcdi234", "a" * 27, "abc1234/"])
def test_an_id_is_small_crockford_base_32(case_id: str) -> None:
    """No i, l, o, u to misread (Crockford's base 32), eight characters at least."""
    assert "id" in refusal(id=case_id)
    assert case(id="7zq4abcd").id == "7zq4abcd"


@pytest.mark.parametrize(
    ("keys", "path"),
    [
        ({"networks": [{"name": "body bus", "medium": "CAN"}]}, "networks.0.medium"),
        ({"networks": [{"name": "body bus", "medium": "LIN", "bit_rate": "500 km"}]}, "networks.0.bit_rate"),
        ({"networks": [{"name": "", "medium": "LIN"}]}, "networks.0.name"),
        ({"modules": [{"name": "ABS", "answers": True}]}, "modules.0.answers"),
        ({"codes": [{"code": "U9999"}]}, "codes.0.code"),
        ({"codes": [{"code": True}]}, "codes.0.code"),
        ({"codes": ["U0121"]}, "codes.0"),
        ({"cause": {"fault": "short"}}, "cause.fault"),
        ({"cause": {}}, "cause.fault"),
        ({"fix": {"done": "x", "cost": "184.50"}}, "fix.cost"),
        ({"fix": {"done": "x", "minutes": "-5"}}, "fix.minutes"),
        ({"verification": {"rescan": "yes"}}, "verification.rescan"),
        ({"verification": {"road_test": "9000 km"}}, "verification.road_test"),
        ({"concern": "\x1b[31mred"}, "concern"),
        ({"concern": "   "}, "concern"),
        ({"steps": [{"did": "x" * 20_001}]}, "steps.0.did"),
        ({"symptoms": ["x"] * 2001}, "symptoms"),
        ({"status": "open"}, "status"),
    ],
)
def test_parts_that_fit_no_list_no_unit_and_no_grammar_are_refused(keys: dict[str, Any], path: str) -> None:
    """Each refusal names the field it is about."""
    assert path in refusal(**keys).splitlines()


def test_names_lose_line_breaks_and_texts_keep_them() -> None:
    """A name is one line; the customer's words may be several."""
    told = case(concern="one\ntwo", cause={"fault": "low_open", "module": "door\n  module"})
    assert told.concern == "one\ntwo"
    assert told.cause is not None
    assert told.cause.module == "door module"
    assert told.cause.fault is Fault.LOW_OPEN


def test_a_network_left_unnamed_is_the_only_one() -> None:
    """With one network there is nothing to choose; with two, a reading must say which."""
    one = case(networks=[{"name": "body bus", "medium": "LIN"}])
    two = case(networks=[{"name": "body bus", "medium": "LIN"}, {"name": "drive", "medium": "HS-CAN"}])
    assert one.network_of(None) is one.networks[0]
    assert two.network_of(None) is None
    found = two.network_of("drive")
    assert found is not None
    assert found.medium is Medium.HIGH_SPEED_CAN
    assert two.network_of("drives") is None


def test_a_module_that_answers_at_times_counts_as_silent() -> None:
    """No answer and now-and-then are both what the technician chases; unknown is not silence."""
    told = case(
        modules=[
            {"name": "ECM", "answers": "yes"},
            {"name": "ABS", "answers": "no"},
            {"name": "HVAC", "answers": "intermittent"},
            {"name": "SAS"},
        ]
    )
    assert told.silent_modules() == ["ABS", "HVAC"]


def test_where_and_by_what_a_cause_came_about_are_fixed_words() -> None:
    """Place and mechanism come from short lists, the rest is text."""
    told = case(
        cause={"fault": "none", "where": {"place": "Harness", "text": "sill"}, "mechanism": "Earlier repair"}
    )
    assert told.cause is not None
    assert told.cause.where is not None
    assert (told.cause.where.place, str(told.cause.mechanism)) == (Place.HARNESS, "earlier repair")
    assert case(provenance={"invented": "yes"}).provenance.invented is YesNo.YES
