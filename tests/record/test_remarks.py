"""What is kept but deserves a second look."""

from __future__ import annotations

from typing import Any

import pytest

from casebase.record.case import Case
from casebase.record.checks import earlier_reading, remarks_on

WHOLE_OHMS = {
    "quantity": "resistance",
    "line": "CAN high",
    "against": "CAN low",
    "battery": "disconnected",
    "unplugged": "nothing",
    "value": "60.2 ohm",
}


def case(**keys: Any) -> Case:
    """Return a fault case on a named network, with `keys` added."""
    known = {
        "kind": "fault case",
        "vehicle": {"make": "Norrvik", "model": "Skarn"},
        "concern": "no crank",
        "networks": [{"name": "drive CAN", "medium": "HS-CAN"}],
    }
    return Case.model_validate(known | keys)


def test_a_record_without_gaps_has_no_remark() -> None:
    """Whole readings, no repair yet: nothing to look at twice."""
    assert remarks_on(case(readings=[WHOLE_OHMS])) == []


def test_an_incomplete_reading_is_kept_and_counts_as_less_certain() -> None:
    """Which keys are missing is told with the place of the reading."""
    bare = {"quantity": "resistance", "line": "CAN high", "value": "60 ohm"}
    assert remarks_on(case(readings=[WHOLE_OHMS, bare])) == [
        "readings[1]: against, battery, unplugged not stated; kept, and counts as less certain"
    ]


@pytest.mark.parametrize(
    ("state", "is_live"),
    [
        ({"battery": "connected", "ignition": "off"}, True),
        ({"battery": None, "ignition": "on"}, True),
        ({"battery": None, "ignition": "running"}, True),
        ({"battery": None, "ignition": "off"}, False),
        ({"battery": "disconnected", "ignition": "on"}, False),
        ({"battery": "disconnected"}, False),
    ],
)
def test_ohms_on_a_live_circuit_mean_nothing(state: dict[str, str | None], is_live: bool) -> None:
    """The ohmmeter drives its own small current: any other source falsifies it (common practice, no source)."""
    told = remarks_on(case(readings=[WHOLE_OHMS | state]))
    assert any("ohms read on a live circuit mean nothing" in remark for remark in told) is is_live


def test_volts_on_a_live_circuit_are_as_they_should_be() -> None:
    """The remark about live circuits belongs to ohms only."""
    volts = WHOLE_OHMS | {"quantity": "voltage", "battery": "connected", "ignition": "on", "value": "2.5 V"}
    assert remarks_on(case(readings=[volts])) == []


def test_unchanged_refers_to_the_last_number_read_on_the_same_spot() -> None:
    """Same network, quantity, leads and place; a comparison before it is passed over."""
    told = case(
        readings=[
            WHOLE_OHMS | {"value": "120 ohm"},
            WHOLE_OHMS | {"at": "splice S204", "value": "61 ohm"},
            WHOLE_OHMS | {"unplugged": ["ABS"], "value": "unchanged"},
            WHOLE_OHMS | {"unplugged": ["SAS"], "value": "unchanged"},
        ]
    )
    assert earlier_reading(told, 3) is told.readings[0]
    assert remarks_on(told) == []


def test_unchanged_without_an_earlier_reading_is_remarked() -> None:
    """Nobody can tell later what it was unchanged from."""
    told = case(readings=[WHOLE_OHMS | {"against": "ground"}, WHOLE_OHMS | {"value": "back to normal"}])
    assert earlier_reading(told, 1) is None
    assert remarks_on(told) == [
        "readings[1]: 'back to normal' has no earlier reading of the same kind before it"
    ]


def test_the_only_network_may_be_named_in_one_reading_and_left_out_in_the_next() -> None:
    """With a single network both readings are of it."""
    told = case(
        networks=[{"name": "drive CAN", "medium": "HS-CAN"}],
        readings=[WHOLE_OHMS | {"network": "drive CAN"}, WHOLE_OHMS | {"value": "unchanged"}],
    )
    assert earlier_reading(told, 1) is told.readings[0]
    assert remarks_on(told) == []


def test_with_several_networks_a_reading_should_say_which() -> None:
    """A reading that may be of either bus is kept and remarked."""
    networks = [{"name": "drive CAN", "medium": "HS-CAN"}, {"name": "body CAN", "medium": "HS-CAN"}]
    assert remarks_on(
        case(networks=networks, readings=[WHOLE_OHMS, WHOLE_OHMS | {"network": "body CAN"}])
    ) == ["readings[0]: network not stated although the record lists 2"]


def test_a_fix_without_proof_is_told_what_it_still_needs() -> None:
    """Only once there is a fix: before, the job is simply open."""
    assert remarks_on(case(fix={"done": "x"})) == [
        "not verified yet; still needed: a cause",
        "not verified yet; still needed: a clean rescan (verification.rescan) or a reading after repair",
    ]
    assert remarks_on(case()) == []


def test_a_vin_with_a_wrong_check_digit_or_year_is_remarked() -> None:
    """1G4AH59H45G118341 is the regulation's own example (49 CFR 565.15); its tenth place says 2005."""
    good = {"make": "Norrvik", "model": "Skarn", "vin": "1G4AH59H45G118341", "market": "North America"}
    assert remarks_on(case(vehicle=good | {"model_year": 2005})) == []
    for wrong in ({"vin": "1G4AH59H55G118341"}, {"model_year": 2011}):
        told = remarks_on(case(vehicle=good | wrong))
        assert len(told) == 1
        assert told[0].startswith("vehicle.vin: ")
