"""The lead's round: one case on one screen, one key for one word, kept at once."""

import os
import sys
import time
from io import StringIO

import pexpect
import pytest
from rich.console import Console

from casebase.library.authorship import Authorship, Made
from casebase.library.matching import Means
from casebase.library.mending import remove
from casebase.library.privacy import EVERYWHERE, accept_words, add_names
from casebase.library.review_queue import waiting
from casebase.library.reviews import Said, say, standings
from casebase.library.store import Library
from casebase.record.loading import case_from_data
from casebase.terminal.page import Page
from casebase.terminal.review_walk import ReviewWalk

TOLD = {
    "kind": "fault case",
    "vehicle": {"make": "Norrvik", "model": "Fjellet", "odometer": "188000 km"},
    "symptoms": ["no start in rain"],
    "codes": [{"module": "ECM", "code": "U0121-87"}],
    "modules": [{"name": "ABS", "answers": "no"}],
    "steps": [{"did": "Full scan.", "found": "ABS silent"}],
    "cause": {"fault": "connector_corrosion", "proof": "green copper"},
    "provenance": {"author": "tova", "ended": "2026-11-20"},
}
KNOWN = [
    *((word, EVERYWHERE) for word in ("Norrvik", "Fjellet", "Skarn", "Maruvo", "Solenne")),
    ("tova", "provenance.author"),
]
"""Words of these records that the lead accepted before."""
RANG = "Ring Ottilie Brandvoll on +47 912 34 567 about the splice"


def told(**changes):
    """Return a record that has ended."""
    return case_from_data(TOLD | changes, "a test")


@pytest.fixture
def library(tmp_path):
    """An empty library that keeps one name inside."""
    with Library.create(tmp_path / "shop.db") as made:
        add_names(made, ["Ottilie Brandvoll"])
        accept_words(made, KNOWN, "ingrid")
        yield made


@pytest.fixture
def round_of(library, simulated_buses):
    """A function that holds a round over cases with the keys and lines given; returns the walk and what was shown."""

    def hold(case_ids, keys, lines=()):
        screen, left, typed = StringIO(), iter(keys), iter(lines)
        walk = ReviewWalk(
            library,
            Means(simulated_buses / "casebase" / "simulated-buses"),
            "ingrid",
            Page(Console(file=screen, width=100)),
            lambda: next(left),
            lambda _: next(typed),
        )
        walk.walk(case_ids)
        assert next(left, None) is None
        return walk, " ".join(screen.getvalue().split())

    return hold


def said(library, case_id):
    """Return where a case stands."""
    kept = library.get(case_id)
    with library.reading() as db:
        return standings(db, [kept])[case_id]


def logged(library, *cases):
    """Log records and return their IDs."""
    return [one.case_id for one in library.log(cases)]


@pytest.mark.slow
def test_each_key_is_a_word_kept_at_once(library, round_of):
    """Agreed, returned with a remark, kept inside, put off; counted at the end."""
    ids = logged(library, *(told(symptoms=[text]) for text in ("a", "b", "c", "d")))
    walk, shown = round_of(ids, "arkl", ["which connector?"])
    assert [said(library, case_id).said for case_id in ids] == [
        Said.AGREED, Said.RETURNED, Said.INSIDE, Said.WAITS,
    ]  # fmt: skip
    assert said(library, ids[1]).remark == "which connector?"
    assert "Done: 1 agreed, 1 returned, 1 stays inside." in shown
    assert walk.agreed == ids[:1]


@pytest.mark.slow
def test_private_text_is_shown_with_what_would_stand_there_and_masked_by_a_key(library, round_of):
    """Agreeing has to wait for that; the mask is a revision of the lead's, and the earlier text stays inside."""
    (case_id,) = logged(library, told(leftover=RANG))
    _, shown = round_of([case_id], "ama")
    assert "leftover: a name in 'Ring Ottilie Brandvoll on" in shown
    assert "[telephone number]" in shown
    assert "Something in it looks private" in shown
    kept = library.get(case_id)
    assert (kept.revision, kept.case.leftover) == (2, "Ring [name] on [telephone number] about the splice")
    assert [row["made"] for row in library.revisions(case_id)] == ["logged", "private text masked"]
    assert said(library, case_id).agreed == 2


