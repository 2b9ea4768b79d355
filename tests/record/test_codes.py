"""Trouble codes: spellings, meaning, and who blames whom."""

from __future__ import annotations

import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.errors import CodeError
from casebase.places import read_table
from casebase.record.code_meaning import module_named, network_statement
from casebase.record.codes import (
    Grammar,
    ReadAs,
    Statement,
    System,
    TroubleCode,
    code_from_bytes,
    parse_code,
)
from casebase.record.stored_codes import speaks_of_network, who_blames_whom
from casebase.record.trouble_code import StatusByte, parse_status_byte

LETTER_CODES = st.builds(
    lambda letter, digit, rest, failure: (
        f"{letter}{digit}{rest:03X}" + (f"-{failure:02X}" if failure is not None else "")
    ),
    st.sampled_from("PCBU"),
    st.integers(0, 3),
    st.integers(0, 0xFFF),
    st.none() | st.integers(0, 0xFF),
)


@pytest.mark.parametrize(
    ("written", "text"),
    [
        ("U0121", "U0121"),
        (" u0121 ", "U0121"),
        ("U0121-00", "U0121-00"),
        ("u0121 00", "U0121-00"),
        ("U012100", "U0121-00"),
        ("U0121:00", "U0121-00"),
        ("U0121\u201300", "U0121-00"),
        ("p0abc-1f", "P0ABC-1F"),
        ("0xC121", "U0121"),
        ("C1 21", "U0121"),
        ("0xC1 0x21", "U0121"),
        ("C1 21 00", "U0121-00"),
        ("0xC12100", "U0121-00"),
        ("C121", "U0121"),
        ("c12100", "U0121-00"),
        ("12 34", "P1234"),
        ("SPN 639 FMI 9", "SPN 639 FMI 9"),
        ("spn639/fmi9", "SPN 639 FMI 9"),
        ("SPN: 639, FMI: 9, OC: 3", "SPN 639 FMI 9"),
        ("639/9", "SPN 639 FMI 9"),
        ("639-9", "SPN 639 FMI 9"),
        ("SA 0 SPN 639 FMI 9", "SPN 639 FMI 9"),
        ("SPN 639", "SPN 639"),
        ("U0155.87", "U0155-87"),
        ("U0100:87-28", "U0100-87"),
        ("mid 128, sid 231, fmi 9", "MID 128 SID 231 FMI 9"),
        ("MID 136 PID 168", "MID 136 PID 168"),
        ("EBCM-4B12", "maker:EBCM 4B12"),
        ("7-1", "maker:7-1"),
        ("7F 02 09 01", "SPN 639 FMI 9"),
        ("0x7F020901", "SPN 639 FMI 9"),
        ("10452", "10452"),
        ("00532", "00532"),
        ("maker:5E-21", "maker:5E-21"),
        ("MAKER: aB/3.1 x", "maker:aB/3.1 x"),
        ("maker:10452", "10452"),
    ],
)
def test_one_code_has_many_spellings(written: str, text: str) -> None:
    """However a scan writes a code, it is kept in one spelling."""
    assert parse_code(written).text == text


def test_length_tells_a_letter_code_from_bytes() -> None:
    """C0121 is a chassis code of five characters; C121 is two bytes that mean U0121."""
    assert parse_code("C0121").system is System.CHASSIS
    assert parse_code("C121").text == "U0121"
    assert parse_code("C012100").text == "C0121-00"
    assert parse_code("C12100").text == "U0121-00"


def test_plain_digits_are_a_makers_number_not_bytes() -> None:
    """1234 may be any maker's fault number; only 0x or spaces make it bytes."""
    assert parse_code("1234").grammar is Grammar.MAKER
    assert parse_code("0x1234").text == "P1234"


def test_the_way_a_code_was_written_is_remembered_but_makes_no_difference() -> None:
    """U0121 read as bytes is the same fault as U0121 read as text; so is one that came more often."""
    as_bytes, as_text = parse_code("C1 21"), parse_code("U0121")
    assert (as_bytes.read_as, as_text.read_as) == (ReadAs.BYTES, ReadAs.TEXT)
    assert as_bytes == as_text
    assert len({parse_code("SPN 639 FMI 9 OC 3"), parse_code("639/9")}) == 1


def test_occurrences_are_kept_beside_the_code() -> None:
    """How often a fault came is told by J1939; 127 says that it is not known (SAE J1939-73, from memory)."""
    assert parse_code("SPN: 639, FMI: 9, OC: 3").occurrences == 3
    assert parse_code("7F 02 09 7F").occurrences is None
    assert parse_code("639/9").occurrences is None


