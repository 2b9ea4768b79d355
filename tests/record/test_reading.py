"""One reading: what belongs together, what may be left out, and what it then counts for."""

from __future__ import annotations

import math
import unicodedata
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from casebase.record.quantities import Amount
from casebase.record.reading import Reading, Waveform, place_kind
from casebase.record.reading_value import Comparison, OverLimit
from casebase.record.vocabulary import Battery, Ignition, Line, Look, Quantity, Stage, YesNo

PAIR_OHMS = {
    "quantity": "resistance",
    "line": "CAN high",
    "against": "CAN low",
    "battery": "disconnected",
    "unplugged": "nothing",
    "value": "60.2 ohm",
}
LINE_VOLTS = {
    "quantity": "voltage",
    "line": "CAN high",
    "against": "ground",
    "ignition": "on",
    "unplugged": "nothing",
    "value": "2.66 V",
}


def reading(like: dict[str, Any], **other: Any) -> Reading:
    """Return a reading as a file gives it; a key set to None is left out."""
    return Reading.model_validate({key: it for key, it in (like | other).items() if it is not None})


def refusal(like: dict[str, Any], **other: Any) -> str:
    """Return the sentence with which a reading is refused."""
    with pytest.raises(ValidationError) as refused:
        reading(like, **other)
    return str(refused.value)


def test_a_whole_reading_leaves_nothing_open() -> None:
    """Ohms with both leads, battery off and all plugs in: as certain as a reading gets."""
    whole = reading(PAIR_OHMS)
    assert whole.unknown_state == ()
    assert (whole.quantity, whole.line, whole.against) == (Quantity.RESISTANCE, Line.CAN_HIGH, Line.CAN_LOW)
    assert (whole.battery, whole.unplugged, whole.stage) == (Battery.DISCONNECTED, [], Stage.AS_FOUND)
    assert whole.number == 60.2


@pytest.mark.parametrize(
    ("like", "key"),
    [(PAIR_OHMS, key) for key in ("against", "battery", "unplugged")]
    + [(LINE_VOLTS, key) for key in ("against", "ignition", "unplugged")],
)
def test_a_reading_without_part_of_its_state_is_kept_and_marked(like: dict[str, Any], key: str) -> None:
    """What nobody noted is told as unknown; the reading itself is not thrown away."""
    kept = reading(like, **{key: None})
    assert kept.number is not None
    assert kept.unknown_state == (key,)


def test_ohms_do_not_hang_on_the_ignition_nor_volts_on_the_battery_note() -> None:
    """With the battery off the ignition says nothing; volts at ignition on tell that the battery is connected."""
    assert reading(PAIR_OHMS, ignition=None).unknown_state == ()
    assert reading(LINE_VOLTS, battery=None).unknown_state == ()
    assert reading({"quantity": "waveform", "waveform": {"traffic": "yes"}}).unknown_state == ("ignition",)


def test_forgiving_spellings_give_the_same_reading() -> None:
    """`CAN-H` against `gnd` at the `OBD socket` is CAN high against ground at the DLC."""
    typed = reading(LINE_VOLTS, quantity="Volts", line="CAN-H", against="gnd", at="OBD socket", value="2,66")
    assert typed == reading(LINE_VOLTS)
    assert typed.at == "DLC"


@pytest.mark.parametrize("typed", ["nothing", "None", " NOTHING ", [], ["nothing"]])
def test_nothing_unplugged_is_not_the_same_as_not_stated(typed: object) -> None:
    """`unplugged: nothing` is knowledge; leaving the key out is not."""
    assert reading(PAIR_OHMS, unplugged=typed).unplugged == []
    assert reading(PAIR_OHMS, unplugged=None).unplugged is None


def test_one_unplugged_module_may_be_typed_without_brackets() -> None:
    """`unplugged: ABS` is a list of one."""
    assert reading(PAIR_OHMS, unplugged="ABS").unplugged == ["ABS"]


