"""What was understood of a message, shown before the answer: each piece with its phrase; questions; cases by words."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from casebase.intake.plain_words.as_record import Question, shown_items
from casebase.intake.plain_words.message import Understood
from casebase.record.problems import printable
from casebase.terminal.page import Page

_LONGEST_PHRASE: Final = 60
_LONGEST_STORY: Final = 300


def print_understood(understood: Understood, page: Page) -> None:
    """Print what was understood, each piece with the words it came from, and what was left as story."""
    page.heading("Understood")
    before = ""
    for label, words, phrase, taken in shown_items(understood):
        told = f' <- "{_cut(phrase, _LONGEST_PHRASE)}"' if phrase.casefold() != words.casefold() else ""
        usual = f" ({taken})" if taken else ""
        page.labelled("" if label == before else label, f"{words}{told}{usual}")
        before = label
    if understood.story:
        page.labelled("Story", _cut(understood.story, _LONGEST_STORY))
    if understood.is_cut:
        page.labelled("Too long", "not all of it was read: ask with the part that belongs to this job")


def print_questions(questions: Iterable[Question], page: Page) -> None:
    """Print what the answer depends on and nobody said."""
    for one in questions:
        page.labelled("Say too", f"{one.question} ({' or '.join(one.choices)})")


def print_found(rows: list[dict[str, Any]], by_words: int, text: str, page: Page) -> None:
    """Print the cases that words alone found: the first `by_words` hold them, the others mean much the same."""
    page.line("No reading, code, lamp or silent module here: the cases were searched for these words.")
    if not rows:
        page.line(f"No case holds '{_cut(text, _LONGEST_PHRASE)}', and none means much the same.")
    for place, row in enumerate(rows):
        if place in (0, by_words):
            page.heading(
                "Cases that hold these words" if place < by_words else "Cases that mean much the same"
            )
        vehicle = " ".join(str(row[key]) for key in ("make", "model", "model_year") if row[key])
        page.line(f"{row['id']}  {row['title']} - {vehicle}", 0, 10)


def _cut(text: str, longest: int) -> str:
    shown = printable(" ".join(text.split()))
    return shown if len(shown) <= longest else f"{shown[: longest - 3]}..."
