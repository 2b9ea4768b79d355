"""Pasted scan reports; every report here is invented and follows no product's layout."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from casebase.intake.scan_report import ScanReport, explained_codes, read_report

sys.path.insert(0, str(Path(__file__).parent.parent / "bench"))

from scan_layouts import judged, layouts


def told(report: ScanReport) -> list[tuple[str | None, str, str | None]]:
    """Return module, code and status of each finding."""
    return [(one.module, one.code.text, one.status) for one in report.findings]


def test_codes_belong_to_the_heading_above_them() -> None:
    """A module's name on a line of its own heads the codes below it."""
    report = read_report(
        "ABS module\n"
        "  U0100-00 Lost communication with ECM confirmed\n"
        "  U0121\n"
        "\n"
        "Body control module (1 code):\n"
        "  U0155 pending\n"
    )
    assert told(report) == [
        ("ABS module", "U0100-00", "confirmed"),
        ("ABS module", "U0121", None),
        ("Body control module", "U0155", "pending"),
    ]
    assert report.findings[0].text == "Lost communication with ECM"
    assert [one.line for one in report.findings] == [2, 3, 6]


def test_a_heading_of_an_unknown_module_ends_the_one_before() -> None:
    """Codes below an unknown module must not be laid at the last known one's door."""
    report = read_report(
        "01 - Engine electronics\n U0121\n07 - Winch drive: 2 codes\n U0155\n[Crane module]\n U0140\n"
    )
    assert told(report) == [
        ("Engine electronics", "U0121", None),
        ("Winch drive", "U0155", None),
        ("Crane module", "U0140", None),
    ]


def test_the_module_may_stand_on_the_line_of_its_code() -> None:
    """The module in front of a code stores it; the one the text speaks of is blamed, not blaming."""
    report = read_report(
        "ABS - U0100-00 confirmed\n"
        "EPS: U0121 no messages from ABS\n"
        "U0140 stored in the engine control module\n"
        "ABS U0100, ECM: U0121\n"
    )
    assert told(report) == [
        ("ABS", "U0100-00", "confirmed"),
        ("EPS", "U0121", None),
        ("engine control module", "U0140", None),
        ("ABS", "U0100", None),
        ("ECM", "U0121", None),
    ]
    assert report.findings[1].text == "no messages from ABS"


def test_the_module_that_a_text_speaks_of_is_not_the_reporter() -> None:
    """Under the heading ABS, "lost communication with the engine control module" is still ABS's code."""
    report = read_report(
        "ABS\nU0100 - Engine control module - no communication\nlost communication with ECM: U0100\n"
    )
    assert [one.module for one in report.findings] == ["ABS", "ABS"]


def test_several_codes_on_a_line_share_module_and_status() -> None:
    """A list of codes on one line is one statement about one module."""
    assert told(read_report("EPS - U0121, U0140 U0155-00 pending")) == [
        ("EPS", "U0121", "pending"),
        ("EPS", "U0140", "pending"),
        ("EPS", "U0155-00", "pending"),
    ]


@pytest.mark.parametrize(
    "table",
    [
        "| Module | DTC | Status | Text |\n|---|---|---|---|\n"
        "| ABS | U0100-00 | confirmed | no messages from ECM |\n| EPS | C121 | 0x28 | no messages from ABS |\n",
        "module,code,status,text\nABS,U0100-00,confirmed,no messages from ECM\nEPS,C121,0x28,no messages from ABS\n",
        "DTC\tModule\tStatus\tDescription\nU0100-00\tABS\tconfirmed\tno messages from ECM\n"
        "C121\tEPS\t28\tno messages from ABS\n",
        '"text";"status";"control unit";"code"\n"no messages from ECM";"confirmed";"ABS";"U0100-00"\n'
        '"no messages from ABS";"confirmed";"EPS";"0xC121"\n',
        "Code      Module  Status     Meaning\nU0100-00  ABS     confirmed  no messages from ECM\n"
        "C1 21     EPS     confirmed  no messages from ABS\n",
    ],
)
def test_a_table_is_read_by_its_heading(table: str) -> None:
    """Whatever separates the columns and whatever their order, the heading says what they hold."""
    report = read_report(table)
    assert told(report) == [("ABS", "U0100-00", "confirmed"), ("EPS", "U0121", "confirmed")]
    assert [one.text for one in report.findings] == ["no messages from ECM", "no messages from ABS"]
    assert report.unread == []