def test_the_unit_must_suit_the_quantity() -> None:
    """Volts under resistance, ohms under voltage and OL under voltage are refused."""
    assert "'V' is no unit of resistance" in refusal(PAIR_OHMS, value="2.5 V")
    assert "'ohm' is no unit of voltage" in refusal(LINE_VOLTS, value="60 ohm")
    assert "not of voltage" in refusal(LINE_VOLTS, value="OL")
    assert "cannot be a voltage" in refusal(LINE_VOLTS, value="400 V")


def test_a_bare_number_takes_the_unit_of_its_quantity() -> None:
    """`value: 60.2` under resistance is ohms, under voltage it is volts."""
    assert str(reading(PAIR_OHMS, value=60.2).value) == "60.2 ohm"
    assert str(reading(LINE_VOLTS, value="2.5").value) == "2.5 V"


def test_a_value_tells_its_number_where_it_has_one() -> None:
    """OL is more ohms than any meter shows; a comparison has no number of its own."""
    assert reading(PAIR_OHMS, value="OL").number == math.inf
    assert reading(PAIR_OHMS, value="OL").value is OverLimit.OL
    assert reading(PAIR_OHMS, value="unchanged").value is Comparison.UNCHANGED
    assert reading(PAIR_OHMS, value="unchanged").number is None
    assert reading(LINE_VOLTS, value="2.3 to 2.7").number == pytest.approx(2.5)


@pytest.mark.parametrize(
    ("other", "said"),
    [
        ({"line": None}, "needs the key line"),
        ({"value": None}, "needs the key value"),
        ({"against": "CAN-H"}, "CAN high against itself reads nothing"),
        ({"waveform": {"looks": "clean"}}, "a resistance has no waveform: use quantity: waveform"),
        ({"quantity": None}, "Field required"),
        ({"stage": "later"}, "Input should be"),
        ({"resistance": "60"}, "Extra inputs are not permitted"),
        ({"at": ""}, "at least 1 character"),
    ],
)
def test_parts_that_do_not_make_a_reading_are_refused(other: dict[str, Any], said: str) -> None:
    """A reading says at least what was measured, on which line, and what it showed."""
    assert said in refusal(PAIR_OHMS, **other)


def test_a_scope_picture_needs_what_was_seen() -> None:
    """A waveform has levels, traffic or looks; a single value is none, a comparison is enough."""
    assert "needs the key waveform" in refusal({"quantity": "waveform"})
    assert "has no single value" in refusal({"quantity": "waveform"}, value="2.5 V")
    assert reading({"quantity": "scope"}, value="back to normal").value is Comparison.BACK_TO_NORMAL


def test_a_scope_picture_tells_levels_per_line() -> None:
    """Levels are volts on named lines; every line counts as one the reading speaks of, once."""
    seen = reading(
        {"quantity": "waveform"},
        waveform={
            "traffic": "yes",
            "recessive": {"CAN-H": "2.5", "CAN-L": "2.5 V"},
            "dominant": {"CAN high": "3.5 V"},
            "looks": "ringing",
        },
    )
    assert seen.waveform is not None
    assert seen.waveform.recessive[Line.CAN_LOW] == Amount("2.5", "V", 2.5, 2.5)
    assert (seen.waveform.traffic, seen.waveform.looks) == (YesNo.YES, [Look.RINGING])
    assert seen.lines == (Line.CAN_HIGH, Line.CAN_LOW)


def test_a_line_given_twice_in_two_spellings_is_refused() -> None:
    """`CAN-H` and `CAN high` in one waveform would silently lose one of the two levels."""
    levels = {"CAN-H": "2.5 V", "CAN high": "2.4 V"}
    assert "names a line twice" in refusal({"quantity": "waveform"}, waveform={"recessive": levels})


