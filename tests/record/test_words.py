"""A record in words: each thing in one line, as a technician would say it."""

from __future__ import annotations

from typing import Any

import pytest

from casebase.record.case import Case, CodeEntry, Module
from casebase.record.reading import Reading
from casebase.record.vocabulary import Fault
from casebase.record.words import (
    FAULT_WORDS,
    cause_line,
    code_line,
    codes_by_code,
    module_line,
    network_line,
    reading_line,
    readings_in_short,
    searchable_text,
    title_of,
    value_words,
)

PAIR_OHMS = {
    "quantity": "resistance",
    "line": "CAN high",
    "against": "CAN low",
    "battery": "disconnected",
    "unplugged": "nothing",
    "value": "60.2 ohm",
}


def case(kind: str = "fault case", **keys: Any) -> Case:
    """Return a record of an invented vehicle."""
    return Case.model_validate({"kind": kind, "vehicle": {"make": "Norrvik", "model": "Skarn"}, **keys})


def line_of(**keys: Any) -> str:
    """Return the line of a resistance reading with other `keys`; None leaves a key out."""
    data = {key: it for key, it in (PAIR_OHMS | keys).items() if it is not None}
    return reading_line(Reading.model_validate(data))


def test_every_fault_has_words_of_its_own() -> None:
    """No fault is shown by its key, and no two read alike."""
    assert set(FAULT_WORDS) == set(Fault)
    assert len(set(FAULT_WORDS.values())) == len(FAULT_WORDS)
    assert not [words for words in FAULT_WORDS.values() if "_" in words]


def test_a_title_that_was_typed_stands() -> None:
    """Whatever else the record holds."""
    assert title_of(case(title="Door loom again", cause={"fault": "low_open"})) == "Door loom again"


@pytest.mark.parametrize(
    ("keys", "title"),
    [
        ({"cause": {"fault": "low_open"}, "concern": "no crank"}, "CAN low open"),
        ({"cause": {"fault": "module_internal", "module": "ABS"}}, "Fault inside the module (ABS)"),
        (
            {
                "cause": {
                    "fault": "low_open",
                    "module": "ABS",
                    "where": {"place": "harness", "text": "at the strut"},
                }
            },
            "CAN low open (ABS): at the strut",
        ),
        ({"cause": {"fault": "low_open", "where": {"place": "splice"}}}, "CAN low open: at a splice"),
        ({"concern": "no crank,\n  no start"}, "No crank, no start"),
        ({"symptoms": ["fan runs on", "no crank"]}, "Fan runs on"),
        ({"modules": [{"name": "ABS", "answers": "no"}], "codes": [{"code": "U0121"}]}, "No answer from ABS"),
        ({"codes": [{"code": "U0121"}, {"code": "U0001"}, {"code": "U0121"}]}, "Codes U0121, U0001"),
        ({"readings": [PAIR_OHMS | {"unplugged": "ABS"}]}, None),
        ({"lamps": ["abs"]}, "Norrvik Skarn"),
    ],
)
def test_a_title_follows_from_what_is_known_best(keys: dict[str, Any], title: str | None) -> None:
    """The cause, else the concern, a symptom, who is silent, the codes, the first reading."""
    assert title_of(case(**keys)) == (title or line_of(unplugged="ABS"))


def test_a_known_good_record_is_titled_as_such() -> None:
    """It begins with what it is."""
    assert title_of(case("known good", readings=[PAIR_OHMS])) == "Known good: Norrvik Skarn"


@pytest.mark.parametrize("word", ["blinks ", "b" * 200])
def test_a_long_title_is_cut_at_a_word(word: str) -> None:
    """90 characters fit on a phone in two lines; the cut is shown."""
    title = title_of(case(concern=word * 40))
    assert len(title) <= 90
    assert title.endswith("...")
    assert " ..." not in title


@pytest.mark.parametrize(
    ("cause", "line"),
    [
        ({"fault": "low_open"}, "CAN low open"),
        (
            {
                "fault": "connector_corrosion",
                "module": "door module",
                "where": {"place": "connector", "text": "A-pillar"},
                "mechanism": "water",
            },
            "corroded connector (door module), at a connector (A-pillar), by water",
        ),
        ({"fault": "low_open", "where": {"place": "fuse"}}, "CAN low open, at a fuse"),
        (
            {"fault": "terminator_missing", "mechanism": "earlier repair"},
            "a terminator missing, by earlier repair",
        ),
    ],
)
def test_a_cause_in_one_line_says_what_where_and_by_what(cause: dict[str, Any], line: str) -> None:
    """What is not known is left out."""
    told = case(cause=cause).cause
    assert told is not None
    assert cause_line(told) == line


def test_a_reading_in_one_line_says_its_value_and_its_state() -> None:
    """Leads, place, value, state of the vehicle, stage where it is not as found."""
    assert line_of() == "CAN high to CAN low at DLC: 60.2 ohm (battery disconnected, nothing unplugged)"
    assert line_of(stage="after repair", unplugged="ABS", at="splice S204") == (
        "CAN high to CAN low at splice S204: 60.2 ohm (battery disconnected, ABS unplugged) [after repair]"
    )


def test_a_reading_in_one_line_admits_what_was_not_stated() -> None:
    """A gap is part of the reading."""
    assert line_of(unplugged=None) == (
        "CAN high to CAN low at DLC: 60.2 ohm (battery disconnected; unplugged not stated)"
    )
    assert (
        line_of(against=None, battery=None, unplugged=None) == "CAN high at DLC: 60.2 ohm (state not stated)"
    )


