"""A wiring layout as an electrical network: facts of the trade (common practice, no source, where none is named)."""

import numpy as np
import pytest

from casebase.bus.layout.answering import answer_chances
from casebase.bus.layout.from_record import wiring_of
from casebase.bus.layout.rows import rows_for
from casebase.record.layout import Layout


def layout_of(wires, **changes):
    """Return a layout of one high-speed network with these wires."""
    network = {"name": "HS CAN", "medium": "high-speed CAN", "terminators": ["ECM", "ABS"], "wires": wires}
    named = {place for run in wires for place in run if not place.endswith(" m")} - {"DLC"}
    keys = {
        "kind": "network layout",
        "vehicles": {"make": "Veldra"},
        "source": "guessed",
        "networks": [network | changes.pop("network", {})],
        "modules": sorted(name for name in named if name[0] not in "SX" or not name[1:].isdigit()),
        "plugs": sorted(name for name in named if name[0] == "X" and name[1:].isdigit()),
        "splices": sorted(name for name in named if name[0] == "S" and name[1:].isdigit()),
    }
    return Layout.model_validate(keys | changes)


def rows_of(wires, **changes):
    """Return the rows of a layout."""
    layout = layout_of(wires, **changes)
    return rows_for(wiring_of(layout, layout.networks[0]))


TRUNK = [["ECM", "S1", "X1", "S2", "ABS"], ["DLC", "S1"], ["BCM", "S2"]]


def shown(rows, place, quantity, fault, parted=()):
    """Return what the rows of one way show; `fault`: the element and its state."""
    element, state = fault
    key = rows.wiring.key_of(parted)
    point = rows.wiring.point_at(place, parted)
    column = rows.columns(key)[f"{point}|{key}|{quantity}"].reshape(rows.shape)
    wanted = [
        number
        for number, way in enumerate(rows.ways)
        if way.state == state and (way.element < 0 or rows.wiring.elements[way.element].name == element)
    ]
    return column[wanted[0]]


def sound(rows, place, quantity, parted=()):
    """Return what rows of nothing at fault show."""
    return shown(rows, place, quantity, ("", "nothing at fault"), parted)


def test_two_terminators_read_sixty_ohm_and_one_side_of_a_parted_plug_reads_one():
    """60 ohm across the pair, 120 ohm toward each side of the plug (ISO 11898-2, from memory)."""
    rows = rows_of(TRUNK)
    assert np.median(sound(rows, "DLC", "ohms_between")) == pytest.approx(60, abs=3)
    for side in ("S1", "S2"):
        one = sound(rows, f"X1 toward {side}", "ohms_between", ("X1",))
        assert np.median(one) == pytest.approx(120, abs=6)


def test_a_module_unplugged_takes_its_terminator_along():
    """120 ohm are left."""
    rows = rows_of(TRUNK)
    assert np.median(sound(rows, "DLC", "ohms_between", ("ABS",))) == pytest.approx(120, abs=6)


def test_a_network_that_passes_through_a_module_is_parted_when_it_is_unplugged():
    """Beyond the module that was unplugged one terminator is left, and on the near side the other."""
    rows = rows_of([["ECM", "BCM", "ABS"], ["DLC", "S1"], ["S1", "ECM"]])
    both = [sound(rows, f"BCM toward {side}", "ohms_between", ("BCM",)) for side in ("ECM", "ABS")]
    assert [np.median(one) == pytest.approx(120, abs=6) for one in both] == [True, True]


def test_a_ring_with_one_opening_still_joins_all():
    """An open wire in a closed ring: ohms at the DLC hardly change."""
    ring = [["ECM", "S1", "BCM", "ABS", "ECM"], ["DLC", "S1"]]
    rows = rows_of(ring, network={"ring": "yes"})
    open_wire = shown(rows, "DLC", "ohms_between", ("BCM to ABS", "both lines open"))
    assert open_wire == pytest.approx(sound(rows, "DLC", "ohms_between"), rel=0.05)


def test_an_open_stub_reads_ol_at_its_module_and_sound_at_the_dlc():
    """Nothing is left to read at the end of a stub that is open in both lines."""
    rows = rows_of(TRUNK)
    at_module = shown(rows, "BCM", "ohms_between", ("BCM to S2", "both lines open"), ("BCM",))
    assert at_module.min() > 2e6
    at_dlc = shown(rows, "DLC", "ohms_between", ("BCM to S2", "both lines open"))
    assert at_dlc == pytest.approx(sound(rows, "DLC", "ohms_between"), rel=0.02)


def test_a_short_to_ground_couples_to_the_other_line_through_the_terminators():
    """The other line reads 56 to 60 ohm more (600 buses in ngspice)."""
    rows = rows_of(TRUNK)
    high, low = (
        shown(rows, "DLC", f"ohms_{line}_ground", ("S1 to X1", "CAN high shorted to ground"))
        for line in ("high", "low")
    )
    hard = high < 20
    assert hard.any()
    assert np.all((low - high)[hard] > 45)
    assert np.all((low - high)[hard] < 75)


def test_terminators_that_nobody_stated_are_taken_to_be_far_apart():
    """A layout without terminators is computed with two all the same: 60 ohm."""
    rows = rows_of(TRUNK, network={"terminators": []})
    assert np.median(sound(rows, "DLC", "ohms_between")) == pytest.approx(60, abs=4)


def test_what_lies_beyond_an_opening_is_not_heard():
    """One line open in the trunk: the modules beyond do not answer, those on the near side do."""
    rows = rows_of(TRUNK)
    chances = answer_chances(rows)
    way = next(
        number
        for number, one in enumerate(rows.ways)
        if one.state == "CAN low open" and rows.wiring.elements[one.element].name == "S1 to X1"
    )
    heard = dict(zip(rows.wiring.modules, chances[:, way].mean(axis=1), strict=True))
    assert heard["ECM"] > 0.9
    assert heard["BCM"] < 0.1
    assert heard["ABS"] < 0.1


def test_a_short_between_the_lines_silences_everybody():
    """Two lines joined by an ohm: no difference to read."""
    rows = rows_of(TRUNK)
    way = next(number for number, one in enumerate(rows.ways) if one.state == "lines shorted together")
    assert answer_chances(rows)[:, way, 0].max() < 0.05
