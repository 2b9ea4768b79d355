"""Workshop shorthand is spelled out where it is sure, and left alone where it is not."""

import csv
import doctest

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.match.text import shorthand as module
from casebase.match.text.shorthand import abbreviations_digest, spelled_out

ROWS = module._rows()
SHORTS = sorted({short for row in ROWS for short in row["short"].split(";")} | {"ABS", "SAS", "BCM"})
NEAR = sorted({word for row in ROWS for word in row["near"].split(";") if word})
SOURCES = {"SAE J1930, from memory", "DIN 72552, from memory", "common practice, no source"}


@pytest.mark.parametrize(
    ("told", "meant"),
    [
        ("no comm w/ABS", "does not communicate with anti-lock brakes"),
        ("crank/no start", "engine cranks but does not start"),
        ("No crank, no start", "starter does not turn, does not start"),
        ("term 15 OK, kl. 31 open", "switched ignition supply OK, ground open"),
        ("DTCs in all ECUs", "trouble codes in all control units"),
        ("the ECM's plug", "the engine control's plug"),
        ("CANH shtd to GND", "data bus high line shorted to ground"),
        ("w/o codes", "without codes"),
        ("fuse 12/BCM", "fuse 12/body control"),
    ],
)
def test_shorthand_of_the_workshop(told, meant):
    """What a technician scribbles becomes what he would say."""
    assert spelled_out(told) == meant


@pytest.mark.parametrize(
    "text",
    [
        "the tester can reach it",
        "THE FUSE CAN BE SEEN",
        "he can't start it",
        "a map of the ground points",
        "SASH, CABS, TABS and DLCX",
        "U0100-87, P0335, C1234",
        "Driver's door, 60.2 ohm, 12 V.",
        "",
    ],
)
def test_what_is_no_shorthand_stays(text):
    """Words that look like short forms, codes and values are left alone."""
    assert spelled_out(text) == text


@pytest.mark.parametrize(
    ("told", "part"),
    [
        ("AC compressor does not run", "air conditioning compressor"),
        ("AC ripple on the alternator, volts on the meter", "alternating current ripple"),
        ("IC gauges dead", "instrument cluster gauges"),
        ("misfire, IC and coils swapped", "ignition control and coils"),
        ("SW flashed to the newest version", "software flashed"),
        ("PS heavy, no assist", "power steering heavy"),
        ("BC module silent, doors dead", "body control module silent"),
        ("CAN bus down", "data bus down"),
        ("both CAN wires open", "both data bus wires"),
        ("int. light stays on", "interior light stays on"),
        ("int. no comm", "intermittent does not communicate"),
    ],
)
def test_a_short_form_with_several_meanings_is_decided_by_its_neighbours(told, part):
    """AC is air conditioning beside a compressor and alternating current beside ripple."""
    assert part in spelled_out(told)


@pytest.mark.parametrize("text", ["AC?", "IC replaced", "SW wet", "PS", "AC: cold air, 3 volts"])
def test_undecided_short_forms_stay(text):
    """Without a word that decides, or with as many for either meaning, a wrong guess would be worse than none."""
    assert text.split()[0].strip("?:") in spelled_out(text)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["short"])
def test_the_table_is_sound(row):
    """Every row has a meaning without short forms, a known way of writing, and says where it comes from."""
    assert row["words"]
    assert spelled_out(row["words"]) == row["words"]
    assert row["case"] in {"any", "capitals"}
    assert row["source"] in SOURCES
    assert all(short == short.strip() for short in row["short"].split(";"))
    assert row["near"] == row["near"].lower()


def test_a_short_form_with_several_meanings_has_words_that_decide():
    """Where a form stands in several rows, each of them names its neighbours."""
    for short, meanings in module._meanings().items():
        assert len(meanings) == 1 or all(meaning.near for meaning in meanings), short


@pytest.mark.slow
@given(
    st.lists(st.sampled_from(SHORTS + NEAR) | st.text(max_size=6), max_size=12),
    st.sampled_from([" ", ", ", "/"]),
)
def test_spelling_out_twice_changes_nothing(words, between):
    """A text spelled out holds nothing more to spell out, whatever it was made of."""
    once = spelled_out(between.join(words))
    assert spelled_out(once) == once


@given(st.text())
def test_any_text_is_taken(text):
    """No text is refused, and a text without ASCII letters is not touched."""
    plain = spelled_out(text)
    if not any(letter.isascii() and letter.isalpha() for letter in text):
        assert plain == text


def test_the_examples_in_the_documentation_hold():
    """What the docstrings show is what comes out."""
    assert doctest.testmod(module).failed == 0


def test_the_digest_follows_the_table(monkeypatch):
    """Vectors made with another table are not taken for these: the digest differs with one row."""
    before = abbreviations_digest()
    monkeypatch.setattr(module, "_rows", lambda: ROWS[:-1])
    assert abbreviations_digest() != before


def test_the_table_is_plain_csv():
    """Every row has all five columns, so that a spreadsheet opens it."""
    with module._TABLE.open(encoding="utf-8", newline="") as lines:
        assert {len(row) for row in csv.reader(lines)} == {5}