@pytest.mark.parametrize(
    ("written", "hint"),
    [
        ("UO121", "did you mean U0121?"),
        ("u0l21", "did you mean U0121?"),
        ("U 0121", "did you mean U0121?"),
        ("X0121", "U0121"),
        ("639.9", "did you mean SPN 639 FMI 9?"),
        ("U4121", "from 0 to 3"),
        ("SPN 524288 FMI 1", "0 to 524287"),
        ("SPN 639 FMI 32", "0 to 31"),
        ("MID 128 SID 231 FMI 16", "0 to 15"),
        ("MID 256 SID 231 FMI 9", "0 to 255"),
        ("SA 256 SPN 639 FMI 9", "0 to 255"),
        ("SPN 639 FMI 9 OC 128", "0 to 127"),
        ("7F 02 09 81", "conversion method"),
        ("", "SPN 639 FMI 9"),
        ("12", "maker:"),
        ("123456789", "maker:"),
        ("DEADBEEF", "expected"),
        ("maker:ABC", "expected"),
        ("maker:12345678901234567", "expected"),
        ("U0121 is set", "expected"),
        ("x" * 100_000, "..."),
    ],
)
def test_what_fits_no_grammar_is_refused_with_what_was_meant(written: str, hint: str) -> None:
    """The refusal is one short line that shows an example, and a near miss where there is one."""
    with pytest.raises(CodeError) as refused:
        parse_code(written)
    message = str(refused.value)
    assert hint in message
    assert len(message) < 300
    assert "\n" not in message


@pytest.mark.slow
@given(LETTER_CODES)
def test_a_letter_code_survives_text_and_bytes(text: str) -> None:
    """Text to code to bytes and back loses nothing."""
    code = parse_code(text)
    assert code.text == text
    assert parse_code(text.lower().replace("-", "")) == code
    assert code_from_bytes(bytes(code)) == code
    assert parse_code(code.hex) == code
    assert parse_code("0x" + bytes(code).hex()) == code


@pytest.mark.slow
@given(st.integers(0, 524_287), st.integers(0, 31), st.none() | st.integers(0, 126))
def test_spn_and_fmi_survive_text_and_bytes(spn: int, fmi: int, occurrences: int | None) -> None:
    """Text to code to four bytes and back loses nothing, the count included."""
    count = "" if occurrences is None else f" OC {occurrences}"
    code = parse_code(f"SPN {spn} FMI {fmi}{count}")
    again = code_from_bytes(bytes(code))
    assert (again, again.occurrences) == (code, occurrences)
    assert (code.spn, code.fmi) == (spn, fmi)
    assert parse_code(code.text) == code


@pytest.mark.slow
@given(st.binary(min_size=2, max_size=3))
def test_any_two_or_three_bytes_are_a_letter_code(data: bytes) -> None:
    """Every pair of bytes is some letter code, and gives the same bytes again."""
    code = code_from_bytes(data)
    assert bytes(code) == data
    assert parse_code(code.text) == code


@pytest.mark.slow
@given(st.text(max_size=80) | st.text(alphabet="UPCBX0123ABF- :./spnfmioc", max_size=40))
def test_any_text_is_a_code_or_is_refused(text: str) -> None:
    """No text breaks the reader, and whatever it takes reads back as the same code with a meaning."""
    try:
        code = parse_code(text)
    except CodeError:
        return
    assert parse_code(code.text) == code
    assert code.meaning
    assert isinstance(code.statement, Statement)


def test_a_makers_number_has_no_bytes() -> None:
    """How a maker packs its own numbers is not known."""
    with pytest.raises(CodeError, match="maker's own number"):
        bytes(parse_code("10452"))


@pytest.mark.parametrize(
    ("text", "is_maker"),
    [
        ("P0100", False),
        ("P1100", True),
        ("P2100", False),
        ("P3300", True),
        ("P3400", False),
        ("C0100", False),
        ("C1100", True),
        ("B2100", True),
        ("U0100", False),
        ("U1100", True),
        ("U2100", True),
        ("U3000", False),
        ("SPN 520192 FMI 31", True),
        ("SPN 639 FMI 9", False),
        ("10452", True),
    ],
)
def test_second_digit_says_who_defines_a_code(text: str, is_maker: bool) -> None:
    """SAE J2012: U0 and U3 belong to the standard, U1 and U2 to the maker (other letters from memory)."""
    assert parse_code(text).maker_defined is is_maker


