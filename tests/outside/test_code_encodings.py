"""Trouble codes against published values and other people's libraries.

Values of the tables: SAE J2012 / ISO 15031-6 and ISO 14229-1 as documented by py-uds (docs, page "DTC", MIT) and as
run in py-uds 4.0.0, udsoncan 1.26.1 and obd 0.7.3; SAE J1939-73 as in a public unit test of a J1939 decoder and as
run in can-j1939 2.0.12.
"""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from j1939.diagnostic_messages import DTC
from obd.codes import DTC as OBD_TEXTS
from obd.decoders import parse_dtc
from uds.utilities import int_to_obd_dtc, obd_dtc_to_int
from udsoncan import Dtc

from casebase.record.codes import Statement, code_from_bytes, parse_code
from casebase.record.modules import module_family, module_key
from casebase.record.trouble_code import StatusByte

pytestmark = pytest.mark.slow  # for what it imports

STATED = {
    code: text for code, text in OBD_TEXTS.items() if "eserved" not in text and "anufacturer" not in text
}
"""Codes with a text in obd 0.7.3 (the 2002 to 2007 editions of SAE J2012)."""


@pytest.mark.parametrize(
    ("data", "text"),
    [
        ("00 00 00", "P0000-00"),
        ("56 78 9A", "C1678-9A"),
        ("A5 B6 C7", "B25B6-C7"),
        ("FF FF FF", "U3FFF-FF"),
        ("C1 00", "U0100"),
        ("C0 73", "U0073"),
        ("C4 15", "U0415"),
        ("0x0143", "P0143"),
    ],
)
def test_published_letter_codes(data: str, text: str) -> None:
    """Two or three bytes and their letter code, as published (py-uds docs, page "DTC"; obd 0.7.3)."""
    assert parse_code(data).text == text


@pytest.mark.parametrize(
    ("data", "text", "occurrences"),
    [
        ("61 02 13 00", "SPN 609 FMI 19", 0),
        ("21 06 1F 00", "SPN 1569 FMI 31", 0),
        ("EE 10 04 00", "SPN 4334 FMI 4", 0),
        ("7F 02 09 01", "SPN 639 FMI 9", 1),
        ("CF 04 09 01", "SPN 1231 FMI 9", 1),
        ("D3 04 09 01", "SPN 1235 FMI 9", 1),
    ],
)
def test_published_spn_and_fmi(data: str, text: str, occurrences: int) -> None:
    """Four bytes of SAE J1939-73 and what they say (first three: a public unit test; others run in can-j1939)."""
    code = parse_code(data)
    assert (code.text, code.occurrences) == (text, occurrences)
    assert code.hex == data


@given(st.integers(0, 0xFFFFFF))
def test_three_bytes_agree_with_py_uds(number: int) -> None:
    """py-uds 4.0.0 reads and writes the same text for the same three bytes."""
    code = code_from_bytes(number.to_bytes(3, "big"))
    assert code.text == int_to_obd_dtc(number)
    assert obd_dtc_to_int(code.text) == int.from_bytes(bytes(code), "big")


@given(st.integers(1, 0xFFFF))
def test_two_bytes_agree_with_obd(number: int) -> None:
    """The library obd 0.7.3 reads the same code from two bytes; it writes hex digits in small letters."""
    data = number.to_bytes(2, "big")
    text, _ = parse_dtc(tuple(data))
    assert code_from_bytes(data).text == text.upper()


@given(st.integers(0, 524_287), st.integers(0, 31), st.integers(0, 126))
def test_four_bytes_agree_with_can_j1939(spn: int, fmi: int, occurrences: int) -> None:
    """can-j1939 2.0.12 packs the same SPN, FMI and count into the same bytes, and unpacks ours."""
    packed = DTC(spn=spn, fmi=fmi, oc=occurrences).dtc.to_bytes(4, "little")
    code = code_from_bytes(packed)
    assert (code.spn, code.fmi, code.occurrences) == (spn, fmi, occurrences)
    back = DTC(dtc=int.from_bytes(bytes(code), "little"))
    assert (back.spn, back.fmi, back.oc, back.cm) == (spn, fmi, occurrences, 0)


@given(st.integers(0, 255))
def test_status_bits_agree_with_udsoncan(value: int) -> None:
    """The library udsoncan 1.26.1 gives each of the eight bits of ISO 14229-1 the same name and place."""
    theirs = Dtc.Status.from_byte(bytes([value]))
    ours = StatusByte(value)
    for name in (
        "test_failed",
        "test_failed_this_operation_cycle",
        "pending",
        "confirmed",
        "test_not_completed_since_last_clear",
        "test_failed_since_last_clear",
        "test_not_completed_this_operation_cycle",
        "warning_indicator_requested",
    ):
        assert getattr(ours, name) == getattr(theirs, name), name


def test_three_bytes_are_the_number_that_udsoncan_keeps() -> None:
    """The library udsoncan 1.26.1 keeps a code as one number of three bytes, the same ones."""
    assert Dtc(int.from_bytes(bytes(parse_code("U0121-00")), "big")).id == 0xC12100


STARTS = {
    Statement.LOST_COMMUNICATION: "lost communication with",
    Statement.INVALID_DATA: "invalid data received",
    Statement.SOFTWARE_INCOMPATIBILITY: "software incompatibility",
    Statement.BUS_FAULT: "communication bus",
}
INTERNAL = {"U0300"}
"""Its text in obd begins with "Internal": the module whose software does not fit is the one that stores it."""


