"""Where a fault lies on a layout: facts of the trade (common practice, no source, where nothing else is named)."""

import json

import pytest

from casebase.bus.layout.locating import where
from casebase.bus.layout.whereabouts import Evidence, whereabouts_data
from casebase.record.layout import Layout
from casebase.record.reading import Reading

pytestmark = pytest.mark.slow


def trunk_layout(**changes):
    """Return a trunk from ECM to ABS with an inline plug, stubs to BCM and the DLC, two feeds and a ground point."""
    return Layout.model_validate(
        {
            "kind": "network layout",
            "vehicles": {"make": "Veldra", "models": ["Tern"]},
            "source": "guessed",
            "networks": [
                {
                    "name": "HS CAN",
                    "medium": "high-speed CAN",
                    "terminators": ["ECM", "ABS"],
                    "wires": [["ECM", "S401", "X12", "S417", "ABS"], ["DLC", "S401"], ["BCM", "S417"]],
                }
            ],
            "modules": ["ECM", "ABS", "BCM"],
            "plugs": ["X12"],
            "splices": ["S401", "S417"],
            "feeds": [{"name": "F12", "modules": ["ABS", "BCM"]}, {"name": "F3", "modules": ["ECM"]}],
            "grounds": [{"name": "G201", "modules": ["ABS", "BCM"]}],
        }
        | changes
    )


OFF = {"ignition": "off", "battery": "disconnected", "unplugged": "nothing"}
ON = {"ignition": "on", "battery": "connected", "unplugged": "nothing"}


def ohms(value, at="DLC", **changes):
    """Return ohms between the lines."""
    keys = {"quantity": "resistance", "line": "CAN high", "against": "CAN low", "value": value, "at": at}
    return Reading.model_validate(keys | OFF | changes)


def on_the_network(*readings, **said):
    """Return what is found on the one network of the trunk layout."""
    return where(trunk_layout(), Evidence(readings, **said)).networks[0]


def test_everything_sums_to_one():
    """The elements, nothing at fault and a fault of another kind are all there is."""
    found = on_the_network(silent=("ABS",))
    assert sum(one.probability for one in found.elements) + found.sound + found.outside == pytest.approx(1.0)


def test_a_single_silent_module_has_its_own_fault_or_its_feed_or_its_stub():
    """The others answer: what only this module needs comes first; the trunk they share does not."""
    found = on_the_network(silent=("BCM",), answering=("ECM", "ABS"))
    assert {"BCM", "BCM to S417"} <= set(found.credible_90)
    assert found.probability("S401 to X12") < 0.03


def test_two_silent_modules_point_to_what_they_share():
    """Both hang on one fuse, one ground point and beyond one plug: these come before the modules themselves."""
    found = on_the_network(silent=("ABS", "BCM"), answering=("ECM",))
    assert {found.elements[place].name for place in range(3)} <= {
        "F12",
        "G201",
        "X12",
        "S401 to X12",
        "X12 to S417",
        "S417",
    }
    assert found.probability("ABS") + found.probability("BCM") < 0.2


def test_two_modules_beyond_an_open_trunk_are_told_from_their_fuse_by_ohms():
    """About 120 ohm in place of 60 and both modules beyond silent: open between DLC and them, not the fuse."""
    found = on_the_network(ohms("121 ohm"), silent=("ABS", "BCM"), answering=("ECM",))
    assert found.probability("F12") < 0.02
    beyond = [group for group in found.indistinct if "X12" in group.names]
    assert "between S401 and S417" in beyond[0].words
    assert beyond[0].probability > 0.6


def test_a_short_stays_on_the_side_of_the_parted_plug_where_it_is():
    """Near 0 ohm toward the modules and 120 ohm toward the DLC: the short lies beyond the plug."""
    found = on_the_network(
        ohms("1.4 ohm"),
        ohms("121 ohm", "X12 toward S401", unplugged=["X12"]),
        ohms("1.1 ohm", "X12 toward S417", unplugged=["X12"]),
    )
    near = ("ECM", "ECM to S401", "S401", "S401 to X12", "DLC", "DLC to S401")
    assert sum(found.probability(name) for name in near) < 0.03


def test_the_plug_in_the_middle_halves_a_short():
    """A dead short anywhere: parting the inline plug tells about one bit, and both outcomes are said."""
    found = on_the_network(ohms("1.4 ohm"))
    first = found.next_tests[0]
    assert first.place == "X12"
    assert first.bits > 0.7
    assert any("toward S417 near 0 ohm" in one.shows for one in first.outcomes)
    assert any("Ohms only" in words for words in first.cautions)


