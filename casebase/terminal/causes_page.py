"""Likely causes on the screen: how probable, from which cases, what would settle it, which codes can wait."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from casebase.match.causes import SOMETHING_ELSE_WORDS, CaseBehind, LikelyCause
from casebase.match.local_codes import CodeSetApart
from casebase.match.looks import is_sound_cause
from casebase.match.settling import SettlingTest
from casebase.terminal.page import Page

MOST_CASES_SHOWN: Final = 3
MOST_TOLD: Final = 3
LARGE_REMAINDER: Final = 0.5

_WORDS: Final = (
    (0.9, "very likely"),
    (0.7, "likely"),
    (0.4, "about even"),
    (0.15, "possible"),
    (0.0, "less likely"),
)
"""The lowest probability of each word (judged)."""


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
        page.bullets("cases", _cases(cause), 5)
        page.labelled("readings", _said_by_readings(cause), 5)
    for rest in causes:
        if rest.is_something_else:
            page.line(_remainder(rest.probability, len(causes) > 1), 2)


def print_settling_tests(causes: Sequence[LikelyCause], tests: Sequence[SettlingTest], page: Page) -> None:
    """Print what tells the first causes apart."""
    page.heading("What would settle it, best first")
    if not tests:
        page.line(_no_test(causes), 2)
    for place, test in enumerate(tests, start=1):
        page.line(f"{place}. {test.words}", 2, 5)
        page.labelled("needs", _needs(test), 5)
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


def in_words(probability: float) -> str:
    """Return a probability in words and per cent; the ends of the scale are never reached.

    >>> in_words(0.62), in_words(0.998)
    ('about even, 62 %', 'very likely, over 99 %')
    """
    words = next(words for lowest, words in _WORDS if probability >= lowest)
    return f"{words}, {_per_cent(probability)}"


def _per_cent(probability: float) -> str:
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else f"{100 * probability:.0f} %"


def _cases(cause: LikelyCause) -> list[str]:
    if not cause.cases:
        return ["none had it: the readings alone say so"]
    more = len(cause.cases) - MOST_CASES_SHOWN
    told = [_case(behind) for behind in cause.cases[:MOST_CASES_SHOWN]]
    return [*told, f"and {more} more"] if more > 0 else told


def _case(behind: CaseBehind) -> str:
    verified = "verified" if behind.verified else "not verified"
    there = f"; there in {behind.module}" if behind.module else ""
    return f"{behind.case_id} (likeness {behind.score:.2f}, {verified}{there})"


def _said_by_readings(cause: LikelyCause) -> str:
    if cause.from_readings is None:
        return ""
    if is_sound_cause(cause.fault):
        return f"the wires look as they do with this cause: {_per_cent(cause.from_readings)}"
    return f"alone they give this state: {_per_cent(cause.from_readings)}"


def _remainder(probability: float, others: bool) -> str:
    if not others:
        return "No cause stands out: no case is alike enough, and no reading names a fault of the wires."
    said = f"{SOMETHING_ELSE_WORDS.capitalize()}: {_per_cent(probability)}."
    return f"{said} Keep looking beyond this list." if probability >= LARGE_REMAINDER else said


def _no_test(causes: Sequence[LikelyCause]) -> str:
    if len(causes) > 1:
        return (
            "No further reading is expected to tell these apart. Prove the first one before any part is ordered: take"
            " the fault away, see the network come back, and see it fail again."
        )
    return "No reading is known that would tell more: take those that are missing, beginning at the DLC."


def _needs(test: SettlingTest) -> str:
    minutes = f"about {test.minutes:.0f} min{' each' if test.in_turn else ''}" if test.minutes else ""
    return "; ".join(part for part in (test.needs, minutes) if part)
