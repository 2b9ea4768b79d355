"""What was read at a plug is heard by the ranking of causes (rules of the trade: common practice, no source)."""

import pytest

from casebase import places
from casebase.bus.feed import feeds_of
from casebase.match.answer.evidence import FeedFit
from casebase.match.answer.working_out import answer_to
from casebase.record.reading import Reading
from casebase.record.vocabulary import Fault

FEED = str(Fault.MODULE_SUPPLY_OR_GROUND)


def read(value, at="connector of ABS", **state):
    """Return volts at a supply pin, the module plugged in and the ignition on."""
    told = {"ignition": "on", "unplugged": "nothing"} | state
    return Reading.model_validate(
        {"quantity": "voltage", "line": "supply", "against": "ground", "at": at, "value": value, **told}
    )


def fit(*readings):
    """Return the feeds read, held against causes."""
    return FeedFit(feeds_of(readings))


def test_nothing_read_says_nothing():
    """Every cause as before."""
    assert fit().likelihood(FEED, "anti-lock brakes") == 1.0
    assert fit().rest() == 1.0
    assert fit().bad() == {}


def test_a_module_without_supply_speaks_for_its_feed_and_against_the_wires():
    """0.3 V at the plug of the silent module decides the job."""
    blown = fit(read("0.3 V"))

    own, line = blown.likelihood(FEED, "anti-lock brakes"), blown.likelihood("low_open", "anti-lock brakes")
    assert own > 20 * line
    assert blown.likelihood(FEED, "steering angle sensor") < own / 10
    assert blown.rest() < 0.5
    assert blown.bad()["anti-lock brakes"] > 0.95


def test_a_sound_feed_speaks_against_a_fault_of_the_feed():
    """A lamp burns bright at the plug: look elsewhere."""
    lit = fit(read("12.2 V", unplugged=["ABS"], loaded="yes"))

    assert lit.likelihood(FEED, "anti-lock brakes") < 0.4
    assert lit.likelihood("low_open", "anti-lock brakes") > 1.2
    assert lit.bad() == {}


def test_water_and_corrosion_may_reach_the_feed():
    """Between the feed itself and what leaves it alone."""
    blown = fit(read("0.3 V"))
    by_fault = [
        blown.likelihood(str(fault), "anti-lock brakes")
        for fault in (Fault.MODULE_SUPPLY_OR_GROUND, Fault.CONNECTOR_CORROSION, Fault.MODULE_INTERNAL)
    ]

    assert by_fault == sorted(by_fault, reverse=True)


def test_low_volts_while_cranking_speak_for_the_whole_system():
    """7 V at one plug while cranking: the battery, or this feed."""
    low = fit(read("7.3 V", ignition="cranking"))

    assert low.likelihood(str(Fault.LOW_SYSTEM_VOLTAGE), None) > 3.0
    assert low.likelihood("low_open", None) < 0.3


SOUND_BUS = [
    {"quantity": "resistance", "against": "CAN low", "battery": "disconnected", "value": "60.3 ohm"},
    {"quantity": "voltage", "against": "ground", "ignition": "on", "value": "2.63 V"},
    {"quantity": "voltage", "line": "CAN low", "against": "ground", "ignition": "on", "value": "2.37 V"},
]


@pytest.mark.slow
def test_what_stands_at_the_supply_pin_of_the_silent_module_decides(make_case, collection):
    """Whatever the cases nearby had: nothing read leaves its feed open, 0.3 V proves it, a bright lamp clears it."""
    bus = [{"line": "CAN high", "unplugged": "nothing"} | reading for reading in SOUND_BUS]
    dead, lit = (
        reading.model_dump(mode="json", exclude_none=True)
        for reading in (read("0.3 V"), read("12.2 V", unplugged=["ABS"], loaded="yes"))
    )
    job = {
        "networks": [{"name": "chassis CAN", "medium": "high-speed CAN"}],
        "modules": [{"name": "ABS", "network": "chassis CAN", "answers": "no"}],
    }
    cleared, open_, proven = (
        answer_to(make_case(**job, readings=given), collection, cache=places.simulation_folder())
        for given in ([*bus, lit], bus, [*bus, dead])
    )

    chances = [
        {(cause.fault, cause.module): cause.probability for cause in answer.causes}.get(
            (FEED, "anti-lock brakes (ABS)"), 0.0
        )
        for answer in (cleared, open_, proven)
    ]
    assert chances[0] < 0.6 < chances[1] < 0.85
    assert chances[2] > 0.9
    assert not proven.looks_normal


@pytest.mark.slow
def test_a_silent_module_that_has_all_it_needs_is_itself_suspected(make_case, collection):
    """Supply, ground and both lines at the plug of the one silent module (common practice, no source)."""
    at = {"at": "connector of ABS", "ignition": "on", "quantity": "voltage"}
    readings = [
        at | {"line": "supply", "against": "ground", "value": "12.5 V"},
        at | {"line": "ground", "against": "battery -", "value": "0.02 V"},
        at | {"line": "CAN high", "value": "2.7 V"},
        at | {"line": "CAN low", "value": "2.3 V"},
        SOUND_BUS[0] | {"line": "CAN high", "at": "connector of ABS"},
    ]
    job = {"networks": [{"name": "chassis CAN", "medium": "high-speed CAN"}]} | {
        "modules": [{"name": "ABS", "network": "chassis CAN", "answers": "no"}]
    }
    answer, bus_alone = (
        answer_to(make_case(**job, readings=given), collection, cache=places.simulation_folder())
        for given in (readings, readings[2:])
    )
    first = answer.causes[0]
    assert (first.fault, first.probability > 0.4) == (str(Fault.MODULE_INTERNAL), True)
    assert answer.tests[0].words.startswith("terminals of ABS at its plug")
    assert bus_alone.causes[0].fault != Fault.MODULE_INTERNAL


@pytest.mark.slow
def test_one_silent_module_is_no_excuse_for_120_ohm(make_case, collection):
    """All others answer: with 60 ohm its feed comes first, with 120 the wires do (two of 120 ohm: ISO 11898-2)."""
    job = {
        "networks": [{"name": "chassis CAN", "medium": "high-speed CAN"}],
        "modules": [{"name": "ABS", "network": "chassis CAN", "answers": "no"}],
        "others_answer": "yes",
    }
    sound, half = (
        answer_to(
            make_case(**job, readings=[SOUND_BUS[0] | {"line": "CAN high", "value": value}]),
            collection,
            cache=places.simulation_folder(),
        )
        for value in ("60.3 ohm", "120 ohm")
    )
    assert (sound.causes[0].fault, sound.tests[0].words.startswith("supply and ground")) == (FEED, True)
    assert half.causes[0].fault != FEED
    assert not half.tests[0].words.startswith("supply and ground")
