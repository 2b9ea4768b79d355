"""Likely causes and the tests that tell them apart, in words: the same on every screen."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from casebase.match.answer.answer import SOMETHING_ELSE_WORDS, CaseBehind, DecidingTest, LikelyCause
from casebase.match.facets.network import is_sound_cause, state_of

MOST_CASES_SHOWN: Final = 3


LARGE_REMAINDER: Final = 0.5


_WORDS: Final = (
    (0.9, "very likely"),
    (0.7, "likely"),
    (0.4, "about even"),
    (0.15, "possible"),
    (0.0, "less likely"),
)
"""The lowest probability of each word (judged)."""


def in_words(probability: float) -> str:
    """Return a probability in words and per cent; the ends of the scale are never reached.

    >>> in_words(0.62), in_words(0.998)
    ('about even, 62 %', 'very likely, over 99 %')
    """
    return f"{chance_word(probability)}, {_per_cent(probability)}"


def chance_word(probability: float) -> str:
    """Return a probability in a word: `very likely`, `possible`."""
    return next(words for lowest, words in _WORDS if probability >= lowest)


def _per_cent(probability: float) -> str:
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else f"{100 * probability:.0f} %"


def cases_behind_words(cause: LikelyCause) -> list[str]:
    """Return the cases behind a cause, each in a few words."""
    if not cause.cases:
        of_the_wires = state_of(cause.fault) is not None and not is_sound_cause(cause.fault)
        told_by = "the readings alone" if of_the_wires else "the job's own codes, lamps and feeds"
        return [f"none; it follows from {told_by}"]
    more = len(cause.cases) - MOST_CASES_SHOWN
    told = [_case(behind) for behind in cause.cases[:MOST_CASES_SHOWN]]
    return [*told, f"and {more} more"] if more > 0 else told


def _case(behind: CaseBehind) -> str:
    verified = "verified" if behind.verified else "not verified"
    there = f"; there in {behind.module}" if behind.module else ""
    return f"{behind.case_id} (likeness {behind.score:.2f}, {verified}{there})"


def said_by_readings(cause: LikelyCause) -> str:
    """Return what the job's readings alone say of a cause; empty where they say nothing."""
    if cause.from_readings is None:
        return ""
    if is_sound_cause(cause.fault):
        return f"the wires look as they do with this cause: {_per_cent(cause.from_readings)}"
    return f"the readings alone: {_per_cent(cause.from_readings)}"


def remainder_words(probability: float, others: bool) -> str:
    """Return what is said of the share that no cause has; `others` tells whether any cause is listed."""
    if not others:
        return "No cause stands out: no case is alike enough, and no reading names a fault of the wires."
    said = f"{SOMETHING_ELSE_WORDS.capitalize()}: {_per_cent(probability)}."
    return f"{said} Keep looking beyond this list." if probability >= LARGE_REMAINDER else said


def no_test_words(causes: Sequence[LikelyCause]) -> str:
    """Return what is said where no test would tell more."""
    if len(causes) > 1:
        return (
            "No further reading is expected to tell these apart. Prove the first one before any part is ordered: take"
            " the fault away, see the network come back, and see it fail again."
        )
    return "No reading is known that would tell more: take those that are missing, beginning at the DLC."


def needs_words(test: DecidingTest) -> str:
    """Return what a test needs, and how long it takes."""
    minutes = f"about {test.minutes:.0f} min{' each' if test.in_turn else ''}" if test.minutes else ""
    return "; ".join(part for part in (test.needs, minutes) if part)


def normal_words(nothing_amiss: bool) -> str:
    """Return what it means that all readings agree with a healthy vehicle; `nothing_amiss`: nor is anything else."""
    alike = "All readings compared agree with a healthy vehicle of the same platform: "
    if nothing_amiss:
        return (
            f"{alike}what looks like a fault may be how this network is built, and nothing may be wrong here. Ask again"
            " what the customer saw, before anything is replaced."
        )
    return f"{alike}they are normal here. Look where nothing was read yet, before anything is replaced."
