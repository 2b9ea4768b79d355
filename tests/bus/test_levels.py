"""What a picture of the levels shows, told as facts of the trade."""

import math

import pytest

from casebase.bus.explain import ohm_sentence, sentences, volt_sentence
from casebase.bus.levels import Levels, VoltRuler, levels_of, share_of_ohms, share_of_volts
from casebase.record.reading import Reading
from casebase.record.vocabulary import Line, Medium, Stage


def _ruler(levels: Levels, line: Line) -> VoltRuler:
    return next(ruler for ruler in levels.rulers if ruler.line is line)


def _scope(**waveform: object) -> Reading:
    return Reading.model_validate({"quantity": "waveform", "ignition": "on", "waveform": waveform})


def test_healthy_lines_stand_as_far_from_half_the_scale_on_either_side(high, low):
    """CAN high rises from 2.5 V by what CAN low falls (ISO 11898-2, from memory), which is half of 5 V."""
    levels = levels_of([high("2.7 V"), low("2.3 V")], Medium.HIGH_SPEED_CAN)
    (above,), (below,) = (ruler.marks for ruler in levels.rulers)
    assert share_of_volts(above.number, levels.top_volts) + share_of_volts(
        below.number, levels.top_volts
    ) == pytest.approx(1.0)


def test_both_lines_share_one_scale_that_grows_with_a_battery_on_one_of_them(high, low):
    """A line on battery + takes the scale of both lines up to the battery."""
    assert levels_of([high("2.7 V"), low("2.3 V")], Medium.HIGH_SPEED_CAN).top_volts == 5.0
    assert levels_of([high("2.7 V"), low("12.4 V")], Medium.HIGH_SPEED_CAN).top_volts == 15.0
    assert levels_of([high("26.6 V")], Medium.J1939).top_volts == 30.0


def test_scale_holds_the_upper_end_of_a_range(high):
    """A reading that wandered from 4 to 6 V must not run off the scale."""
    assert levels_of([high("4 to 6 V")], Medium.HIGH_SPEED_CAN).top_volts == 15.0


def test_line_shorted_to_ground_lies_below_what_is_expected(high, low):
    """0.1 V on CAN low is no average of a bus with traffic."""
    levels = levels_of([low("0.1 V"), high("2.7 V")], Medium.HIGH_SPEED_CAN)
    low_line, high_line = _ruler(levels, Line.CAN_LOW), _ruler(levels, Line.CAN_HIGH)
    assert "; below average with traffic (2.0 to 2.5 V)" in volt_sentence(low_line, low_line.marks[0])
    assert "; within average with traffic (2.5 to 3.0 V)" in volt_sentence(high_line, high_line.marks[0])


def test_a_sentence_tells_line_value_place_stage_and_state(high):
    """Who hears the picture needs what who sees it gets."""
    levels = levels_of([high("2.69 V", at="connector of ABS")], Medium.HIGH_SPEED_CAN)
    assert next(sentences(levels)) == (
        "CAN high: 2.69 V at connector of ABS, as found, ignition on, nothing unplugged; "
        "within average with traffic (2.5 to 3.0 V)."
    )


def test_line_that_nobody_read_is_said_to_be_so(high):
    """Only one line read is half a picture, and the picture says it."""
    assert "CAN low: not read." in list(sentences(levels_of([high("2.7 V")], Medium.HIGH_SPEED_CAN)))


def test_scope_levels_lie_against_the_bands_of_their_own_name():
    """A dominant level of 3.5 V is right although no meter may show it (TI TCAN1042HGV: 2.75 to 4.5 V)."""
    reading = _scope(recessive={"CAN high": "2.5 V"}, dominant={"CAN high": "3.5 V", "CAN low": "2.4 V"})
    levels = levels_of([reading], Medium.HIGH_SPEED_CAN)
    high_line, low_line = levels.rulers
    assert [(mark.level, mark.value) for mark in high_line.marks] == [
        ("recessive", "2.5 V"),
        ("dominant", "3.5 V"),
    ]
    assert [lane.band.label for lane in high_line.lanes() if lane.band] == ["recessive", "dominant"]
    assert "dominant on the scope: 3.5 V at DLC" in volt_sentence(high_line, high_line.marks[1])
    assert "; within dominant" in volt_sentence(high_line, high_line.marks[1])
    assert "; above dominant" in volt_sentence(low_line, low_line.marks[0])


def test_a_meter_alone_can_be_asked_for(high):
    """The picture in characters shows a meter's readings only."""
    readings = [_scope(recessive={"CAN high": "2.5 V"}), high("2.7 V")]
    levels = levels_of(readings, Medium.HIGH_SPEED_CAN, with_scope=False)
    assert [mark.value for mark in levels.rulers[0].marks] == ["2.7 V"]


def test_line_at_ground_with_the_ignition_off_may_be_asleep(high):
    """Asleep, a transceiver lets its lines go to ground (TI TCAN1042HGV, standby: -0.1 to 0.1 V)."""
    off, on = high("0.02 V", ignition="off"), high("0.02 V")
    ruler = _ruler(levels_of([off, on], Medium.HIGH_SPEED_CAN), Line.CAN_HIGH)
    assert "; within asleep" in volt_sentence(ruler, ruler.marks[0])
    assert "; below average with traffic" in volt_sentence(ruler, ruler.marks[1])


