"""What is said first of an answer, on one screen: 25 lines of 80 columns, cautions and the next test never cut."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Final, NamedTuple

from casebase.match.answer.answer import Answer
from casebase.match.answer.glance import NOTHING_YET, CauseInShort, Glance, glance_at
from casebase.match.answer.words import needs_words
from casebase.record.cautions import BRAKES_OR_STEERING
from casebase.terminal.page import Page

MOST_LINES: Final = 25
_BAR: Final = 8
_BESIDE: Final = " " * 11
_LEAST_ROOM: Final = 24


class _Detail(NamedTuple):
    """How much is shown of what may be shortened: causes, of how many the evidence, near cases, lines of blame."""

    causes: int
    evidence: int
    cases: int
    blames: int


_DETAILS: Final = (
    _Detail(3, 3, 3, 2),
    _Detail(3, 3, 3, 1),
    _Detail(3, 3, 2, 1),
    _Detail(3, 2, 2, 1),
    _Detail(3, 1, 2, 1),
    _Detail(3, 1, 1, 1),
    _Detail(2, 1, 1, 1),
    _Detail(2, 1, 1, 0),
    _Detail(1, 1, 1, 0),
)
"""From all there is to the least; the first that fits is shown."""


def print_glance(answer: Answer, page: Page, again: str, way: str | None = None) -> None:
    """Print what is said first of an answer; `again` is the command that prints all of it, `way` leads to a layout."""
    glance, width = glance_at(answer), page.width
    last = [
        *(caution for caution in answer.cautions if caution == BRAKES_OR_STEERING),
        *([way] if way else []),
    ]
    every = (list(_lines(glance, width, detail, again, last)) for detail in _DETAILS)
    lines = next((shown for shown in every if len(shown) <= MOST_LINES), None)
    page.as_they_are(lines or list(_lines(glance, width, _DETAILS[-1], again, last)))


def _lines(glance: Glance, width: int, detail: _Detail, again: str, last: list[str]) -> Iterator[str]:
    yield from _wrapped(glance.verdict, width)
    yield ""
    yield from _next_test(glance, width)
    yield ""
    yield "Likely causes" if glance.causes else "No cause stands out yet"
    for place, cause in enumerate(glance.causes[: detail.causes]):
        yield from _cause(cause, width, with_evidence=place < detail.evidence)
    yield _barred(glance.something_else, glance.something_else_chance, "none of these", width)
    yield from (_one_line(f"Also {words}", width) for words in glance.beside[:1])
    if glance.silent:
        yield _one_line(f"Silent: {', '.join(glance.silent)}", width)
    yield from (_one_line(f"Blamed: {words}", width) for words in glance.blames[: detail.blames])
    if glance.nearest:
        yield "Cases like this one"
    for case in glance.nearest[: detail.cases]:
        told = "; ".join(filter(None, (f"{case.vehicle}: {case.was}", case.proof)))
        yield _one_line(f"  {case.case_id}  {told}", width)
    yield from _wrapped(f"Normal here? {glance.normal}", width, "  ")
    for text in last:
        yield from _wrapped(text, width)
    yield f"All of it: {again}" if len(again) < width - 11 else "All of it: the same command with --full"


def _next_test(glance: Glance, width: int) -> Iterator[str]:
    """Yield the next test with what it needs, what its outcomes mean and what can hurt, nothing of it cut."""
    test = glance.next_test
    if test is None:
        yield from _wrapped(glance.no_test or "", width)
        return
    yield from _wrapped(f"Do this next: {test.words}", width, "  ")
    for label, texts in (
        ("needs", [needs_words(test)]),
        ("then", glance.outcomes),
        ("mind", glance.cautions),
    ):
        for place, text in enumerate(texts):
            yield from _wrapped(f"  {'' if place else label:<6}{text}", width, " " * 10)


def _cause(cause: CauseInShort, width: int, *, with_evidence: bool) -> Iterator[str]:
    yield _barred(cause.probability, cause.chance, cause.words, width)
    if with_evidence:
        against = f"; against: {cause.speaks_against}" if cause.speaks_against != NOTHING_YET else ""
        room = width - len(_BESIDE) - len(against)
        yield _one_line(
            f"{_BESIDE}{_one_line(f'for: {cause.speaks_for}', max(room, _LEAST_ROOM))}{against}", width
        )


def _barred(probability: float, chance: str, words: str, width: int) -> str:
    bar = "\u2588" * max(round(probability * _BAR), 1)
    return _one_line(f"  {bar:<{_BAR}} {chance:<12} {words}", width)


def _one_line(text: str, width: int) -> str:
    return text if len(text) <= width else f"{text[: width - 3].rstrip()}..."


def _wrapped(text: str, width: int, further: str = "") -> list[str]:
    return textwrap.wrap(text, width, subsequent_indent=further, break_on_hyphens=False)
