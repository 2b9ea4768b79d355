"""Control modules by their many names (common practice, no source, unless said otherwise)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.places import read_table
from casebase.record.modules import (
    known_module_keys,
    module_family,
    module_key,
    module_label,
    modules_named_in,
    same_module,
)


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("ABS", "anti-lock brakes"),
        ("ABS module", "anti-lock brakes"),
        ("brake control", "anti-lock brakes"),
        ("Anti-lock brakes", "anti-lock brakes"),
        ("Anti-Lock Brake System (ABS) Control Module", "anti-lock brakes"),
        ("ECM", "engine control"),
        ("PCM", "engine control"),
        ("ECM/PCM", "engine control"),
        ("engine", "engine control"),
        ("Engine control unit", "engine control"),
        ("BCM", "body control"),
        ("body control module", "body control"),
        ("TCM", "transmission control"),
        ("IPC", "instrument cluster"),
        ("cluster", "instrument cluster"),
        ("IPC / cluster", "instrument cluster"),
        ("SRS", "restraints"),
        ("airbag control unit", "restraints"),
        ("restraints", "restraints"),
        ("EPS", "power steering"),
        ("electric power steering", "power steering"),
        ("SAS", "steering angle sensor"),
        ("steering angle", "steering angle sensor"),
        ("HVAC", "climate control"),
        ("gateway", "gateway"),
        ("CGW", "gateway"),
        ("TPMS", "tyre pressure monitor"),
        ("tire pressure monitor", "tyre pressure monitor"),
        ("DC/DC", "dc to dc converter"),
        ("TCM - transmission control module", "transmission control"),
        ("01 - engine electronics", "engine control"),
    ],
)
def test_one_module_has_many_names(name: str, key: str) -> None:
    """Abbreviation, full name and workshop name of a module lead to one key."""
    assert module_key(name) == key


@pytest.mark.parametrize(
    "name", ["", "   ", "ECU", "control module", "ECM/TCM", "flux capacitor", "x" * 5000]
)
def test_a_name_that_tells_no_single_module_has_no_key(name: str) -> None:
    """A word for any module, two modules at once, or an unknown name is not guessed at."""
    assert module_key(name) is None


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("door module left", "door control left"),
        ("Left front door module", "door control front left"),
        ("LF door", "door control front left"),
        ("Door control module, front left", "door control front left"),
        ("driver's seat module", "seat control driver"),
        ("HVAC rear", "climate control rear"),
        ("front distance sensor left", "front distance sensor left"),
    ],
)
def test_place_in_the_vehicle_belongs_to_the_key(name: str, key: str) -> None:
    """Two doors are two modules, however the place is written."""
    assert module_key(name) == key
    assert module_key(key) == key


def test_letter_a_means_the_usual_one_unless_each_twin_has_a_life_of_its_own() -> None:
    """The only ABS module is A in the standard; body control and body control A have different codes."""
    assert module_key("ABS A") == module_key("ABS")
    assert module_key("ECM A") == module_key("ECM")
    assert module_key("BCM A") != module_key("BCM")


def test_twins_share_a_family() -> None:
    """ECM B is not ECM A, yet both are engine control."""
    assert module_key("ECM B") == "engine control B"
    assert not same_module("ECM B", "ECM A")
    assert module_family("engine control B") == module_family("engine control") == "engine control"
    assert module_family("door control front left") == "door control"
    assert module_family("front radar B") == "front radar"


def test_names_not_known_are_compared_by_their_words() -> None:
    """Two spellings of an unknown module are the same if the words are."""
    assert same_module("Winch-Controller 3", "winch controller 3")
    assert not same_module("winch controller 3", "winch controller 4")
    assert not same_module("winch controller", "ABS")


def test_label_shows_the_usual_abbreviation() -> None:
    """A technician knows the module by its abbreviation."""
    assert module_label("anti-lock brakes") == "anti-lock brakes (ABS)"
    assert module_label("radio") == "radio"
    assert module_label("winch") == "winch"


def test_every_key_reads_back_as_itself() -> None:
    """A key kept in a record and read again is still that module, and so is each module named by a code."""
    keys = (*known_module_keys(), *(row["key"] for row in read_table("network_codes")))
    assert [key for key in keys if module_key(key) != key] == []


def test_no_name_is_claimed_by_two_modules() -> None:
    """An abbreviation that stood for two modules would send the technician to the wrong one."""
    owners: dict[str, str] = {}
    for row in read_table("modules"):
        for name in filter(None, row["names"].split(";")):
            assert owners.setdefault(name.lower().replace("-", " "), row["key"]) == row["key"]


def test_running_text_names_modules_only_where_it_says_so() -> None:
    """An abbreviation in capitals or "module" behind it names a module; "engine off" does not."""
    text = "engine off, no answer from the left front door module and ABS, body control module B works"
    named = modules_named_in(text)
    assert [name.key for name in named] == ["door control front left", "anti-lock brakes", "body control B"]
    assert text[named[0].start : named[0].end] == "left front door module"


@pytest.mark.slow
@given(st.text(max_size=120))
def test_any_text_may_be_asked_for(text: str) -> None:
    """A name is looked up or not known; it never breaks, and a key found is stable."""
    key = module_key(text)
    assert key is None or module_key(key) == key
    assert same_module(text, text)
    for name in modules_named_in(text, strict=False):
        assert 0 <= name.start < name.end <= len(text)
