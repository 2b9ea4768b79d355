"""Codes of one circuit are set apart from those of the network, with the reason, where that leads nobody astray.

What the codes mean is from memory of SAE J2012 and J1939-73.
"""

import pytest

from casebase.record.stored_codes import LOCAL_ONLY, UNCLEAR_ONLY, codes_note, codes_set_apart

LOST = {"module": "ECM", "code": "U0121-87"}


@pytest.fixture
def set_apart(make_case):
    """Return what is set apart of these codes, by code."""

    def of(*codes, **keys):
        return {found.code: found for found in codes_set_apart(make_case(codes=list(codes), **keys))}

    return of


def test_a_circuit_code_waits_until_the_network_is_whole(set_apart):
    """An open coolant sensor beside lost communication with the ABS: the sensor comes later, and says why."""
    found = set_apart(LOST, {"module": "TCM", "code": "P0118-13"})
    assert list(found) == ["P0118-13"]
    assert found["P0118-13"].stored_in == "TCM"
    assert "speaks of one circuit" in found["P0118-13"].reason
    assert "once the network is whole" in found["P0118-13"].reason


def test_the_echo_of_missing_messages_is_called_so(set_apart):
    """A speed code in the module that also misses the ABS may follow from that (common practice, no source)."""
    found = set_apart(LOST, {"module": "ECM", "code": "P0500"})
    assert "also misses messages, from which it may follow" in found["P0500"].reason


def test_a_code_whose_module_is_silent_waits_for_the_module(set_apart):
    """A wheel speed code of an ABS that does not answer cannot be looked at before it answers."""
    silent = [{"name": "ABS", "answers": "no"}]
    found = set_apart(LOST, {"module": "ABS", "code": "C0035-13"}, modules=silent)
    assert "ABS does not answer now: look at it once it does" in found["C0035-13"].reason


def test_one_module_with_low_voltage_follows_from_the_supply(set_apart):
    """P0562 in one module beside a lost ABS: a minute with the meter at the battery, then the network (SAE J2012)."""
    found = set_apart(LOST, {"module": "ECM", "code": "P0562"})
    assert "follows from the supply (system voltage too low)" in found["P0562"].reason
    assert "after the network is whole" in found["P0562"].reason


def test_low_voltage_in_several_modules_is_not_set_apart(set_apart):
    """Two modules tell of their supply: that may be the cause of it all (common practice, no source)."""
    assert set_apart(LOST, {"module": "ECM", "code": "P0562"}, {"module": "EPS", "code": "U3003-16"}) == {}


def test_the_supply_of_the_module_that_others_miss_is_not_set_apart(set_apart):
    """The ABS is missed by the ECM and has stored a low supply itself: that is where to look."""
    assert set_apart(LOST, {"module": "ABS", "code": "U3003-16"}) == {}


def test_codes_of_the_network_are_never_set_apart(set_apart):
    """Bus faults, lost messages, refused data, software that does not fit, the letter U of a maker, a data link."""
    network = [
        {"module": "ECM", "code": code} for code in ("U0001-88", "U0415-86", "U0320-00", "U1300", "P0600")
    ]
    assert set_apart(LOST, *network) == {}


def test_the_scans_own_text_can_tell_that_a_body_code_is_of_the_network(set_apart):
    """A maker's B code that means no messages on LIN belongs to the network, whatever its letter."""
    codes = (
        {"module": "BCM", "code": "B1C00-11", "text": "LIN 2 short to ground"},
        {"module": "BCM", "code": "B1C10-13", "text": "switch panel, no messages"},
        {"module": "BCM", "code": "B1C20-13", "text": "reading lamp, can be replaced singly"},
    )
    assert list(set_apart(LOST, *codes)) == ["B1C20-13"]


def test_what_a_makers_code_means_is_not_guessed(set_apart):
    """A maker's code without a telling failure type, and its own numbers, are left alone: one may be `not coded`."""
    codes = [{"module": "EPS", "code": code} for code in ("C1006-55", "C1145", "maker:5E-21", "P0602")]
    assert set_apart(LOST, *codes) == {}


def test_a_failure_mode_of_one_circuit_is_set_apart_on_a_truck(set_apart):
    """SPN 639 FMI 9 is of the network, SPN 110 FMI 3 (voltage above normal) of one sensor (SAE J1939-73)."""
    found = set_apart(
        {"module": "engine", "code": "SPN 639 FMI 9"}, {"module": "engine", "code": "SPN 110 FMI 3"}
    )
    assert list(found) == ["SPN 110 FMI 3"]


def test_restraint_and_brake_codes_keep_their_cautions(set_apart):
    """Set apart is not harmless: no ohmmeter on a squib, no road test on brakes that are not proven."""
    found = set_apart(LOST, {"module": "SRS", "code": "B0001-1B"}, {"module": "ABS", "code": "C0035-13"})
    assert any("squib" in caution for caution in found["B0001-1B"].cautions)
    assert any("no road test" in caution for caution in found["C0035-13"].cautions)


def test_a_code_of_several_modules_is_told_once(set_apart):
    """One line for one code, with every module that stores it."""
    found = set_apart(LOST, {"module": "TCM", "code": "P0118"}, {"module": "cluster", "code": "P0118"})
    assert found["P0118"].stored_in == "TCM, cluster"


def test_with_only_local_codes_nothing_is_set_apart(make_case, demo_cases):
    """A parking sensor's open circuit is all there is: it is what there is to find; no code speaks of the network."""
    case = demo_cases["t2-velin-no-traffic-at-dlc-gateway-normal.yaml"]
    assert codes_set_apart(case) == []
    assert codes_note(case) == LOCAL_ONLY
    assert codes_note(make_case(codes=[{"module": "ABS", "code": "C1145"}])) == UNCLEAR_ONLY
    assert codes_note(make_case(codes=[LOST])) is None
    assert codes_note(make_case()) is None


def test_codes_that_led_to_the_cause_are_not_set_apart(demo_cases):
    """In the solved cases no code is set apart that told of the cause: not coded, low voltage in three modules."""
    assert codes_set_apart(demo_cases["k4-power-steering-swapped-not-coded.yaml"]) == []
    assert codes_set_apart(demo_cases["k4-battery-change-loose-clamp.yaml"]) == []