def test_what_only_looks_private_is_let_out_by_a_key(library, round_of):
    """The text stays as it is."""
    (case_id,) = logged(library, told(leftover=RANG))
    round_of([case_id], "na")
    assert (library.get(case_id).revision, said(library, case_id).said) == (1, Said.AGREED)


@pytest.mark.slow
def test_words_that_no_list_knows_have_to_be_judged_before_agreeing(library, round_of):
    """Shown in their sentence; one is accepted for the library, one masked, and the next case is not asked again."""
    first, second = logged(
        library, told(leftover="the zorbel hums, says Wren"), told(leftover="the zorbel hums again")
    )
    _, shown = round_of([first, second], "awamaa")
    assert "Words in it are known to no list" in shown
    assert "leftover: the >zorbel< hums, says Wren (a word that no list knows)" in shown
    kept = library.get(first)
    assert (kept.revision, kept.case.leftover) == (2, "the zorbel hums, says [left out]")
    assert {said(library, case_id).said for case_id in (first, second)} == {Said.AGREED}


@pytest.mark.slow
def test_all_words_of_a_case_are_accepted_by_one_key_once_they_were_shown(library, round_of):
    """Every one of them stands on the screen before the key is asked for."""
    (case_id,) = logged(library, told(leftover="the zorbel, the quonk and the brimlet hum"))
    _, shown = round_of([case_id], "wea")
    assert all(
        f">{word}<" in shown.partition("q quit")[0] or f">{word}<" in shown for word in ("zorbel", "quonk")
    )
    assert said(library, case_id).said is Said.AGREED


def test_a_case_is_returned_from_its_words(library, round_of):
    """The author puts it right."""
    (case_id,) = logged(library, told(leftover="ask Wren about the zorbel"))
    round_of([case_id], "wr", ["leave the name out"])
    assert said(library, case_id).said is Said.RETURNED


@pytest.mark.slow
def test_a_job_told_twice_is_merged_by_a_key(library, round_of):
    """The likely double is named; where there is none the ID is asked for."""
    first, again = logged(library, told(), told(note="told again"))
    _, shown = round_of([again], "d")
    assert f"Double? {first}" in shown
    assert said(library, again).other == first
    (other,) = logged(
        library,
        told(symptoms=["chimes"], codes=[{"code": "U0100"}], vehicle=TOLD["vehicle"] | {"model": "Skarn"}),
    )
    round_of([other], "dd", ["", first])
    assert said(library, other).other == first


def test_what_changed_since_the_agreed_revision_is_on_the_screen(library, round_of):
    """So that nobody reads the whole case twice."""
    (case_id,) = logged(library, told())
    say(library, case_id, Said.AGREED, "ingrid")
    library.log(
        [told(id=case_id, vehicle=TOLD["vehicle"] | {"odometer": "188500 km"})],
        Authorship(Made.EDITED, "tova"),
    )
    _, shown = round_of([case_id], "l")
    assert "Changed vehicle.odometer: 188000 km, now 188500 km" in shown
    assert "the next edition holds revision 1" in shown


@pytest.mark.slow
def test_a_case_revised_while_it_is_read_is_not_agreed_to_unread(library):
    """The word is for what was on the screen; the new text is shown first."""
    (case_id,) = logged(library, told())

    def revise_and_agree():
        if library.get(case_id).revision > 1:
            return "q"
        library.log([told(id=case_id, note="more")])
        return "a"

    walk = ReviewWalk(library, Means(), "ingrid", Page(Console(file=StringIO())), revise_and_agree)
    walk.walk([case_id])
    assert said(library, case_id).said is Said.WAITS


@pytest.mark.slow
def test_back_goes_to_the_case_before_and_other_keys_are_told(library, round_of):
    """A word can be followed by another; the last one counts."""
    ids = logged(library, told(symptoms=["a"]), told(symptoms=["b"]))
    _, shown = round_of(ids, "abkxfq")
    assert said(library, ids[0]).said is Said.INSIDE
    assert "'x' is none of the keys." in shown
    assert "Done, step by step" in shown