def test_a_place_that_was_read_is_not_proposed_again():
    """The plug was parted and read: the next test is elsewhere."""
    both = [
        ohms(value, f"X12 toward {side}", unplugged=["X12"])
        for side, value in (("S401", "1.3 ohm"), ("S417", "121 ohm"))
    ]
    ground = [
        Reading.model_validate(
            {
                "quantity": "resistance",
                "line": line,
                "against": "ground",
                "value": "5.2k",
                "at": f"X12 toward {side}",
            }
            | OFF
            | {"unplugged": ["X12"]}
        )
        for side in ("S401", "S417")
        for line in ("CAN high", "CAN low")
    ]
    found = on_the_network(ohms("1.4 ohm"), *both, *ground)
    assert "X12" not in {test.place for test in found.next_tests}


def test_a_place_read_in_part_is_proposed_again_only_if_that_tells_much():
    """Ohms between the lines on both sides of the parted plug: the lines to ground there would tell little more."""
    found = on_the_network(
        ohms("1.4 ohm"),
        ohms("1.3 ohm", "X12 toward S401", unplugged=["X12"]),
        ohms("OL", "X12 toward S417", unplugged=["X12"]),
    )
    assert found.next_tests
    assert "X12" not in {test.place for test in found.next_tests}


def test_a_dead_feed_read_at_the_plug_points_to_the_fuse_of_both_silent_modules():
    """0.2 V from the supply pin to battery - under load, two silent on one fuse: the fuse."""
    feed = Reading.model_validate(
        {
            "quantity": "voltage",
            "line": "supply",
            "against": "battery -",
            "value": "0.2 V",
            "at": "connector of ABS",
        }
        | {"loaded": "yes", "ignition": "on", "unplugged": ["ABS"]}
    )
    found = on_the_network(feed, silent=("ABS", "BCM"), answering=("ECM",))
    assert found.elements[0].name == "F12"
    assert found.elements[0].probability > 0.8


def test_a_module_said_to_be_silent_that_is_not_in_this_build_does_not_rule_everything_out():
    """What everybody says never has probability 0."""
    found = on_the_network(silent=("ECM", "ABS", "BCM"), answering=("ECM",))
    assert all(0.0 <= one.probability <= 1.0 for one in found.elements)
    assert sum(one.probability for one in found.elements) > 0.1


def test_readings_that_fit_no_fault_of_the_layout_are_said_to():
    """Volts that no line of a bus shows: a fault of another kind, or readings taken wrongly."""
    volts = [
        Reading.model_validate(
            {"quantity": "voltage", "line": line, "against": "ground", "at": at, "value": value} | ON
        )
        for at, line, value in (
            ("DLC", "CAN high", "-7 V"),
            ("DLC", "CAN low", "9 V"),
            ("splice S417", "CAN high", "31 V"),
            ("splice S417", "CAN low", "-4 V"),
        )
    ]
    found = on_the_network(*volts, answering=("ECM", "ABS", "BCM"))
    assert found.outside > 0.9
    assert sum(one.probability for one in found.elements) + found.sound + found.outside == pytest.approx(1.0)


def test_a_corroded_plug_found_three_times_is_raised_for_the_platform():
    """Three proven causes at one plug: as likely as the usual and the counts together."""
    evidence = Evidence(silent=("ABS", "BCM"), answering=("ECM",))
    before = where(trunk_layout(), evidence).networks[0].probability("X12")
    learned = Evidence(silent=("ABS", "BCM"), answering=("ECM",), proven={"X12": 3})
    after = next(one for one in where(trunk_layout(), learned).networks[0].elements if one.name == "X12")
    assert after.probability > 1.5 * before
    assert after.proven == 3


def test_a_reading_with_no_place_on_the_layout_is_said_not_dropped():
    """A parted plug without its side, a place that is not there."""
    found = on_the_network(ohms("60 ohm", "X12", unplugged=["X12"]), ohms("60 ohm", "splice S999"))
    assert [number for number, _ in found.unused] == [0, 1]
    assert "say which side" in found.unused[0][1]


def test_a_restraint_module_is_never_unplugged():
    """Not for any test."""
    layout = trunk_layout(
        modules=["ECM", "ABS", "BCM", "Airbag"],
        networks=[
            {
                "name": "HS CAN",
                "medium": "high-speed CAN",
                "terminators": ["ECM", "ABS"],
                "wires": [
                    ["ECM", "S401", "X12", "S417", "ABS"],
                    ["DLC", "S401"],
                    ["BCM", "S417"],
                    ["Airbag", "S417"],
                ],
            }
        ],
    )
    found = where(
        layout, Evidence(silent=("Airbag",), answering=("ECM", "ABS", "BCM")), most_tests=20
    ).networks[0]
    assert found.probability("Airbag") > 0.2
    assert "Airbag" not in {test.place for test in found.next_tests}


def test_the_silent_modules_of_a_single_wire_are_weighed_by_what_they_share():
    """On a LIN bus only who is silent counts: all silent but none of their feeds in common."""
    layout = trunk_layout(
        networks=[{"name": "LIN 1", "medium": "LIN", "wires": [["BCM", "S401", "ABS"], ["ECM", "S401"]]}],
        plugs=[],
        splices=["S401"],
        gateways=["BCM"],
    )
    found = where(
        layout, Evidence((ohms("60 ohm", at="connector of ABS"),), silent=("ABS", "ECM"), answering=("BCM",))
    ).networks[0]
    assert found.elements[0].name in {"S401", "BCM to S401", "BCM"}
    assert found.unused[0][1].startswith("of this medium")


