"""The fixed words of a record: forgiving to read, one spelling to keep."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.bus.explain import state_words
from casebase.intake.answers import word_reader
from casebase.intake.script_repair import FAULT_CHOICES, FAULTS
from casebase.record import trial, vocabulary
from casebase.record.vocabulary import (
    HIGH_VOLTAGE_POWERTRAINS,
    LINES_OF_MEDIUM,
    POWER_LINES,
    BusState,
    Condition,
    Fault,
    Ignition,
    Lamp,
    Line,
    Medium,
    Place,
    Powertrain,
    Quantity,
    Rescan,
)
from casebase.record.word_list import SHORT_FORMS, Word, plain_form
from casebase.record.words import FAULT_WORDS

INTERVIEW_LABELS = {fault: {label} for fault, label in zip(FAULTS, FAULT_CHOICES, strict=True)}
FAULT_READER = word_reader(FAULTS, FAULT_CHOICES)

LISTS = [
    it
    for it in (*vars(vocabulary).values(), *(vars(trial)[name] for name in ("TrialAction", "Outcome")))
    if isinstance(it, type) and issubclass(it, Word) and it is not Word
]
EVERY_WORD = [pytest.param(word, id=f"{type(word).__name__}-{word}") for words in LISTS for word in words]


@pytest.mark.slow
@pytest.mark.parametrize("word", EVERY_WORD)
def test_a_word_is_found_in_any_capitals_and_with_any_separator(word: Word) -> None:
    """`CAN high`, `CAN_HIGH`, `can-high` are one word; no word of a list is taken for another."""
    spaced = word.value
    for spelling in (spaced, spaced.upper(), f" {spaced.lower()} ", re.sub(r"[ _](?=\w)", "_", spaced)):
        assert type(word)(spelling) is word


@pytest.mark.parametrize(
    ("written", "word"),
    [
        ("CAN-H", Line.CAN_HIGH),
        ("CANH", Line.CAN_HIGH),
        ("can hi", Line.CAN_HIGH),
        ("CAN_L", Line.CAN_LOW),
        ("CAN lo", Line.CAN_LOW),
        ("gnd", Line.GROUND),
        ("Earth", Line.GROUND),
        ("k-line", Line.K_LINE),
        ("BP", Line.BUS_PLUS),
        ("HS-CAN", Medium.HIGH_SPEED_CAN),
        ("CAN FD", Medium.CAN_FD),
        ("CAN-FD", Medium.CAN_FD),
        ("EV", Powertrain.BATTERY_ELECTRIC),
        ("hybrid", Powertrain.HYBRID),
        ("driver assist", Lamp.DRIVER_ASSISTANCE),
        ("security", Lamp.SECURITY),
        ("charging", Lamp.CHARGING),
        ("EV charging", Lamp.VEHICLE_CHARGING),
        ("4WD", Lamp.FOUR_WHEEL_DRIVE),
        ("four wheel drive", Lamp.FOUR_WHEEL_DRIVE),
        ("retarder", Lamp.RETARDER),
        ("doors", Lamp.DOORS),
        ("battery", Place.BATTERY),
        ("earth strap", Place.GROUND_POINT),
        ("pillar", Place.PILLAR),
        ("all modules answer", Rescan.ALL_ANSWER),
        ("SW-CAN", Medium.SINGLE_WIRE_CAN),
        ("ohms", Quantity.RESISTANCE),
        ("scope", Quantity.WAVEFORM),
        ("engine running", Ignition.RUNNING),
        ("abs", Lamp.ABS),
        ("SRS", Lamp.AIRBAG),
        ("MIL", Lamp.ENGINE),
        ("BEV", Powertrain.BATTERY_ELECTRIC),
        ("gasoline", Powertrain.PETROL),
        ("rain", Condition.WET),
    ],
)
def test_usual_short_forms_are_understood(written: str, word: Word) -> None:
    """What stands on the meter, the lamp or the wiring diagram is understood (common practice, no source)."""
    assert type(word)(written) is word


@pytest.mark.parametrize("written", ["battery -", "Battery -", "BATTERY-", "bat -", "B-", "battery minus"])
def test_the_minus_pole_is_never_taken_for_the_plus_pole(written: str) -> None:
    """The sign is all that tells the poles apart: it is no separator."""
    assert Line(written) is Line.BATTERY_MINUS


@pytest.mark.parametrize(
    "written", ["battery +", "Battery +", "BATTERY+", "bat +", "B+", "battery plus", "KL30"]
)
def test_the_plus_pole_has_its_own_spellings(written: str) -> None:
    """Terminal 30 is battery + (DIN 72552, from memory)."""
    assert Line(written) is Line.BATTERY_PLUS


@pytest.mark.parametrize("name", sorted(SHORT_FORMS))
def test_every_short_form_leads_to_a_word_and_hides_none(name: str) -> None:
    """A short form stands in plain form, means a word of its list, and is not itself another word of it."""
    words = {words.__name__: words for words in LISTS}[name]
    for short, meant in SHORT_FORMS[name].items():
        assert plain_form(short) == short
        word = words(meant)
        assert words(short) is word
        assert short not in {plain_form(other.value) for other in words if other is not word}


@pytest.mark.parametrize("words", LISTS)
def test_no_two_words_of_a_list_are_one_in_plain_form(words: type[Word]) -> None:
    """Two words that differ in a separator only could not be told apart."""
    assert len({plain_form(word.value) for word in words}) == len(words)


@pytest.mark.slow
@given(st.text() | st.integers() | st.booleans() | st.none())
def test_anything_else_is_no_word(value: object) -> None:
    """A value is a word of a list, or it is refused; no value gives a word by accident of its type."""
    try:
        word = Ignition(value)
    except ValueError:
        return
    assert isinstance(value, str)
    forms = {plain_form(it.value) for it in Ignition} | set(SHORT_FORMS["Ignition"])
    assert plain_form(value) in forms
    assert word in Ignition


def test_a_cause_can_be_every_bus_state_that_is_a_fault() -> None:
    """All that readings can be judged for, except `healthy`, can be what was found in the end."""
    assert {state.value for state in BusState} - {fault.value for fault in Fault} == {"healthy"}


def test_a_cause_can_be_what_no_bus_state_names() -> None:
    """A module, its supply, water, a wrong coding, an added device: causes beside the wires."""
    beside = {fault.value for fault in Fault} - {state.value for state in BusState}
    assert beside == {
        "module_internal",
        "module_supply_or_ground",
        "connector_corrosion",
        "water_in_module",
        "configuration",
        "aftermarket_device",
        "sensor_or_actuator",
        "gateway_isolation_normal",
        "noise_coupling",
        "low_system_voltage",
        "none",
    }


def test_two_wire_media_have_two_lines_and_the_others_one() -> None:
    """CAN (ISO 11898-2, -3), J1939 and FlexRay run on a pair; SAE J2411 and LIN on one wire; ISO 9141-2 adds L."""
    wires = {medium: len(lines) for medium, lines in LINES_OF_MEDIUM.items()}
    assert set(wires) == set(Medium)
    assert wires[Medium.HIGH_SPEED_CAN] == wires[Medium.J1939] == wires[Medium.FLEXRAY] == 2
    assert wires[Medium.SINGLE_WIRE_CAN] == wires[Medium.LIN] == 1
    assert not set(POWER_LINES) & {line for lines in LINES_OF_MEDIUM.values() for line in lines}


def test_a_mild_hybrid_is_no_high_voltage_vehicle() -> None:
    """48 V lies under the 60 V DC of voltage class A (ISO 6469-3, from memory); a full hybrid does not."""
    assert Powertrain.MILD_HYBRID not in HIGH_VOLTAGE_POWERTRAINS
    assert Powertrain.HYBRID in HIGH_VOLTAGE_POWERTRAINS
    assert Powertrain.FUEL_CELL in HIGH_VOLTAGE_POWERTRAINS


@pytest.mark.parametrize("fault", list(Fault))
def test_a_fault_is_read_by_every_name_that_a_screen_gives_it(fault):
    """What the interview and the answers show can be typed into a file and an option."""
    shown = {FAULT_WORDS[fault], *INTERVIEW_LABELS[fault]}
    state = next((state for state in BusState if str(state) == str(fault)), None)
    shown |= {state_words(state)} if state is not None and state is not BusState.HEALTHY else set()
    assert {Fault(words) for words in shown} == {fault}


@pytest.mark.parametrize("fault", list(Fault))
def test_the_interview_reads_the_word_of_the_file(fault):
    """And the other way round: who knows the file's word may type it."""
    assert FAULT_READER(str(fault)) == fault
    assert FAULT_READER(FAULT_WORDS[fault].upper()) == fault
