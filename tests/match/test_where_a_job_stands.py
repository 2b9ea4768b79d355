"""What a record tells of the next test by common practice: conditions, silent modules, trials."""

from casebase.bus.feed import feeds_of
from casebase.match.meaning import stuck_at, who_answers


def test_what_a_trial_did_is_not_proposed_again(make_case):
    """A lamp stood on the feed of ABS, and the harness was moved."""
    job = {
        "conditions": ["intermittent", "low battery"],
        "modules": [{"name": "ABS", "answers": "no"}, {"name": "SAS", "answers": "no"}],
    }
    trials = [
        {"did": "loaded", "what": ["supply"], "at": "connector of ABS", "outcome": "passed"},
        {"did": "wiggled", "what": ["harness"], "outcome": "no change"},
    ]
    before, after = (make_case(**job, trials=done) for done in ([], trials))

    untouched, tried = (stuck_at(case.readings, [], [], case) for case in (before, after))
    assert (untouched.silent, untouched.comes_and_goes, untouched.drains) == (("ABS", "SAS"), True, True)
    assert (tried.silent, tried.comes_and_goes, tried.drains) == (("SAS",), False, True)


def plug_of(module, *, feed="12.4 V", lines=("CAN high 2.7 V", "CAN low 2.3 V")):
    """Return supply, ground and the bus lines as read at the plug of a module, ignition on."""
    there = {"at": f"connector of {module}", "ignition": "on", "quantity": "voltage"}
    volts = [
        there | {"line": line.rsplit(" ", 2)[0], "value": " ".join(line.rsplit(" ", 2)[1:])} for line in lines
    ]
    ground = there | {"line": "ground", "against": "battery -", "value": "0.02 V"}
    return [there | {"line": "supply", "against": "ground", "value": feed}, ground, *volts]


def served(make_case, readings, silent=("ABS",)):
    """Return which silent modules have all they need at their plug."""
    case = make_case(readings=readings, modules=[{"name": name, "answers": "no"} for name in silent])
    return stuck_at(case.readings, [], feeds_of(case.readings), case).served


def test_a_silent_module_with_supply_ground_and_bus_at_its_plug_has_all_it_needs(make_case):
    """Then the module is next, its terminals first (common practice, no source)."""
    assert served(make_case, plug_of("ABS")) == ["ABS"]


def test_what_was_not_read_at_the_plug_is_not_taken_for_granted(make_case):
    """No feed, one line only, ohms of each line to ground, or another module's plug: nothing follows."""
    assert served(make_case, plug_of("ABS", feed="0.3 V")) == []
    assert served(make_case, plug_of("ABS", lines=("CAN high 2.7 V",))) == []
    assert served(make_case, plug_of("BCM")) == []
    off = {"at": "connector of ABS", "quantity": "resistance", "battery": "disconnected", "value": "5 kohm"}
    ohms = [off | {"line": line} for line in ("CAN high", "CAN low")]
    assert served(make_case, [*plug_of("ABS", lines=()), *ohms]) == []
    assert served(
        make_case, [*plug_of("ABS", lines=()), ohms[0] | {"against": "CAN low", "value": "60 ohm"}]
    ) == ["ABS"]


def test_who_answers_says_nothing_of_a_medium_that_goes_on_over_one_line(make_case):
    """Fault-tolerant CAN talks on with a line at ground (ISO 11898-3), high-speed CAN does not."""
    told = [
        who_answers(make_case(others_answer="yes", networks=[{"name": "body", "medium": medium}]))
        for medium in ("fault-tolerant low-speed CAN", "high-speed CAN")
    ]
    assert told[0] is None
    assert told[1] is not None