def test_as_plain_data_it_says_all_that_a_page_needs():
    """Elements, credible set, what nothing tells apart, next tests: as JSON."""
    data = json.loads(json.dumps(whereabouts_data(where(trunk_layout(), Evidence(silent=("ABS",))))))
    assert {"elements", "credible_90", "indistinct", "next_tests"} <= set(data["networks"][0])
    assert data["networks"][0]["elements"][0]["states"][0]["probability"] > 0


# --- fuses, ground points, several modules at once ---------------------------------------------------------------


def proposed(*readings, **said):
    """Return the tests proposed on the trunk, by the place to open."""
    return proposed_on(trunk_layout(), *readings, **said)


def proposed_on(layout, *readings, **said):
    """Return the tests proposed on a layout, by the place to open."""
    found = where(layout, Evidence(readings, **said), 20).networks[0]
    return {test.place: test for test in found.next_tests}


def at_a_feed(line, volts, at):
    """Return volts to battery - at a fuse or ground point under load."""
    keys = {"quantity": "voltage", "line": line, "against": "battery -", "at": at, "loaded": "yes"}
    return Reading.model_validate(keys | ON | {"value": f"{volts} V"})


def test_the_fuse_that_two_silent_modules_share_is_looked_at_before_anything_is_unplugged():
    """A meter behind the fuse takes minutes; what it shows either way is said."""
    tests = proposed(silent=("ABS", "BCM"), answering=("ECM",))
    assert tests["F12"].what == "volts behind F12 to battery -, with what it feeds switched on"
    assert {outcome.shows for outcome in tests["F12"].outcomes} >= {
        "no volts behind it",
        "battery volts behind it",
    }
    assert tests["F12"].bits_per_minute > tests["ABS"].bits_per_minute
    assert "G201" in tests
    assert "F3" not in tests, "the module on it answers"


def test_no_volts_behind_the_fuse_find_it_and_battery_volts_clear_it():
    """What is read at the fuse itself tells of no other element."""
    silent = {"silent": ("ABS", "BCM"), "answering": ("ECM",)}
    assert on_the_network(at_a_feed("supply", 0.1, "fuse F12"), **silent).elements[0].name == "F12"
    cleared = on_the_network(at_a_feed("supply", 12.4, "fuse F12"), **silent)
    assert cleared.probability("F12") < 0.02
    assert "F12" not in proposed(at_a_feed("supply", 12.4, "fuse F12"), **silent)


def test_a_drop_from_the_ground_point_finds_it():
    """Volts from the stud to battery -, with current flowing: hardly any where it is sound."""
    silent = {"silent": ("ABS", "BCM"), "answering": ("ECM",)}
    assert on_the_network(at_a_feed("ground", 4.2, "ground point G201"), **silent).elements[0].name == "G201"
    assert on_the_network(at_a_feed("ground", 0.02, "G201"), **silent).probability("G201") < 0.02


def test_a_driver_that_may_be_stuck_is_found_by_volts_with_the_module_out():
    """Ohms without battery show nothing of it."""
    volts = [
        Reading.model_validate(
            {"quantity": "voltage", "line": line, "against": "ground", "at": "DLC", "value": value} | ON
        )
        for line, value in (("CAN high", "3.5 V"), ("CAN low", "1.5 V"))
    ]
    tests = proposed(*volts, ohms(60.2), silent=("ECM", "ABS", "BCM"))
    assert any(
        test.what == f"unplug {name}, then volts of each line to ground at DLC"
        for name, test in tests.items()
    )


SLOW = {"plugs": ["X12"], "splices": ["S401", "S417"]}


def test_modules_that_share_the_blame_may_be_unplugged_together():
    """Lines together somewhere inside five modules on short stubs: half of them are taken off at once."""
    names = ["radio", "IPC", "HVAC", "seat control driver", "tailgate"]
    wires = [["ECM", "S401", "X12", "S417", "ABS"], ["DLC", "S401"], *([name, "S417"] for name in names)]
    quick = [{"name": name, "minutes": 1} for name in names]
    slow = {kind: [{"name": name, "minutes": 90} for name in places] for kind, places in SLOW.items()}
    network = {"name": "HS CAN", "medium": "high-speed CAN", "terminators": ["ECM", "ABS"], "wires": wires}
    layout = trunk_layout(networks=[network], modules=["ECM", "ABS", *quick], feeds=[], grounds=[], **slow)
    tests = proposed_on(layout, ohms(3.1), silent=("ECM", "ABS", *names))
    assert any(test.what.startswith("unplug ") and " and " in test.what for test in tests.values())