def test_an_empty_module_cell_means_the_one_above() -> None:
    """Tables often print the module once for all its codes."""
    report = read_report("module | code\nABS | U0100\n | U0140\nEPS | U0121\n")
    assert told(report) == [("ABS", "U0100", None), ("ABS", "U0140", None), ("EPS", "U0121", None)]


def test_spn_and_fmi_may_be_columns_or_words() -> None:
    """J1939 reports split the code over two columns, or spell it out, also with a text between."""
    report = read_report(
        "SPN | FMI | OC | Text\n639 | 9 | 3 | network\n\n"
        "SPN 1231 (second network) FMI 9 OC 12 previously active\n168/4\nspn: 639, fmi: 19, oc: 1\n"
    )
    assert [one.code.text for one in report.findings] == [
        "SPN 639 FMI 9",
        "SPN 1231 FMI 9",
        "SPN 639 FMI 19",
    ]
    assert [one.code.occurrences for one in report.findings] == [3, 12, 1]
    assert report.findings[1].status == "inactive"


@pytest.mark.parametrize("gap", ["\n", ""])
def test_labelled_lines_may_name_the_module_before_or_after_the_code(gap: str) -> None:
    """A block of labelled lines belongs together, whichever label comes first."""
    before = read_report(
        f"Module: ABS\nCode: U0100\nStatus: confirmed\nText: first\n{gap}Module: EPS\nCode: U0121\n"
    )
    after = read_report(
        f"Code: U0100\nModule: ABS\nStatus: confirmed\nText: first\n{gap}Code: U0121\nModule: EPS\n"
    )
    expected = [("ABS", "U0100", "confirmed"), ("EPS", "U0121", None)]
    assert told(before) == told(after) == expected
    assert before.findings[0].text == after.findings[0].text == "first"


def test_text_and_status_may_stand_on_the_lines_below() -> None:
    """A code, its text and its status on three lines are one finding."""
    (finding,) = read_report(
        "Gateway\n U0140-87\n   no messages from body control\n   intermittent\n"
    ).findings
    assert (finding.module, finding.text, finding.status) == (
        "Gateway",
        "no messages from body control",
        "intermittent",
    )


def test_a_section_gives_its_status_to_the_codes_below() -> None:
    """A line such as "Stored codes:" speaks for each code below it until the next section."""
    report = read_report(
        "ECM\nStored codes:\n U0121\n U0140 permanent\nPending DTCs (1)\n U0155\nTCM\n U0100\n"
    )
    assert [one.status for one in report.findings] == ["stored", "permanent", "pending", None]


@pytest.mark.parametrize(
    ("line", "status"),
    [
        ("U0121-00 (confirmed)", "confirmed"),
        ("U0121-00 pending, confirmed", "pending, confirmed"),
        ("U0121-00 status 0x2F", "failing now, confirmed, pending"),
        ("U0121-00 text of the code (status 2F)", "failing now, confirmed, pending"),
        ("U0121-00-2F", "failing now, confirmed, pending"),
        ("U0121-00 [08]", "confirmed"),
        ("U0121-00; 0x28; text", "confirmed"),
        ("U0121 historical", "history"),
        ("U0121 not active", "inactive"),
        ("U0121 active", "active"),
        ("U0133 active roll control lost", None),
        ("P0A5E motor current high", None),
        ("U0121 (12)", None),
        ("U0121", None),
    ],
)
def test_status_words_and_bytes(line: str, status: str | None) -> None:
    """Words of the trade and status bytes are read as status; "active" within a text is not one."""
    (finding,) = read_report(line).findings
    assert finding.status == status