def test_a_waveform_level_that_cannot_be_is_refused() -> None:
    """Levels of a waveform obey the same bounds as a meter's volts."""
    assert "cannot be a voltage" in refusal({"quantity": "waveform"}, waveform={"dominant": {"LIN": "400 V"}})


@pytest.mark.parametrize(
    ("at", "kind"),
    [
        ("DLC", "DLC"),
        ("splice S204", "splice"),
        ("star point of the body bus", "splice"),
        ("connector of ABS", "connector"),
        ("BCM plug", "connector"),
        ("left strut tower", "other"),
        ("adjoint bracket", "other"),
    ],
)
def test_places_are_of_a_few_kinds(at: str, kind: str) -> None:
    """The diagnostic connector, a splice, a plug or somewhere else; whole words count."""
    assert place_kind(at) == kind


def test_a_reading_says_in_words_what_where_and_in_which_state() -> None:
    """What was measured and the vehicle's state read as one would say them."""
    said = reading(LINE_VOLTS, tester="silent", battery="connected", unplugged=["ABS", "SAS"])
    assert said.what() == "CAN high to ground at DLC"
    assert said.state() == "ignition on, battery connected, tester silent, ABS, SAS unplugged"
    assert said.tester == "silent"
    assert said.ignition is Ignition.ON
    assert reading(PAIR_OHMS).state() == "battery disconnected, nothing unplugged"
    assert reading(PAIR_OHMS, battery=None, unplugged=None).state() == ""


def test_a_reading_never_changes_once_made() -> None:
    """Records are compared by their digest, so their parts are frozen."""
    with pytest.raises(ValidationError, match="frozen"):
        reading(PAIR_OHMS).at = "splice"  # type: ignore[misc]


@pytest.mark.parametrize(
    ("written", "share"),
    [(0.214, 0.214), ("21.4 %", 0.214), ("21,4%", 0.214), ("0.5", 0.5), (1, 1.0), (0, 0.0)],
)
def test_a_share_of_time_or_frames_is_a_number_or_per_cent(written: object, share: float) -> None:
    """How long the lines were driven and how many frames were whole, as a capture or a person tells it."""
    seen = reading(
        {"quantity": "waveform"},
        waveform={"traffic": "yes", "dominant_share": written, "whole_frames": written},
    ).waveform
    assert seen is not None
    assert (seen.dominant_share, seen.whole_frames) == (share, share)


@pytest.mark.parametrize("written", [21, 1.01, -0.1, "120 %", "much", True, [0.2], "nan"])
def test_a_share_that_cannot_be_is_refused(written: object) -> None:
    """A bare 21 might be meant as per cent: it is asked for, not guessed."""
    refused = refusal({"quantity": "waveform"}, waveform={"dominant_share": written})
    assert "expected a number from 0 to 1, or per cent such as 21 %" in refused


def test_whole_frames_need_traffic() -> None:
    """Where no frames were seen none can be whole; a line stuck dominant is driven without traffic."""
    seen = {"traffic": "no", "dominant_share": 1.0}
    assert reading({"quantity": "waveform"}, waveform=seen).waveform == Waveform.model_validate(seen)
    assert "where traffic says no" in refusal({"quantity": "waveform"}, waveform=seen | {"whole_frames": 1.0})


def test_an_empty_waveform_says_nothing_but_is_kept() -> None:
    """A scope that was put on and not described is still told."""
    assert reading({"quantity": "waveform"}, waveform={}).waveform == Waveform()


BARE = {**PAIR_OHMS, "at": "connector of ABS", "unplugged": ["ABS"], "value": "31.2 kohm"}


def test_a_parted_plug_has_two_sides() -> None:
    """The same pins, into the bare module or into the harness, are different circuits."""
    assert "into the module" in reading(BARE, into="bare module").what()
    assert "into the harness" in reading(BARE, into="harness").what()
    assert "into tells a side of a parted plug" in refusal(PAIR_OHMS, into="module")


