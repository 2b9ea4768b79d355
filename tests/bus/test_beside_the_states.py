"""What is said beside the probabilities, read as a technician reads it (facts: common practice, no source)."""

import pytest

from casebase import places
from casebase.bus.diagnose import diagnose
from casebase.bus.explain import verdict
from casebase.record.reading import Reading
from casebase.record.vocabulary import Medium


def said(*readings):
    """Return the verdict on readings of one high-speed CAN, nothing unplugged unless told."""
    taken = [Reading.model_validate({"unplugged": "nothing"} | reading) for reading in readings]
    return verdict(diagnose(taken, Medium.HIGH_SPEED_CAN, cache=places.simulation_folder()))


def ohms(value, **state):
    """Return ohms across the pair, the battery off."""
    told = {"line": "CAN high", "against": "CAN low", "battery": "disconnected"}
    return {"quantity": "resistance", "value": value} | told | state


def volts(line, value, **state):
    """Return volts of a line to ground, the ignition on."""
    told = {"line": line, "against": "ground", "ignition": "on"}
    return {"quantity": "voltage", "value": value} | told | state


def scope(**seen):
    """Return what a scope showed with the ignition on."""
    return {"quantity": "waveform", "ignition": "on", "waveform": seen}


EQUAL = (volts("CAN high", "2.5 V"), volts("CAN low", "2.5 V"))


@pytest.mark.slow
def test_sixty_two_ohm_and_two_and_a_half_volts_are_a_quiet_bus_and_no_short():
    """The most ordinary stuck job: not shorted, nobody sends, may be normal here, watch while a tester asks."""
    words = said(ohms("62 ohm"), *EQUAL)

    assert words.startswith("Most likely a bus awake without traffic")
    assert "The ohms rule out lines shorted together." in words
    assert (
        "quiet until a tester asks, which may be normal here. Watch the lines while a tester asks." in words
    )
    assert "do not fit together" not in words


@pytest.mark.slow
def test_traffic_on_a_scope_and_equal_averages_are_said_not_to_go_together():
    """Frames pull the averages apart: 2.3 and 2.7 V with traffic."""
    doubt = "Traffic was seen, yet both lines average the same"

    assert doubt in said(ohms("60.2 ohm"), *EQUAL, scope(traffic="yes"))
    assert doubt not in said(ohms("60.2 ohm"), *EQUAL, scope(traffic="no"))
    assert doubt not in said(
        ohms("60.2 ohm"), volts("CAN high", "2.68 V"), volts("CAN low", "2.32 V"), scope(traffic="yes")
    )


def test_ac_volts_of_a_healthy_bus_show_traffic_and_ask_for_dc():
    """No verdict of a bus asleep from an AC range."""
    alternating = [
        volts(line, value) | {"quantity": "AC voltage"}
        for line, value in (("CAN high", "0.35 V"), ("CAN low", "0.34 V"))
    ]
    words = said(ohms("60.2 ohm"), *alternating)

    assert "AC volts show that there is traffic" in words
    assert "asleep" not in words
    assert "AC volts" not in said(ohms("60.2 ohm"), *alternating, volts("CAN high", "2.65 V"))


@pytest.mark.slow
def test_a_dead_wire_at_an_unplugged_plug_is_an_open_branch_on_the_way_to_the_module():
    """DLC good, CAN low dead at the plug of ABS: never behind the pins of ABS."""
    at_plug = {"at": "connector of ABS", "into": "harness", "unplugged": ["ABS"]}
    words = said(
        ohms("60.2 ohm"),
        volts("CAN high", "2.65 V"),
        volts("CAN low", "2.35 V"),
        volts("CAN high", "2.65 V", **at_plug),
        volts("CAN low", "0.05 V", **at_plug),
    )

    assert words.startswith("These readings fit CAN low open")
    assert "It lies on the way to ABS: look along its branch and in its plug." in words


def test_ol_across_the_pair_names_open_lines_and_missing_terminators():
    """Nothing between the pins: both terminators away, or an open line."""
    words = said(ohms("OL"))

    assert "both terminators missing" in words
    assert "CAN low open" in words
    assert "healthy" not in words


def test_a_bare_module_is_judged_beside_the_bus():
    """Under 50 ohm a shorted transceiver (a machine maker's service manual), beside a pair that is sound."""
    words = said(ohms("60.2 ohm"), ohms("31 ohm", at="connector of ABS", into="module", unplugged=["ABS"]))
    assert words.endswith(
        "The bare module at connector of ABS (31 ohm) is shorted inside, as by its transceiver."
    )