@pytest.mark.slow
def test_what_is_gone_meanwhile_is_passed_over(library, round_of):
    """Removed by its author while the lead was at another one."""
    ids = logged(library, told(symptoms=["a"]), told(symptoms=["b"]))
    remove(library, ids[0], "tova")
    _, shown = round_of(ids, "a")
    assert "was removed" in shown
    assert said(library, ids[1]).said is Said.AGREED


@pytest.mark.slow
@pytest.mark.parametrize("height", [24, 40])
def test_a_long_case_fits_the_height_of_the_terminal(library, monkeypatch, height):
    """80 columns and 24 lines, the size of an old terminal (ECMA-48 names none; VT100 User Guide, from memory)."""
    monkeypatch.setenv("LINES", str(height))
    monkeypatch.setenv("COLUMNS", "80")
    long = "and then something else was found at the next connector " * 20
    whole = told(
        concern=long, leftover=long, note=RANG, symptoms=[long], steps=[{"did": long}] * 9, fix={"done": long},
        codes=[{"module": f"M{number}", "code": "U0121-87"} for number in range(30)],
    )  # fmt: skip
    (case_id,) = logged(library, whole)
    screen = StringIO()
    keys = iter("q")
    ReviewWalk(library, Means(), "ingrid", Page(Console(file=screen, width=80)), lambda: next(keys)).walk(
        [case_id]
    )
    shown = screen.getvalue().partition("Done:")[0].strip().splitlines()
    assert len(shown) <= height
    assert any("Private" in line for line in shown)


WEEK = 10


@pytest.mark.slow
def test_the_leads_week_takes_less_than_five_minutes(tmp_path, simulated_buses):
    """Ten cases in a real terminal, two with private text, one double, one with a photo: keys, and no second at a key.

    The machine's share is measured; a person has the rest of the five minutes to read.
    """
    with Library.create(tmp_path / "shop.db") as library:
        add_names(library, ["Ottilie Brandvoll"])
        accept_words(library, KNOWN, "ingrid")
        library.log([told(symptoms=["the first telling"])])
        say(library, library.summaries()[0]["id"], Said.AGREED, "ingrid")
        library.log(week())
        assert waiting(library, simulated_buses / "casebase" / "simulated-buses")[1] == WEEK
    terminal = pexpect.spawn(
        sys.executable,
        ["-m", "casebase", "review", "--by", "ingrid", "--library", str(tmp_path / "shop.db")],
        env=os.environ | {"TERM": "dumb", "CASEBASE_TEXT_MODEL": "/no/model"},
        encoding="utf-8",
        timeout=120,
        dimensions=(40, 100),
    )
    began, keys = time.monotonic(), 0
    while terminal.expect(["q quit", r"Done: ([^\r\n]*)"]) == 0:
        screen = terminal.before
        key = "m" if "Private" in screen else "d" if "Double?" in screen else "a"
        keys += 1
        terminal.send(key)
    done = terminal.match[1]
    terminal.expect(pexpect.EOF)
    print(f"{keys} keys, {time.monotonic() - began:.1f} s of the machine: {done}")
    assert keys == WEEK + 2
    assert done == "9 agreed, 1 merged, 2 masked."
    with Library.open(tmp_path / "shop.db") as library:
        assert len(library.read_and_agreed()) == WEEK
        assert library.faults() == []


def week():
    """Return ten records: two with private text, one that tells the first again, one that names a photo."""
    cases = [
        told(
            symptoms=[f"symptom {number}"],
            vehicle={"make": "Norrvik", "model": f"Fjellet {number}", "odometer": f"{number}1000 km"},
            codes=[{"module": "ECM", "code": f"U01{number}0-87"}],
        )
        for number in range(9)
    ]
    cases[2] = cases[2].model_copy(update={"leftover": RANG})
    cases[5] = cases[5].model_copy(update={"note": "Plate: KT 12345, ring him"})
    cases[7] = told(
        symptoms=["symptom 7"],
        vehicle={"make": "Maruvo", "model": "Solenne"},
        attachments=[{"file": "splice.jpg"}],
    )
    return [*cases, told(symptoms=["the first telling"], note="told again")]
