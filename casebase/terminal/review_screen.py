"""A case under review on one screen: what counts for agreeing to it, shortened to the height of the terminal."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence
from typing import Final

from casebase.library.review_queue import Reviewed
from casebase.publish.masking import can_be_masked
from casebase.publish.private_text import Hit
from casebase.record.case import Case, status_of
from casebase.record.problems import printable
from casebase.record.vocabulary import Kind
from casebase.record.words import (
    cause_line,
    codes_by_code,
    fix_words,
    module_line,
    network_line,
    origin_words,
    readings_in_short,
    title_of,
    verification_words,
)
from casebase.terminal.page import LABEL_WIDTH, Page
from casebase.terminal.words_walk import mark_words

_MOST_LINES: Final = 4
_MOST_DIFFERENCES: Final = 4
_MOST_HITS: Final = 6
_KEYS_AND_PROMPT: Final = 6
"""Lines below the case: the keys, and what is typed and answered."""

Entry = tuple[str, str]
"""A label and its text; a label that is empty goes on with the one before."""


def print_screen(  # noqa: PLR0913, PLR0917  what stands on it, and where
    one: Reviewed, hits: Sequence[Hit], unknown: Sequence[Hit], place: str, page: Page, height: int
) -> None:
    """Print a case under review; `place` says which of how many it is, `height` is that of the terminal in lines."""
    entries = [entry for entry in _entries(one, hits, unknown) if entry[1]]
    room = height - _KEYS_AND_PROMPT
    wide = page.width - LABEL_WIDTH - 2
    lines = next((most for most in range(_MOST_LINES, 1, -1) if _height(entries, most, wide) <= room), 1)
    page.heading(f"{place}  {title_of(one.waiting.kept.case)}")
    for label, text in entries:
        page.labelled(label, _cut(text, lines, wide))


def _height(entries: Sequence[Entry], most: int, wide: int) -> int:
    return 2 + sum(min(most, math.ceil(len(text) / wide)) for _, text in entries)


def _cut(text: str, lines: int, wide: int) -> str:
    # Words do not fill lines to the end: an eighth less than what would fit.
    most = wide * lines if lines == 1 else wide * lines * 7 // 8
    return textwrap.shorten(text, most, placeholder=" ...")


def _entries(one: Reviewed, hits: Sequence[Hit], unknown: Sequence[Hit]) -> Iterator[Entry]:
    found = one.waiting
    case = found.kept.case
    yield (
        "Case",
        f"{found.kept.case_id}, revision {found.kept.revision}, {status_of(case) or Kind.KNOWN_GOOD}",
    )
    yield "Vehicle", case.vehicle.line()
    yield "From", origin_words(case)
    if found.standing.revised_since:
        yield "Standing", found.standing.words()
    yield from _told(case)
    yield "Complete", f"{found.complete.points} of 100"
    yield "Missing", "; ".join(found.complete.missing)
    yield "Clash", "; ".join(found.complete.clashes)
    yield from _labelled_once("Changed", [change.words() for change in one.since], _MOST_DIFFERENCES)
    doubles = [
        f"{match.profile.case_id} ({same}): {match.profile.title}" for match, same in one.nearest if same
    ]
    yield from _labelled_once("Double?", doubles, len(doubles))
    yield from _labelled_once("Private", list(map(_hit_words, hits)), _MOST_HITS)
    yield from _labelled_once("Unknown", list(map(mark_words, unknown)), _MOST_HITS)


def _told(case: Case) -> Iterator[Entry]:
    yield "Concern", case.concern or ""
    yield "Symptoms", "; ".join(case.symptoms)
    yield "Networks", network_line(case)
    yield "Modules", "; ".join(module_line(module) for module in case.modules if module.answers != "yes")
    yield "Codes", "; ".join(f"{code.text} {stored}" for code, stored in codes_by_code(case))
    yield "Readings", readings_in_short(case)
    yield "Steps", "; ".join(f"{step.did} {step.found or ''}".strip() for step in case.steps)
    yield "Cause", cause_line(case.cause) if case.cause else ""
    yield "Proof", (case.cause.proof or "not proven") if case.cause else ""
    yield "Fix", fix_words(case.fix) if case.fix else ""
    yield "Verified", verification_words(case.verification) if case.verification else ""
    yield "Leftover", case.leftover or ""
    yield "Note", case.note or ""
    yield (
        "Files",
        "; ".join(f"{file.file}{' (for others)' if file.goes_out else ''}" for file in case.attachments),
    )


def _labelled_once(label: str, texts: Sequence[str], most: int) -> Iterator[Entry]:
    for place, text in enumerate(texts[:most]):
        yield "" if place else label, text
    if len(texts) > most:
        yield "", f"and {len(texts) - most} more"


def _hit_words(hit: Hit) -> str:
    """Return a find with the words around it, and what would stand there instead."""
    around = printable(hit.text[max(0, hit.begin - 20) : hit.end + 20])
    instead = hit.proposed[max(0, hit.begin - 20) : hit.begin + 40]
    if not can_be_masked(hit):
        return f"{hit.field}: {hit.kind} in '{around}': not in the record itself: attach the file again without it"
    return f"{hit.field}: {hit.kind} in '{around}'; instead: '{printable(instead)}'"