@pytest.mark.parametrize("statement", STARTS)
def test_kind_of_network_code_agrees_with_obd(statement: Statement) -> None:
    """What we call lost communication, obd 0.7.3 calls so too; likewise the other kinds."""
    codes = [code for code in STATED if code[0] == "U" and parse_code(code).statement is statement]
    wrong = [
        code
        for code in codes
        if (
            STARTS[statement] not in STATED[code].lower()
            if statement is Statement.BUS_FAULT
            else not STATED[code].lower().startswith(STARTS[statement])
        )
    ]
    assert set(wrong) <= INTERNAL
    assert len(codes) > 30


def test_every_network_code_of_obd_has_a_kind() -> None:
    """No U code with a text in obd 0.7.3 is left without a statement."""
    assert [code for code in STATED if code[0] == "U" and parse_code(code).statement is Statement.OTHER] == []


def test_module_of_network_code_agrees_with_obd() -> None:
    """The module that obd 0.7.3 names in a code's text is the one we say the code is about."""
    checked, wrong = 0, {}
    for code, text in STATED.items():
        name = re.sub(
            r"^(?:lost communication|invalid data received|software incompatibility) (?:with|from) ",
            "",
            text.lower(),
        )
        if code[0] != "U" or name == text.lower():
            continue
        checked += 1
        theirs, ours = module_key(name.replace("'", "")), parse_code(code).about
        if theirs is None or ours is None or module_family(theirs) != module_family(ours):
            wrong[code] = (name, theirs, ours)
    assert wrong == {}
    assert checked > 150


TROUBLES = {
    "open": "open",
    "low": "too low",
    "high": "too high",
    "performance": "does not perform",
    "shorted": "shorted together",
}


def test_bus_and_trouble_of_bus_codes_agree_with_obd() -> None:
    """Bus and trouble of U0001 to U0072 are those that obd 0.7.3 names (it has lost plus and minus)."""
    for number in range(1, 73):
        code = f"U{number:04d}"
        name, _, trouble = STATED[code].lower().partition(" communication bus")
        ours = parse_code(code)
        theirs = f"bus {trouble.split()[0]}" if name == "vehicle" else name.replace(" speed", "-speed")
        assert (ours.bus or "").lower() == theirs, code
        words = re.findall(r"\((\w+)", trouble)
        assert (TROUBLES[words[0]] if words else "not told further") in ours.meaning, code


def test_supply_and_circuit_codes_agree_with_obd() -> None:
    """What we call system voltage or a circuit, obd 0.7.3 calls so too."""
    supply = {code for code in STATED if parse_code(code).statement is Statement.SUPPLY}
    assert supply == {"P0560", "P0561", "P0562", "P0563"}
    assert all(STATED[code].startswith("System Voltage") for code in supply)
    circuit = [code for code in STATED if parse_code(code).statement is Statement.CIRCUIT]
    assert [code for code in circuit if "circuit" not in STATED[code].lower()] == []
    assert len(circuit) > 100


@pytest.mark.parametrize(
    ("name", "lost", "invalid", "software"),
    [
        ("ECM", "U0100", "U0401", "U0301"),
        ("TCM", "U0101", "U0402", "U0302"),
        ("transfer case", "U0102", "U0403", "U0303"),
        ("cruise control", "U0104", "U0405", "U0305"),
        ("fuel pump control module", "U0109", "U0410", "U0310"),
        ("ECM B", "U0115", "U0442", None),
        ("ABS", "U0121", "U0415", "U0315"),
        ("vehicle dynamics", "U0122", "U0416", "U0316"),
        ("yaw rate sensor", "U0123", "U0513", None),
        ("steering angle", "U0126", "U0428", "U0328"),
        ("tyre pressure", "U0127", "U0430", "U0330"),
        ("park brake", "U0128", "U0417", "U0317"),
        ("power steering", "U0131", "U0420", "U0320"),
        ("BCM", "U0140", "U0422", "U0322"),
        ("BCM A", "U0141", "U0431", "U0331"),
        ("gateway", "U0146", "U0447", None),
        ("restraints", "U0151", "U0452", "U0336"),
        ("instrument cluster", "U0155", "U0423", "U0323"),
        ("HVAC", "U0164", "U0424", "U0324"),
        ("immobilizer", "U0167", "U0426", "U0326"),
        ("radio", "U0184", "U0485", "U0334"),
        ("steering column", "U0212", "U0429", "U0329"),
        ("front distance sensor", "U0235", "U0433", None),
        ("DC/DC converter", "U0298", "U0599", "U031B"),
    ],
)
def test_pairs_of_codes_about_one_module(name: str, lost: str, invalid: str, software: str | None) -> None:
    """The two or three numbers about one module (SAE J2012-DA, as in public lists); no offset joins them."""
    about = {parse_code(code).about for code in (lost, invalid, software) if code}
    assert about == {module_key(name)}


@pytest.mark.parametrize(
    ("failure_type", "statement"),
    [
        (0x81, Statement.INVALID_DATA),
        (0x82, Statement.INVALID_DATA),
        (0x83, Statement.INVALID_DATA),
        (0x86, Statement.INVALID_DATA),
        (0x87, Statement.LOST_COMMUNICATION),
    ],
)
def test_failure_types_of_messages(failure_type: int, statement: Statement) -> None:
    """Failure types 81 to 83 and 86 speak of data, 87 of a missing message (SAE J2012-DA, in public files)."""
    assert parse_code(f"B1234-{failure_type:02X}").statement is statement


@pytest.mark.parametrize(
    ("fmi", "words"), [(4, "below"), (5, "below"), (6, "above"), (9, "rate"), (19, "error")]
)
def test_failure_modes(fmi: int, words: str) -> None:
    """Failure modes of SAE J1939-73 as in several public files."""
    assert words in parse_code(f"SPN 84 FMI {fmi}").meaning