def test_a_scope_picture_is_told_in_fixed_words() -> None:
    """Traffic, levels per line, looks, note; an undescribed one says so."""
    waveform = {
        "traffic": "yes",
        "recessive": {"CAN-H": "2.5", "CAN-L": "2.5"},
        "dominant": {"CAN-H": "3.5"},
        "looks": ["ringing", "noise"],
        "note": "worse when hot",
    }
    seen = Reading.model_validate({"quantity": "waveform", "waveform": waveform, "ignition": "on"})
    assert reading_line(seen) == (
        "scope at DLC: traffic yes; recessive CAN high 2.5 V, CAN low 2.5 V; dominant CAN high 3.5 V;"
        " ringing; noise; worse when hot (ignition on)"
    )
    assert value_words(Reading.model_validate({"quantity": "waveform", "waveform": {}})) == "nothing noted"


def test_nearly_all_frames_are_not_said_to_be_all() -> None:
    """One broken frame in ten thousand is what the technician looks for."""
    seen = {"traffic": "yes", "dominant_share": "21.4 %", "whole_frames": 0.99996, "looks": "clean"}
    told = value_words(Reading.model_validate({"quantity": "waveform", "waveform": seen}))
    assert told == "traffic yes; driven 21.4 % of the time; 99.99 % of frames whole; clean"


def test_readings_in_short_are_grouped_by_place_and_state() -> None:
    """What was read in one place and state stands together; what came after the repair is left out."""
    volts = {"quantity": "voltage", "against": "ground", "ignition": "on"}
    told = case(
        readings=[
            PAIR_OHMS,
            volts | {"line": "CAN high", "value": "2.7 V"},
            PAIR_OHMS | {"value": "61 ohm", "unplugged": ["ABS"], "at": "connector of ABS"},
            volts | {"line": "CAN low", "value": "2.3 V"},
            volts | {"line": "CAN low", "value": "2.2 V", "tester": "talking"},
            volts | {"line": "CAN low", "against": "battery +", "value": "9.8 V", "ignition": None},
            {"quantity": "waveform", "ignition": "on", "waveform": {"looks": "clean"}},
            PAIR_OHMS | {"value": "60.4 ohm", "stage": "after repair"},
        ]
    )
    assert readings_in_short(told) == (
        "DLC, battery off: CAN high to CAN low 60.2 ohm; "
        "DLC, ignition on: CAN high 2.7 V, CAN low 2.3 V, scope clean; "
        "connector of ABS, battery off, ABS unplugged: CAN high to CAN low 61 ohm; "
        "DLC, ignition on, tester talking: CAN low 2.2 V; "
        "DLC, state not stated: CAN low to battery + 9.8 V"
    )
    assert readings_in_short(case(concern="no crank")) == ""


def test_codes_are_told_once_with_who_stores_them() -> None:
    """Five modules with one code are one line, by status."""
    told = case(
        codes=[
            {"module": "ECM", "code": "U0121-87", "status": "confirmed"},
            {"module": "BCM", "code": "U0001"},
            {"module": "TCM", "code": "u0121 87", "status": "confirmed"},
            {"code": "U0121-87"},
        ]
    )
    assert [(code.text, where) for code, where in codes_by_code(told)] == [
        ("U0121-87", "in ECM, TCM (confirmed), a module not stated"),
        ("U0001", "in BCM"),
    ]
    assert code_line(told.codes[0]) == "ECM: U0121-87 confirmed"
    assert code_line(CodeEntry.model_validate({"code": "639/9"})) == "SPN 639 FMI 9"


@pytest.mark.parametrize(
    ("answers", "line"),
    [
        ("yes", "ABS answers"),
        ("no", "ABS does not answer"),
        ("intermittent", "ABS answers at times"),
        (None, "ABS"),
    ],
)
def test_a_module_says_whether_it_answers(answers: str | None, line: str) -> None:
    """Unknown is left out rather than guessed."""
    assert module_line(Module.model_validate({"name": "ABS", "answers": answers})) == line


def test_networks_in_one_line_tell_how_the_dlc_sees_them() -> None:
    """Directly reached is the usual case and goes without saying."""
    told = case(
        networks=[
            {"name": "drive CAN", "medium": "HS-CAN", "bit_rate": "500k", "reached": "directly"},
            {"name": "door LIN", "medium": "LIN", "reached": "behind a gateway"},
        ]
    )
    assert network_line(told) == "drive CAN (high-speed CAN 500 kbit/s); door LIN (LIN, behind a gateway)"
    assert network_line(case()) == ""


def test_all_free_text_of_a_record_can_be_searched() -> None:
    """Every field in which somebody writes sentences is found; fixed words and names are found elsewhere."""
    free = [f"word{number}" for number in range(17)]
    texts = iter(free)
    told = case(
        title=next(texts),
        concern=next(texts),
        symptoms=[next(texts)],
        leftover=next(texts),
        note=next(texts),
        steps=[{"did": next(texts), "found": next(texts)}],
        codes=[{"code": "U0121", "text": next(texts)}],
        readings=[
            PAIR_OHMS | {"note": next(texts)},
            {"quantity": "waveform", "waveform": {"note": next(texts)}},
        ],
        fix={"done": next(texts), "parts": [{"name": next(texts)}]},
        cause={"fault": "none", "proof": next(texts), "where": {"place": "fuse", "text": next(texts)}},
        verification={"note": next(texts)},
        attachments=[{"file": "a.png", "shows": next(texts)}],
        vehicle={"make": "Norrvik", "model": "Skarn", "platform": next(texts)},
    )
    assert sorted(searchable_text(told).split()) == sorted(free[:-1])
