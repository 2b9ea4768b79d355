"""What must not leave the shop is found in free text, with its place and what may stand there instead."""

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.errors import LibraryError
from casebase.library.derived import StoredRecord
from casebase.library.privacy import add_names, clear, cleared, names, remove_names
from casebase.library.store import Library
from casebase.publish.private_kinds import found_in
from casebase.publish.private_text import hits_in, hits_in_text, hits_of_words, masked

PRIVATE = ["Ottilie Brandvoll", "Sørensen"]
REGIONS = ("GB", "DE", "US", "NO")


def kinds(text):
    """Return the kinds found in a text."""
    return [one.kind for one in found_in(text, PRIVATE, REGIONS)]


def proposed(text):
    """Return the text that is proposed instead."""
    return masked(text, found_in(text, PRIVATE, REGIONS))


@pytest.mark.parametrize(
    ("text", "instead"),
    [
        ("VIN 1M8GDM9AXKP042788 on the sticker", "VIN 1M8GDM9AXKP****** on the sticker"),
        ("1M8GDM9AX-KP-042788.", "1M8GDM9AXKP******."),
        ("Mail an o.brandvoll@nordlia.example kam zurück", "Mail an [e-mail address] kam zurück"),
        ("rings from +47 22 12 34 56 at noon", "rings from [telephone number] at noon"),
        ("call 020 7946 0018 when done", "call [telephone number] when done"),
        ("parked as AB12 CDE outside", "parked as [plate] outside"),
        ("plate EK 12345, blue", "plate [plate], blue"),
        ("plate NR 12040, nobody there", "plate [plate], nobody there"),
        ("reg. YGK 390 came in", "reg. [plate] came in"),
        ("Ottilie Brandvoll's own words", "[name]'s own words"),
        ("OTTILIE  BRANDVOLL", "[name]"),
        ("told by sørensen and by Sörensen", "told by [name] and by [name]"),
    ],
)
def test_private_text_is_found_and_masked(text, instead):
    """Each kind, as people write it."""
    assert proposed(text) == instead


@pytest.mark.parametrize(
    "text",
    [
        "U0121-87 and U0415-86 in ECM, B1000-00",
        "60.2 ohm, 2.69 and 2.33 V at pins 6 and 14",
        "splice S417, connector X92, fuse F12, ground G104",
        "141300 km, 500 kbit/s, 12.1 V with a 21 W bulb",
        "SPN 639 FMI 9, source address 0x0B",
        "part number 4F0 907 379 B was refused",
        "Ticket 2024-02-19, job 17",
        "the plate under the seat was bent",
        "Brand voll, a new brand",
        "ISO 11898-2 and SAE J1939-11",
        "00 7F 3C 11 22 33 44 55",
    ],
)
def test_the_trades_own_numbers_are_not_private(text):
    """Codes, readings, splices, mileage, part numbers."""
    assert kinds(text) == []


@pytest.mark.slow
@given(st.text(max_size=200))
def test_no_text_makes_the_scan_fail_and_masked_text_is_clean(text):
    """Whatever is written; what is proposed holds nothing that would stop a publication."""
    told = f"{text} {PRIVATE[0]} {text}"
    assert not [one for one in found_in(proposed(told), PRIVATE, REGIONS) if one.kind == "a name"]


def test_every_public_text_is_looked_at_with_its_path(make_case):
    """Steps, notes of readings, places, parts: the path says where; what stays inside is not looked at."""
    case = make_case(
        concern="private anyway: +47 22 12 34 56",
        symptoms=["o.b@nordlia.example"],
        readings=[{"quantity": "voltage", "line": "CAN high", "value": "2 V", "note": "AB12 CDE"}],
        steps=[{"did": "rang Ottilie Brandvoll"}],
        cause={"fault": "low_open", "where": {"place": "harness", "text": "under 1M8GDM9AXKP042788"}},
    )
    found = hits_in([StoredRecord("aaaaaaaa", 1, "", case)], PRIVATE)
    assert {hit.field for hit in found} == {
        "symptoms[0]",
        "readings[0].note",
        "steps[0].did",
        "cause.where.text",
    }
    assert (
        "case aaaaaaaa, symptoms[0]: an e-mail address"
        in found[[hit.field for hit in found].index("symptoms[0]")].sentence()
    )


@pytest.mark.slow
def test_the_demonstration_is_clean(demo_cases):
    """No invented record looks private: nothing there would stop a publication."""
    kept = [StoredRecord(name, 1, "", case) for name, case in demo_cases.items()]
    assert [hit.sentence() for hit in hits_in(kept, PRIVATE)] == []