@pytest.mark.parametrize(
    "line",
    [
        "12.03.2026 10:45, odometer 123456 km",
        "VIN 1M8GDM9AXKP042788",
        "battery 12.45 V, charging 14.2 V, 60/2 ohm",
        "DEAD FACE BEEF CAFE C0DE ADD",
        "part no 8K0-C0123-45 and 1234-P0123",
        "part number C0123",
        "connector C2104 pin 3 green",
        "splice U0121x",
        "C1 21 00 and 7F 02 09 01",
        "fault count: 12, 3 codes found",
        "key code 1A2B, paint code C4F5",
        "10452 639/9 639-9",
        "bracket P012345 fitted",
        "B1234567",
    ],
)
def test_numbers_of_other_kinds_are_no_codes(line: str) -> None:
    """Dates, odometers, VINs, volts, part numbers, connectors and hex words are not taken for codes."""
    assert read_report(line).findings == []


@pytest.mark.parametrize(
    ("line", "codes"),
    [
        ("DTC 0xC12100", ["U0121-00"]),
        ("DTC: C1 21 00 status 2F", ["U0121-00"]),
        ("Codes: C121, c140; 0xC155", ["U0121", "U0140", "U0155"]),
        ("fault code C12187", ["U0121-87"]),
        ("DTCs u0121 00", ["U0121-00"]),
        ("U0121/U0140;P0562,B1234-11", ["U0121", "U0140", "P0562", "B1234-11"]),
        ("u012187 lost", ["U0121-87"]),
        ("U0121 12 volts", ["U0121"]),
    ],
)
def test_codes_are_found_by_their_grammar(line: str, codes: list[str]) -> None:
    """Letter codes count anywhere; bytes only where the line calls them a code."""
    assert [one.code.text for one in read_report(line).findings] == codes


@pytest.mark.parametrize(
    "line",
    [
        "UO121 lost communication",
        "U4121-00",
        "DTC: 10452",
        "code X0121",
        "SPN 99999999 FMI 3",
        "SPN 639 FMI 40",
        "SPN 639 active",
        "DTC 7F 02 09 01",
        "P01234 open",
    ],
)
def test_what_looks_like_a_code_and_cannot_be_read_is_handed_back(line: str) -> None:
    """Nothing that may be a code is dropped without a word."""
    report = read_report(f"ABS\n{line}\n")
    assert (report.findings, report.unread) == ([], [(2, line)])


@pytest.mark.parametrize(
    ("text", "silent"),
    [
        ("TCM: no response", ["TCM"]),
        ("TCM\n  no response\n", ["TCM"]),
        ("Module: TCM\nStatus: not responding", ["TCM"]),
        ("No response from gateway and IPC.", ["gateway", "IPC"]),
        ("Engine running, unable to communicate with TCM", ["TCM"]),
        ("ABS did not answer", ["ABS"]),
        ("no communication with power steering", ["power steering"]),
        (
            "Modules not responding:\n- TCM\n- left front door module\n\n- ABS",
            ["TCM", "left front door module"],
        ),
        ("| Winch | no response |\n| TCM | OK |", ["Winch"]),
        ("TCM no response\nTransmission control module: no answer", ["TCM"]),
        ("ABS\nU0101 no communication with TCM", []),
        ("TCM: ok, answers", []),
        ("no communication problems", []),
    ],
)
def test_modules_that_do_not_answer_are_listed(text: str, silent: list[str]) -> None:
    """A module that does not answer the tester is evidence; a code's text about a missing module is not that."""
    assert read_report(text).silent_modules == silent


def test_line_numbers_count_as_an_editor_counts() -> None:
    """A finding can be looked up in the pasted text, whichever line ends it has."""
    for end in ("\n", "\r\n", "\r"):
        assert [one.line for one in read_report(f"ABS{end}{end}U0121{end}\x0cU0140").findings] == [3, 4]


PIECES = st.sampled_from(
    [
        "ABS", "Module:", "U0121", "-00", "UO121", "SPN 639", "FMI 9", "DTC", "C1 21 00", "|", ",", ";", "\t", "\n",
        "\r", "no response", "status 2F", "confirmed", "pending codes", ":", "(", "[", " ", "  ", "-", "code,module",
        "SPN|FMI|OC", "639|9|1", "\x00", "\u2013", "\u017f", "left front door module",
    ]
)  # fmt: skip


