"""Ohms into a bare module at its parted plug: of the module, never of the bus.

Bounds: the service manual of a mower maker (page 136, published set 20: 2.25 to 160 kohm in order by kind of module,
0 to 50 ohm a shorted transceiver, above 500 kohm open); a marine engine maker's manual (page 123, set 19: 37.1 kohm).
"""

import pytest

from casebase.bus.bare_module import Bare, BareModule, bare_module
from casebase.bus.diagnose import weighed
from casebase.bus.explain import verdict
from casebase.bus.interpret import interpret
from casebase.bus.roles import BusUnderTest, roles_for
from casebase.record.vocabulary import BusState, Medium

AT_ABS = {"at": "connector of ABS", "unplugged": ["ABS"], "into": "module"}


def meaning(reading, medium=Medium.HIGH_SPEED_CAN):
    """Return what a bare module is, or the reason."""
    found = bare_module(0, reading, medium)
    return found.meaning if isinstance(found, BareModule) else found


@pytest.mark.slow
@pytest.mark.parametrize(
    ("value", "meant"),
    [
        ("0.4 ohm", Bare.SHORTED),
        ("20 ohm", Bare.SHORTED),
        ("under 50 ohm", Bare.SHORTED),
        ("120 ohm", Bare.HOLDS_TERMINATOR),
        ("114 ohm", Bare.HOLDS_TERMINATOR),
        ("2.3 kohm", Bare.SOUND),
        ("37.1 kohm", Bare.SOUND),
        ("160 kohm", Bare.SOUND),
        ("normal", Bare.SOUND),
        ("600 kohm", Bare.OPEN),
        ("over 500 kohm", Bare.OPEN),
        ("OL", Bare.OPEN),
        ("open", Bare.OPEN),
        ("70 ohm", Bare.UNUSUAL),
        ("800 ohm", Bare.UNUSUAL),
        ("300 kohm", Bare.UNUSUAL),
    ],
)
def test_a_bare_module_is_judged_by_published_bounds(pair, value, meant):
    """A differential input of 19 to 75 kohm (TJA1051 and TJA1041A data sheets) lies well within what is in order."""
    assert meaning(pair(value, **AT_ABS)) == meant


@pytest.mark.parametrize("ohms", ["19 kohm", "30 kohm", "52 kohm", "75 kohm"])
def test_data_sheets_of_transceivers_are_in_order(pair, ohms):
    """Differential input resistance: 19 to 52 kohm (TJA1051), 25 to 75 kohm (TJA1041A)."""
    assert meaning(pair(ohms, **AT_ABS)) is Bare.SOUND


def test_what_is_not_ohms_between_the_pins_is_not_judged(high_ground, high, pair):
    """One line to ground inside a module depends on its make: nobody publishes it."""
    assert "only ohms between CAN high and CAN low" in meaning(high_ground("15 kohm", **AT_ABS))
    assert "only ohms between CAN high and CAN low" in meaning(high("2.5", **AT_ABS))
    assert "only ohms between" in meaning(pair("20 kohm", **AT_ABS), Medium.FAULT_TOLERANT_CAN)
    assert "after the repair" in meaning(pair("20 kohm", **AT_ABS, stage="after repair"))


@pytest.fixture
def diagnose(bank):
    """Return a diagnosis on the small bank."""

    def of(*readings):
        roles = roles_for(BusUnderTest(("ECM", "BCM"), ("ABS",)), readings)
        return weighed(bank, roles, readings, interpret(readings, roles, bank))

    return of


@pytest.mark.slow
def test_a_shorted_bare_module_is_never_lines_shorted_together(diagnose, pair):
    """20 ohm into the module, 60 into the harness: the wires are sound, the module is not."""
    found = diagnose(pair("20 ohm", **AT_ABS), pair("60.1", **(AT_ABS | {"into": "harness"})))
    assert found.probability(BusState.LINES_SHORTED_TOGETHER) < 0.02
    assert [each.meaning in (Bare.SHORTED, Bare.OPEN) for each in found.interpreted.bare_modules] == [True]
    assert "The bare module at connector of ABS (20 ohm) is shorted inside" in verdict(found)


@pytest.mark.slow
def test_a_bare_module_alone_tells_nothing_of_the_bus(diagnose, pair):
    """And that is said, beside what it tells of the module."""
    said = verdict(diagnose(pair("37.1 kohm", **AT_ABS)))
    assert said.startswith("No reading here tells anything about the state of the bus.")
    assert "(37.1 kohm) is sound between its bus pins" in said


@pytest.mark.slow
def test_into_the_harness_says_that_the_module_is_off(diagnose, pair):
    """Nobody can reach the harness side with the module in its plug: unplugged need not be told again."""
    told, left_out = (
        diagnose(pair("60.1", at="connector of ABS", into="harness", unplugged=unplugged))
        for unplugged in (["ABS"], None)
    )
    assert told.observations[0].view == left_out.observations[0].view