def test_one_wire_is_measured_from_end_to_end() -> None:
    """One line, two places; volts or two lines are refused."""
    wire = reading(BARE, against=None, to="OBD socket", value="0.4 ohm")
    assert wire.what() == "CAN high from connector of ABS to DLC"
    assert wire.unknown_state == ()
    assert "to is for ohms or volts from end to end of one wire" in refusal(BARE, to="DLC")
    assert "to is for ohms or volts from end to end of one wire" in refusal(LINE_VOLTS, to="ABS plug")


def test_volts_from_end_to_end_of_a_wire_are_its_drop() -> None:
    """Both leads on one wire while it carries current: what is read is lost on the way."""
    drop = reading(
        LINE_VOLTS, line="supply", against=None, at="fuse 12", to="connector of ABS", value="0.8 V"
    )
    assert (drop.what(), drop.unknown_state) == ("supply from fuse 12 to connector of ABS", ())


def test_ground_may_be_read_against_ground() -> None:
    """Two ground points that differ by a volt are a finding; a bus line against itself is none."""
    lifted = reading(LINE_VOLTS, line="ground", against="ground", at="connector of ABS", value="1.1 V")
    assert lifted.what() == "ground to ground at connector of ABS"
    assert "CAN high against itself reads nothing" in refusal(LINE_VOLTS, against="CAN high")


def test_traffic_may_be_seen_beside_volts() -> None:
    """A meter's bar that dances, or a lamp, tells of frames where the number alone does not."""
    seen = reading(LINE_VOLTS, traffic="yes")
    assert seen.state() == "ignition on, with traffic, nothing unplugged"
    assert reading(LINE_VOLTS, traffic="no").state() == "ignition on, without traffic, nothing unplugged"
    assert "shows no traffic" in refusal(PAIR_OHMS, traffic="yes")
    assert "stands within it" in refusal(
        {"quantity": "waveform", "waveform": {"looks": "clean"}}, traffic="yes"
    )


@pytest.mark.parametrize(
    ("value", "kept", "note"),
    [
        ("2.6 V steady", "2.6 V", "steady"),
        ("2.6 V (key on 10 s)", "2.6 V", "key on 10 s"),
        ("2.6, jumps about", "2.6 V", "jumps about"),
        ("2.3 to 2.7 V meter will not settle", "2.3 to 2.7 V", "meter will not settle"),
        ("about 2.5 V - at the splice", "about 2.5 V", "at the splice"),
    ],
)
def test_words_behind_a_number_become_the_note(value: str, kept: str, note: str) -> None:
    """Nothing that was written is lost, and the number still counts."""
    read = reading(LINE_VOLTS, value=value)
    assert (str(read.value), read.note) == (kept, note)


@pytest.mark.slow
@given(
    st.decimals(0, 20, places=2),
    st.text(st.characters(categories=["Lu", "Ll", "Nd", "Zs", "Po"]), min_size=1, max_size=40).filter(
        lambda words: words.strip()[:1].isalpha()
    ),
)
def test_no_words_behind_a_number_change_it_or_are_lost(number: Decimal, words: str) -> None:
    """Whatever is written behind 2.60 V, it stays 2.60 V, and every letter of it is kept; or it is refused."""
    try:
        read = reading(LINE_VOLTS, value=f"{number} V {words}")
    except ValidationError:
        return
    kept = f"{read.value} {read.note or ''}"
    assert kept.startswith(f"{number} V")
    assert [letter for letter in kept if letter.isalnum()] == [
        letter for letter in unicodedata.normalize("NFC", f"{number} V {words}") if letter.isalnum()
    ]


def test_words_behind_a_number_go_with_the_note_that_is_there() -> None:
    """Both stand in it."""
    assert reading(LINE_VOLTS, value="2.6 V steady", note="new meter").note == "new meter; steady"


def test_a_unit_that_nobody_knows_is_no_note() -> None:
    """60 kiloohms is not 60 ohm with a remark."""
    assert "is no unit of" in refusal(PAIR_OHMS, value="60 kiloohms")