@pytest.mark.slow
@settings(max_examples=300)
@given(st.lists(PIECES | st.text(max_size=8), max_size=40).map("".join))
def test_any_text_is_read(text: str) -> None:
    """Whatever is pasted, the reader gives an answer, and each finding stands on a line of the text."""
    report = read_report(text)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    assert all(1 <= one.line <= len(lines) for one in report.findings)
    assert all(one.module is None or one.module.strip() for one in report.findings)
    assert all(line in lines[number - 1] for number, line in report.unread)


@pytest.mark.slow
@pytest.mark.parametrize(
    "piece",
    ["U0121-00 ", "U0", "SPN 1 FMI 2 ", "DTC C121, ", "a,", "(", " ", "- ", "no codes ", "front ", "ABS: U0121\n",
     "Module: ABS\nU0121\n", "U0121\n", "code ", "XY: no response\n", "ABS |", "status 2F "],
)  # fmt: skip
def test_a_huge_paste_is_read(piece: str) -> None:
    """Two hundred thousand characters of one piece: no text makes the reader run away (its speed: tests/bench)."""
    text = piece * (200_000 // len(piece))

    report = read_report(text)

    assert all(1 <= one.line <= text.count("\n") + 1 for one in report.findings)


@pytest.mark.slow
def test_eighty_invented_layouts_give_codes_their_module_and_nobody_s_to_the_accused() -> None:
    """Blocks, tables and lines of our own, with modules known and unknown: .97 of the codes with their module."""
    told_of = [judged(layout, seed) for layout in layouts().values() for seed in (1, 2)]
    codes, right, accused = (sum(one[part] for one in told_of) for part in range(3))
    assert right >= 0.97 * codes
    assert accused == 0


def test_a_number_and_the_accused_module_s_name_above_a_code_take_nothing_from_the_block() -> None:
    """The heading with an address stores the code; the line with a five-digit number says only whom it accuses."""
    report = read_report(
        "Address 03: ABS\n  2 faults found:\n14012 - Body Control Module\n        U0140-00 - No communication\n"
        "Address 17: IC\n14013 - Anti-lock brakes\n        U0121 - No communication\n"
    )
    assert told(report) == [("ABS", "U0140-00", None), ("IC", "U0121", None)]


@pytest.mark.parametrize("name", ["FACM", "IC", "QZ4"])
def test_a_module_that_no_table_knows_is_kept_as_written(name: str) -> None:
    """In a pasted line, between separators, under brackets, in a block of its own."""
    for text in (f"{name} U0140 text", f"{name}; U0140; text", f"[{name}]\nU0140", f"{name}\n\nU0140\ntext"):
        assert [one.module for one in read_report(text).findings] == [name]


def test_the_title_of_a_report_is_no_module() -> None:
    """A vehicle's name or a sentence above bare codes stores nothing."""
    for title in ("Norda Kestrel 2016", "Customer vehicle", "Engine light on since Monday"):
        assert [one.module for one in read_report(f"{title}\n\nU0140\nU0155").findings] == [None, None]


def test_what_was_guessed_is_announced_with_what_to_say_instead() -> None:
    """Bytes in hex may be a maker's own number; two counts of a blinking lamp are no parameter of J1939."""
    hexes, blinked, text = (one["guess"] for one in explained_codes(["CD9010", "7-1", "U0121"])["codes"])
    assert hexes == "CD9010 is read as U0D90-10: say maker:CD9010 if it is the maker's number"
    assert blinked == "7-1 is kept as the maker's number: say SPN 7 FMI 1 if it is one of J1939"
    assert text is None


def test_a_status_byte_and_a_source_address_in_a_code_s_own_spelling_are_told() -> None:
    """`U0100:87-28` ends with the status byte of ISO 14229-1; `SA 0` says who reports."""
    first, second = explained_codes(["U0100:87-28", "SA 0 SPN 639 FMI 9"])["codes"]
    assert (first["code"], first["status"]) == ("U0100-87", "confirmed")
    assert (second["module"], second["code"]) == ("source address 0", "SPN 639 FMI 9")
