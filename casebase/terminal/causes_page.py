"""Likely causes on the screen: how probable, from which cases, what would settle it, which codes can wait."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from casebase.match.causes import LikelyCause
from casebase.match.causes_words import (
    cases_behind_words,
    in_words,
    needs_words,
    no_test_words,
    remainder_words,
    said_by_readings,
)
from casebase.match.local_codes import CodeSetApart
from casebase.match.settling import SettlingTest
from casebase.terminal.page import Page

MOST_TOLD: Final = 3


def print_causes(
    causes: Sequence[LikelyCause],
    tests: Sequence[SettlingTest],
    set_apart: Sequence[CodeSetApart],
    page: Page,
    note: str | None = None,
) -> None:
    """Print the likely causes, the tests that settle it, and the codes set apart; `note` is what `codes_note` says."""
    print_likely_causes(causes, page)
    print_settling_tests(causes, tests, page)
    print_codes_set_apart(set_apart, page, note)


def print_likely_causes(causes: Sequence[LikelyCause], page: Page) -> None:
    """Print each cause with its probability and what speaks for it, and the remainder."""
    page.heading("Likely causes, from these cases and the readings here")
    for place, cause in enumerate((one for one in causes if not one.is_something_else), start=1):
        page.line(f"{place}. {cause.words}", 2, 5)
        page.labelled("chance", in_words(cause.probability), 5)
        page.labelled("place", cause.place or "", 5)
        page.bullets("cases", cases_behind_words(cause), 5)
        page.labelled("readings", said_by_readings(cause), 5)
    for rest in causes:
        if rest.is_something_else:
            page.line(remainder_words(rest.probability, len(causes) > 1), 2)


def print_settling_tests(causes: Sequence[LikelyCause], tests: Sequence[SettlingTest], page: Page) -> None:
    """Print what tells the first causes apart."""
    page.heading("What would settle it, best first")
    if not tests:
        page.line(no_test_words(causes), 2)
    for place, test in enumerate(tests, start=1):
        page.line(f"{place}. {test.words}", 2, 5)
        page.labelled("needs", needs_words(test), 5)
        page.bullets("tells", test.tells[:MOST_TOLD], 5)
        page.labelled("source", test.source, 5)
        page.bullets("mind", test.cautions, 5)


def print_codes_set_apart(set_apart: Sequence[CodeSetApart], page: Page, note: str | None = None) -> None:
    """Print the codes that can wait, with the reason; nothing where there is nothing to say."""
    if not set_apart and not note:
        return
    page.heading("Codes set apart, not dismissed: do not chase these first")
    if note:
        page.line(note, 2)
    for code in set_apart:
        page.line(f"{code.code} in {code.stored_in}", 2, 5)
        page.labelled("because", code.reason, 5)
        page.bullets("mind", code.cautions, 5)