@pytest.mark.parametrize(
    ("text", "statement"),
    [
        ("U0001", Statement.BUS_FAULT),
        ("U0073-00", Statement.BUS_FAULT),
        ("U009E", Statement.BUS_FAULT),
        ("U0100", Statement.LOST_COMMUNICATION),
        ("U0293-87", Statement.LOST_COMMUNICATION),
        ("U0301", Statement.SOFTWARE_INCOMPATIBILITY),
        ("U0415", Statement.INVALID_DATA),
        ("U0594", Statement.INVALID_DATA),
        ("U061E", Statement.LOST_COMMUNICATION),
        ("U3003", Statement.SUPPLY),
        ("U3000", Statement.OTHER),
        ("U1123", Statement.OTHER),
        ("U1123-87", Statement.LOST_COMMUNICATION),
        ("U1123-88", Statement.BUS_FAULT),
        ("P0562", Statement.SUPPLY),
        ("P0563-17", Statement.SUPPLY),
        ("P0564", Statement.OTHER),
        ("P0113", Statement.CIRCUIT),
        ("P0605", Statement.OTHER),
        ("B1234", Statement.OTHER),
        ("B1234-11", Statement.CIRCUIT),
        ("C0031-86", Statement.INVALID_DATA),
        ("SPN 639 FMI 9", Statement.LOST_COMMUNICATION),
        ("SPN 639 FMI 2", Statement.BUS_FAULT),
        ("SPN 1231 FMI 19", Statement.INVALID_DATA),
        ("SPN 84 FMI 9", Statement.LOST_COMMUNICATION),
        ("SPN 84 FMI 19", Statement.INVALID_DATA),
        ("SPN 84 FMI 4", Statement.CIRCUIT),
        ("SPN 84 FMI 12", Statement.OTHER),
        ("SPN 168 FMI 4", Statement.SUPPLY),
        ("10452", Statement.OTHER),
    ],
)
def test_what_a_code_says(text: str, statement: Statement) -> None:
    """The number says the kind of trouble; a failure type refines it where the number does not (from memory)."""
    assert parse_code(text).statement is statement


@pytest.mark.slow
@given(st.integers(0, 255))
def test_a_failure_type_never_outweighs_a_standard_network_code(failure_type: int) -> None:
    """U0121 is missing messages, whatever its failure type adds."""
    assert parse_code(f"U0121-{failure_type:02X}").statement is Statement.LOST_COMMUNICATION


def test_the_kind_in_the_table_is_the_kind_of_the_range() -> None:
    """All numbers listed as lost lie where lost communication is, and so on."""
    kinds = {
        "lost": Statement.LOST_COMMUNICATION,
        "invalid": Statement.INVALID_DATA,
        "software": Statement.SOFTWARE_INCOMPATIBILITY,
    }
    rows = read_table("network_codes")
    wrong = [
        row[kind]
        for row in rows
        for kind in kinds
        if row[kind] and network_statement(row[kind]) is not kinds[kind]
    ]
    assert wrong == []


def test_each_number_names_one_module_only() -> None:
    """No number stands twice in the table."""
    numbers = [
        row[kind]
        for row in read_table("network_codes")
        for kind in ("lost", "invalid", "software")
        if row[kind]
    ]
    assert len(numbers) == len(set(numbers)) > 700


@pytest.mark.parametrize("doubtful", ["U02A0", "U04A4", "U0587", "U057B", "U057C", "U057D"])
def test_numbers_in_doubt_name_no_module(doubtful: str) -> None:
    """Where public lists are damaged, nothing is said."""
    assert module_named(doubtful) is None
    assert "not named" in parse_code(doubtful).meaning


def test_bus_codes_name_the_bus_and_the_line() -> None:
    """Nine codes for each bus (order of the texts in SAE J2012-DA)."""
    assert parse_code("U0003").meaning == "high-speed CAN: CAN high open"
    assert parse_code("U0006").meaning == "high-speed CAN: CAN low open"
    makers = "; some makers use this number otherwise: their documents come first"
    assert parse_code("U0018").meaning == f"medium-speed CAN: the two lines shorted together{makers}"
    assert parse_code("U0034").meaning == f"bus A: minus line voltage too low{makers}"
    assert parse_code("U0072").bus == "bus E"
    assert parse_code("SPN 639 FMI 9").bus == "J1939 network 1"
    assert parse_code("U0121").bus is None


def test_meaning_is_a_short_phrase_with_the_failure_type() -> None:
    """The phrase names the module and what the failure type adds."""
    assert parse_code("U0121-00").meaning == "no messages arrive from anti-lock brakes (ABS)"
    assert parse_code("U0415-86").meaning == (
        "data from anti-lock brakes (ABS) cannot be used (sender marks the signal as not valid)"
    )
    assert parse_code("U0121-A0").meaning.endswith("(failure type A0, not explained here)")


def codes(*texts: str) -> list[TroubleCode]:
    """Return the codes written in `texts`."""
    return [parse_code(text) for text in texts]


