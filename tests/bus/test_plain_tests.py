"""The tests that no simulated bus rates, and what comes first (rules of the trade: common practice, no source)."""

import pytest

from casebase import places
from casebase.bus.diagnose import diagnose
from casebase.bus.feed import feeds_of
from casebase.bus.plain_tests import first_tests, plain_tests
from casebase.bus.stuck import Stuck
from casebase.record.cautions import HIGH_VOLTAGE, RESTRAINTS
from casebase.record.reading import Reading
from casebase.record.vocabulary import Medium


def ohms(value, line="CAN high", against="CAN low", **state):
    """Return ohms with the battery off and nothing unplugged."""
    told = {"battery": "disconnected", "unplugged": "nothing"} | state
    return Reading.model_validate(
        {"quantity": "resistance", "line": line, "against": against, "value": value, **told}
    )


def volts(value, line="CAN high", against="ground", **state):
    """Return volts with the ignition on and nothing unplugged."""
    told = {"ignition": "on", "unplugged": "nothing"} | state
    return Reading.model_validate(
        {"quantity": "voltage", "line": line, "against": against, "value": value, **told}
    )


def stuck(*readings, **keys):
    """Return where a job stands with these readings on one high-speed CAN."""
    diagnosis = diagnose(readings, Medium.HIGH_SPEED_CAN, cache=places.simulation_folder(), rough=True)
    return Stuck(readings=readings, diagnoses=[diagnosis], feeds=feeds_of(readings), **keys)


def begins(tests):
    """Return how each test begins."""
    return [test.words.split(",")[0].split(":")[0] for test in tests]


QUIET = (ohms("62 ohm"), volts("2.5 V"), volts("2.5 V", line="CAN low"))
SOUND = (ohms("60.3 ohm"), volts("2.65 V"), volts("2.35 V", line="CAN low"))
SHORTED = (ohms("0.4 ohm"), volts("2.5 V"), volts("2.5 V", line="CAN low"))


def test_with_nothing_measured_supplies_and_grounds_come_before_the_pair():
    """The DLC, the silent module, the pair."""
    assert begins(first_tests(Stuck(silent=["ABS"]))) == [
        "supply and ground of the DLC",
        "supply and ground at the plug of ABS",
        "ohms between CAN high and CAN low at the diagnostic connector",
    ]


def test_what_was_read_is_not_proposed_again():
    """The feeds of the DLC and of ABS are known."""
    read = (
        volts("12.4 V", line="supply", at="DLC"),
        volts("12.2 V", line="supply", at="connector of ABS", loaded="yes", unplugged=["ABS"]),
    )
    assert begins(first_tests(stuck(*read, silent=["ABS"]))) == [
        "ohms between CAN high and CAN low at the diagnostic connector"
    ]


def test_a_heavy_vehicle_has_other_pins():
    """SAE J1939-13: A ground, B battery +, C CAN high, D CAN low (from memory)."""
    dlc, pair = first_tests(Stuck(media=[Medium.J1939]))
    assert "pin B to pin A" in dlc.words
    assert "pins C and D" in pair.words


def test_a_line_that_is_pulled_up_is_not_read_across_a_pair():
    """LIN has one line."""
    told = begins(first_tests(Stuck(silent=["rain sensor"], media=[Medium.LIN])))
    assert told[-1] == "volts of the line to ground at any connector of this network"


def test_a_bus_on_which_nobody_sends_is_watched_while_a_tester_asks():
    """62 ohm, both lines at 2.5 V: first of all."""
    (test,) = first_tests(stuck(*QUIET))

    assert test.words.startswith("watch both lines")
    assert "while a tester asks" in test.words
    assert len(test.outcomes) == 3


def test_what_was_watched_while_a_tester_asked_is_not_watched_again():
    """The same, seen on a scope with the tester talking."""
    seen = Reading.model_validate(
        {
            "quantity": "waveform",
            "ignition": "on",
            "tester": "talking",
            "waveform": {"traffic": "no"},
        }
    )
    assert not any("while a tester asks" in test.words for test in plain_tests(stuck(*QUIET, seen)))


def test_the_feed_of_a_silent_module_comes_where_the_wires_look_sound():
    """Its bus is healthy: supply and ground next, and no more than that is asked of a module that answers."""
    assert begins(plain_tests(stuck(*SOUND, silent=["ABS"])))[0] == "supply and ground at the plug of ABS"
    assert not any("supply" in words for words in begins(plain_tests(stuck(*SOUND))))
    assert not any("supply" in words for words in begins(plain_tests(stuck(*SHORTED, silent=["ABS"]))))


@pytest.mark.parametrize(
    ("reading", "words"),
    [
        (("0.3 V", "supply", "ground"), "fuse of ABS"),
        (("1.5 V", "supply", "battery +"), "drop test along the supply of ABS under load"),
        (("0.6 V", "ground", "battery -"), "drop test along the ground of ABS under load"),
    ],
)
def test_a_bad_feed_is_followed_before_anything_else(reading, words):
    """Where the volts are lost."""
    value, line, against = reading
    at_plug = volts(value, line=line, against=against, at="connector of ABS")

    assert begins(first_tests(stuck(*SOUND, at_plug, silent=["ABS"]))) == [words]


def test_volts_without_load_ask_for_a_lamp():
    """12.3 V at a plug that hangs free say little."""
    free = volts("12.3 V", line="supply", at="connector of ABS", unplugged=["ABS"])
    told = plain_tests(stuck(*SOUND, free, silent=["ABS"]))

    assert told[0].words.endswith("with a lamp of 21 W across its unplugged plug")
    assert any("never a signal pin, a squib" in caution for caution in told[0].cautions)


def test_a_fault_that_comes_and_goes_is_moved_by_hand():
    """With MIN/MAX, where a value changes or the customer says so."""
    shaken = ohms("60; 120 ohm when shaken")
    for job in (stuck(shaken), stuck(*SOUND, comes_and_goes=True)):
        assert any("MIN/MAX across what changes" in test.words for test in plain_tests(job))
    assert not any("MIN/MAX across" in test.words for test in plain_tests(stuck(*SOUND)))


def test_a_settled_fault_is_looked_for_part_by_part():
    """Lines shorted together for certain, and nobody knows where."""
    told = plain_tests(stuck(*SHORTED))
    assert begins(told) == ["unplug the network section by section"]


@pytest.mark.parametrize(("name", "danger"), [("SDM", RESTRAINTS), ("HVB", HIGH_VOLTAGE), ("ZQX", None)])
def test_no_module_that_may_hurt_is_unplugged_or_loaded(name, danger):
    """Restraint, high voltage, unknown: by the maker's procedure, with its caution."""
    test = next(test for test in first_tests(Stuck(silent=[name])) if name in test.words)

    assert "by the maker's procedure only" in test.words
    assert "lamp" not in test.words
    assert danger is None or danger in test.cautions


def test_a_battery_that_goes_flat_asks_for_the_current_at_rest():
    """Some ten milliamperes are usual; once it is read it is not asked for again."""
    assert "current at rest in the battery's ground lead" in begins(
        plain_tests(stuck(*SOUND, drains=True), 9)
    )
    taken = Reading.model_validate(
        {"quantity": "current", "line": "battery -", "at": "battery", "value": "30 mA"}
    )
    told = begins(plain_tests(stuck(*SOUND, taken, drains=True), 9))
    assert not any(words.startswith("current at rest") for words in told)