def test_ohms_below_zero_are_kept_and_count_for_nothing() -> None:
    """A voltage on the wire drives an ohmmeter below zero (common practice, no source)."""
    live = reading(PAIR_OHMS, value="-14 ohm")
    assert live.is_below_zero_ohms
    assert live.number is None
    assert not reading(LINE_VOLTS, value="-0.2 V").is_below_zero_ohms


@pytest.mark.parametrize(
    ("written", "line", "against"),
    [
        ("CAN-H/CAN-L", Line.CAN_HIGH, Line.CAN_LOW),
        ("FlexRay BP/BM", Line.BUS_PLUS, Line.BUS_MINUS),
        ("BP / BM", Line.BUS_PLUS, Line.BUS_MINUS),
    ],
)
def test_two_lines_in_one_word_are_a_line_against_the_other(written: str, line: Line, against: Line) -> None:
    """As scope channels and pinouts name a pair."""
    pair = reading(LINE_VOLTS, line=written, against=None)
    assert (pair.line, pair.against) == (line, against)


@pytest.mark.parametrize(
    ("written", "line"),
    [
        ("sensor", Line.SENSOR_SIGNAL),
        ("5V", Line.FIVE_VOLTS),
        ("5 V reference", Line.FIVE_VOLTS),
        ("housing", Line.CASE),
        ("FlexRay BM", Line.BUS_MINUS),
    ],
)
def test_a_sensor_its_feed_and_a_case_are_lines(written: str, line: Line) -> None:
    """They are measured on the same jobs as the network."""
    assert reading(LINE_VOLTS, line=written).line is line


def test_ac_volts_are_a_quantity_of_their_own() -> None:
    """Taken on the AC range, they are never a level."""
    assert reading(LINE_VOLTS, quantity="AC volts", value="0.4 V").quantity is Quantity.AC_VOLTAGE
    assert "an AC voltage needs the key line" in refusal(LINE_VOLTS, quantity="VAC", line=None)


def test_current_at_rest_needs_no_line() -> None:
    """A clamp on the battery lead; amperes, not volts."""
    kept = reading({"quantity": "current", "at": "battery lead", "ignition": "off"}, value="35 mA")
    assert (kept.number, kept.what()) == (pytest.approx(0.035), "current at battery lead")
    assert "is no unit of current" in refusal({"quantity": "current"}, value="35 V")


def test_what_became_of_the_fault_is_a_reading_without_a_number() -> None:
    """Gone with the module unplugged or swapped: it says where to look."""
    gone = reading({"quantity": "fault"}, unplugged=["ABS"], value="gone")
    assert (gone.what(), str(gone.value), gone.state()) == ("fault", "gone", "ABS unplugged")
    assert reading({"quantity": "fault"}, swapped="ABS", value="unchanged").state() == "ABS swapped"
    assert "needs what was unplugged or swapped" in refusal({"quantity": "fault"}, value="gone")
    assert "needs the key value: gone" in refusal({"quantity": "fault"}, unplugged=["ABS"])
    assert "expected gone, restored or unchanged" in refusal(
        {"quantity": "fault"}, unplugged=["ABS"], value="60 ohm"
    )


@pytest.mark.parametrize(("typed", "meant"), [("ACC", "accessory"), ("crank", "cranking")])
def test_the_key_has_more_than_three_positions(typed: str, meant: str) -> None:
    """Accessory and cranking, in their usual short forms."""
    assert reading(LINE_VOLTS, ignition=typed).ignition == meant


def test_two_values_have_no_single_number() -> None:
    """Neither counts alone, and the reading is known to come and go."""
    shaken = reading(PAIR_OHMS, value="60, 120 when shaken")
    assert (shaken.number, shaken.is_intermittent) == (None, True)
    assert not reading(PAIR_OHMS, value="60").is_intermittent
