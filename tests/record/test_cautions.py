"""What can hurt somebody on a job; general safety of the trade (common practice, no source)."""

from __future__ import annotations

from typing import Any

import pytest

from casebase.record.case import Case
from casebase.record.cautions import (
    BRAKES_OR_STEERING,
    HIGH_VOLTAGE,
    MAKER_FIRST,
    MOVING_PARTS,
    OHMS,
    RESTRAINTS,
    cautions_of,
    may_be_unplugged,
)

OHMS_READING = {"quantity": "resistance", "line": "CAN high", "against": "CAN low", "value": "60 ohm"}
PROVEN_AND_FIXED = {
    "cause": {"fault": "low_open", "proof": "parted by eye"},
    "fix": {"done": "joined"},
    "verification": {"rescan": "clean"},
}


def cautions(**keys: Any) -> list[str]:
    """Return the cautions of a fault case with `keys` added."""
    vehicle = {"make": "Norrvik", "model": "Skarn"}
    data = {"kind": "fault case", "vehicle": vehicle, "concern": "no crank", **keys}
    return cautions_of(Case.model_validate(data))


def test_the_maker_comes_first_on_every_job() -> None:
    """Every record ends with the maker's procedure and local rules; a harmless one has nothing else."""
    assert cautions() == [MAKER_FIRST]
    assert cautions(modules=[{"name": "radio"}], lamps=["engine"]) == [MAKER_FIRST]


@pytest.mark.parametrize(
    "keys",
    [
        {"modules": [{"name": "airbag module"}]},
        {"modules": [{"name": "SRS"}]},
        {"modules": [{"name": "seat belt pretensioner"}]},
        {"codes": [{"module": "ACM (airbag)", "code": "B0001"}]},
        {"codes": [{"module": "BCM", "code": "U0151-87"}]},
        {"lamps": ["airbag"]},
        {"cause": {"fault": "module_internal", "module": "airbag control unit"}},
        {"readings": [OHMS_READING | {"unplugged": ["airbag"]}]},
        {"readings": [OHMS_READING | {"at": "connector of SDM"}]},
    ],
)
def test_a_restraint_system_brings_the_squib_caution(keys: dict[str, Any]) -> None:
    """Listed, blamed, lit, found at fault or unplugged: no ohmmeter on a squib, battery off and wait."""
    assert RESTRAINTS in cautions(**keys)
    assert "never put an ohmmeter on a squib circuit" in RESTRAINTS


@pytest.mark.parametrize(
    "keys",
    [
        {"modules": [{"name": "ABS"}]},
        {"modules": [{"name": "EPS"}]},
        {"modules": [{"name": "steering angle sensor"}]},
        {"codes": [{"module": "ECM", "code": "U0121-87"}]},
        {"codes": [{"code": "U0131"}]},
        {"lamps": ["esc"]},
        {"cause": {"fault": "module_internal", "module": "park brake"}},
    ],
)
def test_brakes_and_steering_forbid_a_road_test_on_an_unproven_repair(keys: dict[str, Any]) -> None:
    """As long as the case is not verified, and no longer."""
    assert BRAKES_OR_STEERING in cautions(**keys)
    fixed = PROVEN_AND_FIXED | keys
    if "cause" in keys:
        fixed = fixed | {"cause": PROVEN_AND_FIXED["cause"] | keys["cause"]}
    assert BRAKES_OR_STEERING not in cautions(**fixed)
    assert BRAKES_OR_STEERING in cautions(**fixed | {"verification": {"rescan": "same codes back"}})


def test_a_healthy_vehicle_has_no_repair_to_prove() -> None:
    """Known good readings of a vehicle with ABS bring no word about an unproven repair."""
    told = cautions(kind="known good", modules=[{"name": "ABS"}], readings=[OHMS_READING])
    assert told == [OHMS, MAKER_FIRST]


@pytest.mark.parametrize("powertrain", ["hybrid", "plug-in hybrid", "battery electric", "fuel cell"])
def test_a_high_voltage_vehicle_is_for_trained_people(powertrain: str) -> None:
    """It comes before everything else."""
    vehicle = {"make": "Norrvik", "model": "Skarn", "powertrain": powertrain}
    told = cautions(
        vehicle=vehicle, lamps=["airbag", "abs"], readings=[OHMS_READING | {"ignition": "running"}]
    )
    assert told == [HIGH_VOLTAGE, RESTRAINTS, BRAKES_OR_STEERING, OHMS, MOVING_PARTS, MAKER_FIRST]
    assert HIGH_VOLTAGE not in cautions(vehicle=vehicle | {"high_voltage": "no"})


def test_ohms_bring_their_precondition() -> None:
    """Battery disconnected, networks asleep; volts need neither."""
    assert OHMS in cautions(readings=[OHMS_READING])
    assert OHMS not in cautions(readings=[{"quantity": "voltage", "line": "LIN", "value": "12 V"}])


def test_a_running_engine_brings_moving_parts() -> None:
    """Belts and fans turn while the meter leads hang over them."""
    volts = {"quantity": "voltage", "line": "LIN", "value": "14 V"}
    assert MOVING_PARTS in cautions(readings=[volts | {"ignition": "running"}])
    assert MOVING_PARTS not in cautions(readings=[volts | {"ignition": "on"}])


AIRBAGS_AND_BELTS = (
    "SDM",
    "ORC",
    "curtain airbag sensor",
    "seat weight sensor",
    "squib driver",
    "belt buckle module",
)
HIGH_VOLTAGE_PARTS = ("motor controller", "PIM", "HVB", "charge port module", "e-compressor", "PTC heater")


@pytest.mark.parametrize(
    "name", [*AIRBAGS_AND_BELTS, *HIGH_VOLTAGE_PARTS, "ZQX", "inverter", "on-board charger"]
)
def test_what_fires_or_holds_high_voltage_is_not_unplugged_for_a_test(name: str) -> None:
    """Airbags, belts and high voltage by any of their names; a name that nobody knows counts as one of them."""
    assert not may_be_unplugged(name)


@pytest.mark.parametrize("name", ["ABS", "HVAC", "door module, left front", "radio", "EPS", "trailer module"])
def test_ordinary_modules_may_be_unplugged(name: str) -> None:
    """Brakes, heating, doors, radio, steering, trailer: unplugged every day, ignition off."""
    assert may_be_unplugged(name)


@pytest.mark.parametrize("name", AIRBAGS_AND_BELTS)
def test_a_record_that_names_a_restraint_module_brings_its_caution(name: str) -> None:
    """By the abbreviation of any maker, and by names that no table holds."""
    assert RESTRAINTS in cautions(modules=[{"name": name}])


@pytest.mark.parametrize("name", HIGH_VOLTAGE_PARTS)
def test_a_record_that_names_a_high_voltage_part_brings_its_caution(name: str) -> None:
    """Where nobody says how the vehicle is driven, its modules do; heating and air conditioning alone do not."""
    assert HIGH_VOLTAGE in cautions(modules=[{"name": name}])
    assert HIGH_VOLTAGE not in cautions(modules=[{"name": "HVAC"}, {"name": "turbocharger"}])