def test_a_cleared_text_goes_out_until_it_is_changed(tmp_path, make_case):
    """The lead's word is about this text in this field of this case."""
    with Library.create(tmp_path / "shop.db") as library:
        clear(library, "aaaaaaaa", "symptoms[0]", "plate EK 12345")
        told = cleared(library)
    here = StoredRecord("aaaaaaaa", 1, "", make_case(symptoms=["plate EK 12345"]))
    changed = StoredRecord("aaaaaaaa", 2, "", make_case(symptoms=["plate EK 12345 again"]))
    assert hits_in([here], [], told) == []
    assert len(hits_in([changed], [], told)) == 1


def test_private_names_are_kept_and_taken_out(tmp_path):
    """Each once; what is too short to look for is refused."""
    with Library.create(tmp_path / "shop.db") as library:
        add_names(library, ["Ottilie  Brandvoll", "Ottilie Brandvoll"])
        assert names(library) == ["Ottilie Brandvoll"]
        with pytest.raises(LibraryError, match="too short"):
            add_names(library, ["Sørensen", "Bo"])
        assert names(library) == ["Ottilie Brandvoll"]
        remove_names(library, ["ottilie brandvoll"])
        assert names(library) == []
        with pytest.raises(LibraryError, match="not among"):
            remove_names(library, ["nobody"])


def test_all_hits_of_a_text_propose_the_same_text():
    """One text, two hits, one proposal."""
    found = hits_in_text("a", "note", "o@b.example, +47 22 12 34 56", [], ("NO",))
    assert len(found) == 2
    assert len({hit.proposed for hit in found}) == 1


def test_every_line_of_a_trace_but_figures_is_looked_at(make_case):
    """The line that names the columns can hold anything: a trace is known by its rows, not by its ending."""
    rows = "whole,0.000,2.100,2.500,1.400,2.400\nwhole,500.000,2.100,2.500,1.400,2.400\n"
    head = "# casebase trace 1\n# medium: high-speed CAN\n# lines: CAN high,CAN low\n"
    text = f"{head}part,ring Mrs Oddleif on 0151 23456789\n{rows}"
    content = text.encode()
    sha256 = hashlib.sha256(content).hexdigest()
    attachment = {"file": "a.trace.csv", "sha256": sha256, "for_others": "yes"}
    kept = StoredRecord("case0001", 1, "", make_case(attachments=[attachment]))
    hits = hits_in([kept], ["Oddleif"], contents=lambda _: content)
    assert {hit.kind for hit in hits} == {"a name", "a telephone number"}
    assert {hit.field for hit in hits} == {"attachments[0] a.trace.csv line 4"}


def test_what_an_edition_says_of_itself_is_looked_at(tmp_path):
    """Who signs it, what it is called and its licence are read by everybody."""
    with Library.create(tmp_path / "shop.db") as library:
        add_names(library, ["Siv Oddleif"])
        told = {"--by": "siv.oddleif", "--name": "Cases, ring 0151 23456789", "--licence": "CC BY 4.0"}
        wrong = hits_of_words(library, told)
    assert [sentence.split(" in ")[0] for sentence in wrong] == [
        "--by: a name",
        "--name: a telephone number",
    ]


@pytest.mark.parametrize(
    "text",
    [
        "Mrs. Brandvoll rang",
        "Frau Brandvoll rief an",
        "Brandvoll, Ottilie",
        "Brandvoll, O.",
        "O. Brandvoll's car",
        "Ottilie Brandvoll\u2019s car",
        "ottilie\nbrandvoll",
        "Herr S\u00f8rensen",
        "Sorensens bil",
        "Otti\u200blie Brand\u00advoll",
        "\uff2fttilie \uff22randvoll",
    ],
)
def test_a_name_on_the_list_is_found_in_the_forms_that_people_write(text):
    """With a title, turned round, with an initial, in the genitive, over a line's end, with letters of no width."""
    assert kinds(text) == ["a name"]


@pytest.mark.parametrize(
    "text", ["The voll is brand new", "O, Brandvollen is a place", "Miss a beat", "mr brand"]
)
def test_parts_of_a_name_are_none(text):
    """A first name alone, or a word that begins like one, is too common to be told."""
    assert kinds(text) == []


@pytest.mark.parametrize(
    ("text", "instead"),
    [
        (
            "call \uff10\uff11\uff15\uff11 \uff12\uff13\uff14\uff15\uff16\uff17\uff18\uff19 now",
            "call [telephone number] now",
        ),
        ("mail a\u200bb@example.org now", "mail [e-mail address] now"),
    ],
)
def test_wide_digits_and_letters_of_no_width_hide_nothing(text, instead):
    """What looks the same is the same; the place is that in the text as it stands."""
    assert proposed(text) == instead
