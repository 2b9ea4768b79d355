"""The parts of a record must fit together."""

from __future__ import annotations

from typing import Any

import pytest

from casebase.record.case import Case
from casebase.record.checks import inconsistencies
from casebase.record.vocabulary import LINES_OF_MEDIUM, OTHER_LINES, POWER_LINES, Line, Medium

BODY_BUS = {"name": "body bus", "medium": "single-wire CAN"}
DRIVE_CAN = {"name": "drive CAN", "medium": "high-speed CAN"}
PAIR_OHMS = {"quantity": "resistance", "line": "CAN high", "against": "CAN low", "value": "60 ohm"}


def breaches(**keys: Any) -> list[tuple[str, str]]:
    """Return field and value of all that does not fit together in a record with `keys`."""
    data = {"kind": "fault case", "vehicle": {"make": "Norrvik", "model": "Skarn"}, **keys}
    return [(it.field, it.value) for it in inconsistencies(Case.model_validate(data))]


def test_a_record_whose_parts_fit_has_no_breach() -> None:
    """Networks named once, readings on their lines, dates in order."""
    assert not breaches(
        concern="no crank",
        networks=[BODY_BUS, DRIVE_CAN],
        modules=[{"name": "ABS", "network": "drive CAN"}, {"name": "radio"}],
        readings=[PAIR_OHMS | {"network": "drive CAN"}],
        cause={"fault": "none", "network": "body bus"},
        provenance={"opened": "2024-02-20", "ended": "2024-02-20"},
    )


@pytest.mark.parametrize(
    ("key", "part"), [("cause", {"fault": "none"}), ("fix", {"done": "x"}), ("verification", {})]
)
def test_a_healthy_vehicle_has_nothing_to_repair(key: str, part: dict[str, str]) -> None:
    """A known good record with a cause, a fix or a verification is a fault case in the wrong drawer."""
    assert breaches(kind="known good", readings=[PAIR_OHMS], **{key: part}) == [(key, "")]


def test_a_known_good_record_is_kept_for_its_readings() -> None:
    """Without a reading there is nothing to compare with."""
    assert breaches(kind="known good", concern="none") == [("readings", "")]


def test_a_case_that_says_nothing_is_refused() -> None:
    """A vehicle alone is no case; any one observation is enough."""
    assert breaches() == [("concern", "")]
    assert breaches(cause={"fault": "none"}, fix={"done": "x"}) == [("concern", "")]
    for key, part in (
        ("concern", "no crank"),
        ("symptoms", ["no crank"]),
        ("lamps", ["abs"]),
        ("modules", [{"name": "ABS"}]),
        ("codes", [{"code": "U0121"}]),
        ("readings", [PAIR_OHMS]),
    ):
        assert not breaches(**{key: part})


def test_a_name_stands_for_one_network_or_module() -> None:
    """Two networks of one name could not be told apart by a reading."""
    assert breaches(concern="x", networks=[BODY_BUS, BODY_BUS], modules=[{"name": "ABS"}] * 3) == [
        ("networks", "'body bus'"),
        ("modules", "'ABS'"),
    ]


def test_a_network_that_is_named_must_be_listed() -> None:
    """By modules, readings and the cause; with the near miss where there is one."""
    keys: dict[str, Any] = {
        "networks": [BODY_BUS],
        "modules": [{"name": "radio", "network": "body buss"}],
        "readings": [{"quantity": "voltage", "line": "ground", "value": "0", "network": "drive CAN"}],
        "cause": {"fault": "none", "network": "Body bus"},
    }
    assert breaches(**keys) == [
        ("modules[0].network", "'body buss'"),
        ("readings[0].network", "'drive CAN'"),
        ("cause.network", "'Body bus'"),
    ]
    data = {"kind": "fault case", "vehicle": {"make": "Norrvik", "model": "Skarn"}, **keys}
    suggestions = [it.suggestion for it in inconsistencies(Case.model_validate(data))]
    assert suggestions == ["body bus", None, "body bus"]


@pytest.mark.parametrize("medium", list(Medium))
def test_a_medium_has_its_own_lines_and_any_vehicle_its_supply(medium: Medium) -> None:
    """A LIN has no CAN high (ISO 17987-4); supply, battery, a sensor's wires, a case are everywhere."""
    network = {"name": "the bus", "medium": medium}
    for line in Line:
        reading = {"quantity": "voltage", "line": line, "value": "0 V"}
        fits = line in (*LINES_OF_MEDIUM[medium], *POWER_LINES, *OTHER_LINES)
        wrong = [] if fits else [("readings[0].line", f"'{line}'")]
        assert breaches(networks=[network], readings=[reading]) == wrong


def test_a_wrong_line_is_told_under_the_key_where_it_stands() -> None:
    """Line, other lead, or a level of the waveform."""
    readings: list[dict[str, Any]] = [
        {"quantity": "voltage", "line": "CAN single wire", "against": "CAN low", "value": "0 V"},
        {"quantity": "waveform", "waveform": {"dominant": {"LIN": "0 V"}, "recessive": {"LIN": "12 V"}}},
        {"quantity": "waveform", "line": "LIN", "waveform": {"recessive": {"CAN high": "2.5 V"}}},
    ]
    assert breaches(networks=[BODY_BUS], readings=readings) == [
        ("readings[0].against", "'CAN low'"),
        ("readings[1].waveform.recessive", "'LIN'"),
        ("readings[2].waveform.recessive", "'CAN high'"),
        ("readings[2].line", "'LIN'"),
    ]


def test_a_reading_whose_network_is_not_known_is_not_judged() -> None:
    """With two networks and none named, any line may be right; that it is not stated is a remark."""
    assert not breaches(networks=[BODY_BUS, DRIVE_CAN], readings=[PAIR_OHMS])
    assert not breaches(readings=[PAIR_OHMS])


def test_a_job_does_not_end_before_it_was_opened() -> None:
    """Opened and ended on one day is a quick job; the other way round is a slip."""
    dates = {"opened": "2024-02-20", "ended": "2024-02-19"}
    assert breaches(concern="x", provenance=dates) == [("provenance.ended", "2024-02-19")]
