"""The likely causes on a screen of eighty columns: probability, cases, tests with cautions, codes that can wait."""

import io

import pytest
from rich.console import Console

from casebase.match.answer.answer import (
    SOMETHING_ELSE,
    SOMETHING_ELSE_WORDS,
    CaseBehind,
    DecidingTest,
    LikelyCause,
)
from casebase.match.answer.words import in_words
from casebase.record.stored_codes import LOCAL_ONLY, CodeSetApart
from casebase.terminal.answer import print_codes_set_apart, print_deciding_tests, print_likely_causes
from casebase.terminal.page import Page

SUPPLY = LikelyCause(
    "module_supply_or_ground",
    "supply or ground of the module lost: anti-lock brakes (ABS)",
    "connector",
    "anti-lock brakes (ABS)",
    0.62,
    [CaseBehind("8k2m4n6p", 0.91, True, 0.5), CaseBehind("9a7c5e3g", 0.64, False, 0.12, "tailgate module")],
    0.91,
)
OPEN = LikelyCause("low_open", "CAN low open", None, None, 0.17, [], 0.4)
TEST = DecidingTest(
    "volts of each line to ground at the DLC, one module unplugged at a time: EPS, then ABS",
    "computed",
    ["in which of these modules it lies"],
    "ignition on, battery connected",
    9.0,
    0.6,
    ["Ignition off before anything is unplugged; the maker's procedure comes first."],
    in_turn=True,
)
STEP = DecidingTest(
    "What settled it there: ground point opened", "from cases 8k2m4n6p", ["it was the ground"]
)
CODE = CodeSetApart("B0001-1B", "SRS", "speaks of one circuit, not of the network", ("Never an ohmmeter.",))


def rest(probability):
    """Return the remainder."""
    return LikelyCause(SOMETHING_ELSE, SOMETHING_ELSE_WORDS, None, None, probability, [], None)


@pytest.fixture
def shown():
    """Return what is printed on 80 columns."""

    def text(causes, tests, set_apart, note=None):
        screen = io.StringIO()
        page = Page(Console(file=screen, width=80, highlight=False))
        print_likely_causes(causes, page)
        print_deciding_tests(causes, tests, page)
        print_codes_set_apart(set_apart, page, note)
        return screen.getvalue()

    return text


def test_a_cause_is_shown_with_its_chance_and_its_cases(shown):
    """Words and per cent, each case with likeness and whether it was verified, and in which module it was there."""
    text = shown([SUPPLY, OPEN, rest(0.21)], [], [])
    assert "1. supply or ground of the module lost: anti-lock brakes (ABS)" in text
    assert "about even, 62 %" in text
    assert "8k2m4n6p (likeness 0.91, verified)" in text
    assert "9a7c5e3g (likeness 0.64, not verified; there in tailgate module)" in text
    assert "the wires look as they do with this cause: 91 %" in text


def test_a_cause_that_no_case_had_says_so(shown):
    """Only the readings speak for it, and with how much."""
    text = shown([SUPPLY, OPEN, rest(0.21)], [], [])
    assert "none; it follows from the readings alone" in text
    assert "the readings alone: 40 %" in text


def test_the_remainder_is_always_told(shown):
    """What none of the cases had keeps its place; where it is large, nobody is to stop at the list."""
    assert "Something that none of these cases had: 21 %." in shown([SUPPLY, OPEN, rest(0.21)], [], [])
    assert "Keep looking beyond this list." in shown([OPEN, rest(0.83)], [], [])
    assert "No cause stands out" in shown([rest(1.0)], [], [])


def test_a_test_is_shown_with_minutes_and_cautions(shown):
    """What it needs, how long, what it tells, who says so, what to mind; a step of a past case names it."""
    text = shown([SUPPLY, rest(0.38)], [TEST, STEP], [])
    assert "needs     ignition on, battery connected; about 9 min each" in text
    assert "source    computed" in text
    assert "mind      Ignition off before anything is unplugged" in text
    assert "2. What settled it there: ground point opened" in text
    assert "source    from cases 8k2m4n6p" in text


def test_without_a_test_the_first_cause_is_to_be_proven(shown):
    """When nothing more tells them apart, the proof is to see the fault go and come back before parts are ordered."""
    text = " ".join(shown([SUPPLY, rest(0.38)], [], []).split())
    assert "Prove the first one before any part is ordered" in text
    assert "beginning at the DLC" in shown([rest(1.0)], [], [])


def test_codes_set_apart_are_not_dismissed(shown):
    """Each with its module, the reason and what to mind; without any, the note alone or nothing."""
    text = shown([rest(1.0)], [], [CODE])
    assert "Codes set apart, not dismissed" in text
    assert "B0001-1B in SRS" in text
    assert "because   speaks of one circuit" in text
    assert "mind      Never an ohmmeter." in text
    assert "No code stored speaks of the network" in shown([rest(1.0)], [], [], LOCAL_ONLY)
    assert "set apart" not in shown([rest(1.0)], [], [])


def test_it_fits_eighty_columns(shown):
    """No line runs beyond the screen."""
    text = shown([SUPPLY, OPEN, rest(0.21)], [TEST, STEP], [CODE], LOCAL_ONLY)
    assert max(map(len, text.splitlines())) <= 80


def test_certainty_is_never_claimed():
    """Beyond 99 in a hundred, and below 1, no figure is believed."""
    assert in_words(0.9999) == "very likely, over 99 %"
    assert in_words(0.0001) == "less likely, under 1 %"
    assert in_words(0.3) == "possible, 30 %"