def test_module_missed_by_most_comes_first() -> None:
    """When three modules miss ABS and one misses the engine, ABS is the one to look at first."""
    blames = who_blames_whom(
        [
            ("ECM", parse_code("U0121-00")),
            ("EPS", parse_code("U0121")),
            ("cluster", parse_code("U0121")),
            ("IPC", parse_code("U0100")),
            ("TCM", parse_code("U0415")),
            (None, parse_code("U0101")),
            ("Winch 3", parse_code("U0101")),
        ]
    )
    assert [(blame.module, blame.kind) for blame in blames] == [
        ("anti-lock brakes", "lost"),
        ("engine control", "lost"),
        ("transmission control", "lost"),
        ("anti-lock brakes", "invalid"),
    ]
    assert blames[0].reporters == ("engine control", "instrument cluster", "power steering")
    assert [code.text for code in blames[0].codes] == ["U0121-00", "U0121"]
    assert blames[2].reporters == ("winch 3",)


def test_a_module_blames_neither_itself_nor_a_bus() -> None:
    """Bus codes, codes without a module and a module's own code blame nobody."""
    assert who_blames_whom([("ABS", parse_code("U0121")), ("ABS", parse_code("U0001"))]) == []
    assert who_blames_whom([("ABS", parse_code("P0562")), ("ABS", parse_code("U02A0"))]) == []


def test_network_codes_are_told_from_codes_of_one_circuit() -> None:
    """Missing messages, bus faults and a maker's own U codes speak of the network; supply and circuits do not."""
    network = codes("U0121", "U1000", "SPN 639 FMI 9", "B1234-87")
    local = codes("P0562", "B1234-13", "SPN 168 FMI 4", "U3003", "U1000-13", "P0301")

    assert all(speaks_of_network(code) for code in network)
    assert not any(speaks_of_network(code) for code in local)


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("0x2F", "failing now, confirmed, pending"),
        ("08", "confirmed"),
        (0x28, "confirmed"),
        ("20", "failed since codes were cleared"),
        (0x50, "not tested since codes were cleared"),
        (0x40, "not tested this cycle"),
        (0x00, "no fault"),
        (0x8B, "failing now, confirmed, warning lamp on"),
    ],
)
def test_status_byte_in_plain_words(value: int | str, words: str) -> None:
    """The words say what matters at the vehicle: is it there now, was it stored."""
    assert parse_status_byte(value).describe() == words


@pytest.mark.parametrize("value", ["", "2", "0x123", "GG", 256, -1])
def test_what_is_not_one_byte_is_no_status(value: int | str) -> None:
    """A status is one byte."""
    with pytest.raises(CodeError):
        parse_status_byte(value)


@pytest.mark.slow
@given(st.integers(0, 255))
def test_every_status_byte_has_words(value: int) -> None:
    """Each of the 256 values says something, as number and as text."""
    assert StatusByte(value).describe()
    assert parse_status_byte(f"0x{value:02X}") == StatusByte(value)


@pytest.mark.slow
def test_importing_reads_no_table() -> None:
    """Most commands need no table of codes, so none is read before a code is asked what it means."""
    script = (
        "import sys; opened = []; sys.addaudithook(lambda event, args: "
        "opened.append(str(args[0])) if event == 'open' else None); "
        "import casebase.record.codes as codes; codes.parse_code('U0121'); "
        "print([name for name in opened if name.endswith('.csv')]); "
        "codes.parse_code('U0121').meaning; print([name for name in opened if name.endswith('.csv')] != [])"
    )
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert run.stdout.split() == ["[]", "True"]


@pytest.mark.parametrize(
    ("failure_type", "word"),
    [
        (0x21, "amplitude"), (0x29, "not valid"), (0x49, "inside"), (0x51, "not programmed"), (0x55, "not configured"),
        (0x56, "configuration"), (0x57, "software"), (0x62, "do not agree"), (0x68, "event"), (0x71, "stuck"),
    ],
)  # fmt: skip
def test_failure_types_that_matter_after_a_module_was_replaced(failure_type: int, word: str) -> None:
    """Words of SAE J2012-DA's table of failure types as open-source programs carry it; 56 and 57 from memory."""
    assert word in parse_code(f"U0121-{failure_type:02X}").meaning


def test_identifiers_of_older_trucks_are_named_as_such() -> None:
    """Subsystem 231 is the J1939 data link, parameter 168 the battery voltage (SAE J1587, from memory)."""
    link, battery = parse_code("MID 128 SID 231 FMI 9"), parse_code("MID 136 PID 168 FMI 4")
    assert (link.statement, link.bus) == (Statement.BUS_FAULT, "J1939 data link")
    assert battery.statement is Statement.SUPPLY
    assert "older trucks (SAE J1587)" in link.meaning
    with pytest.raises(CodeError, match="no bytes of its own"):
        bytes(link)


def test_a_parameter_alone_says_that_the_failure_mode_is_not_told() -> None:
    """SPN 625 and 639 are networks (SAE J1939, from memory)."""
    assert parse_code("SPN 639").statement is Statement.BUS_FAULT
    assert parse_code("SPN 625").bus == "the maker's own network 1"
    assert "not told" in parse_code("SPN 639").meaning