def test_bus_awake_with_the_ignition_off_lies_in_the_usual_band(high):
    """A module that keeps the bus awake after the ignition is off shows as traffic."""
    ruler = levels_of([high("2.6 V", ignition="off")], Medium.HIGH_SPEED_CAN).rulers[0]
    assert [lane.band.label for lane in ruler.lanes() if lane.band] == ["average with traffic"]


def test_sum_of_both_lines_as_found_and_after_repair(high, low):
    """A healthy pair sums to about 5 V whatever the traffic (common practice, no source)."""
    found = [high("0.85 V"), low("0.03 V")]
    mended = [high("2.7 V", stage="after repair"), low("2.3 V", stage="after repair")]
    sums = levels_of([*found, *mended], Medium.HIGH_SPEED_CAN).sums
    assert [(it.stage, round(it.volts, 2)) for it in sums] == [
        (Stage.AS_FOUND, 0.88),
        (Stage.AFTER_REPAIR, 5.0),
    ]


@pytest.mark.parametrize(
    "other",
    [
        {"at": "splice S204"},
        {"ignition": "off"},
        {"unplugged": ["ABS"]},
        {"stage": "isolation"},
        {"against": "CAN high"},
    ],
)
def test_lines_read_in_different_states_are_not_summed(high, low, other):
    """Two readings make a sum only where nothing was changed between them."""
    assert levels_of([high("2.7 V"), low("2.3 V", **other)], Medium.HIGH_SPEED_CAN).sums == ()


def test_a_sleeping_bus_has_no_sum_worth_telling(high, low):
    """Asleep both lines rest at ground: 0 V says nothing about the pair."""
    asleep = [high("0.02 V", ignition="off"), low("0.01 V", ignition="off")]
    assert levels_of(asleep, Medium.HIGH_SPEED_CAN).sums == ()


def test_lines_of_low_speed_can_are_not_summed(high, low):
    """Fault-tolerant CAN rests at 0 V and 5 V: no sum is printed for it (NXP TJA1055, table 8)."""
    assert levels_of([high("0.3 V"), low("4.8 V")], Medium.FAULT_TOLERANT_CAN).sums == ()


def test_volts_between_the_lines_are_no_level_of_either(high):
    """A difference of 0.4 V on a ruler of volts to ground would look like a short."""
    assert not levels_of([high("0.4 V", against="CAN low")], Medium.HIGH_SPEED_CAN).has_volts


def test_supply_is_no_level_of_the_bus(high):
    """The supply of a module stands on no ruler of the lines."""
    supply = high("12.1 V").model_copy(update={"line": Line.SUPPLY})
    assert not levels_of([supply], Medium.HIGH_SPEED_CAN).has_volts


def test_ohms_stand_in_powers_of_ten_with_over_limit_at_the_end():
    """From one decade to the next is the same step; OL is where the meter ends."""
    steps = [share_of_ohms(10.0**power) for power in range(-1, 8)]
    assert steps == pytest.approx([number / 8 for number in range(9)])
    assert share_of_ohms(math.inf) == 1.0
    assert share_of_ohms(0.0) == 0.0


def test_pair_is_held_against_its_termination_whichever_lead_is_where(pair):
    """60 ohm is two terminators of 120 ohm in parallel (esd C.3032.21: 50 to 70 ohm is good)."""
    swapped = pair("60.2 ohm").model_copy(update={"line": Line.CAN_LOW, "against": Line.CAN_HIGH})
    (ruler,) = levels_of([pair("120 ohm"), swapped], Medium.HIGH_SPEED_CAN).ohms
    assert "above healthy with nothing unplugged (50 to 70 ohm)" in ohm_sentence(ruler, ruler.marks[0])
    assert "within healthy" in ohm_sentence(ruler, ruler.marks[1])


def test_ohms_to_ground_have_a_ruler_of_their_own_after_the_pair(pair, low_ground):
    """No figure tells what a healthy pair shows to ground, so nothing is drawn as expected there."""
    rulers = levels_of([low_ground("2.2 ohm"), pair("60 ohm")], Medium.HIGH_SPEED_CAN).ohms
    assert [ruler.between for ruler in rulers] == ["CAN high to CAN low", "CAN low to ground"]
    assert rulers[1].healthy is None
    assert ohm_sentence(rulers[1], rulers[1].marks[0]).endswith("nothing unplugged.")


def test_single_wire_bus_is_healthy_against_ground():
    """Every module loads the one line to ground (Melexis TH8055, page 10)."""
    told = {"quantity": "resistance", "line": "CAN single wire", "against": "ground", "value": "1.6 kohm"}
    (ruler,) = levels_of([Reading.model_validate(told)], Medium.SINGLE_WIRE_CAN).ohms
    assert ruler.healthy is not None


def test_what_would_mislead_stands_beside_the_mark(high, pair):
    """A module unplugged, the ignition off, a battery left connected: each changes what a value means."""
    levels = levels_of(
        [high("0.1 V", unplugged=["ABS"], ignition="off"), pair("44 ohm", battery="connected")],
        Medium.HIGH_SPEED_CAN,
    )
    assert [mark.beside for mark in levels.marks] == ["ABS unplugged, ignition off", "battery connected"]
