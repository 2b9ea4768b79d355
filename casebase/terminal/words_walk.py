"""Going through what no list knows in what may leave the shop: each word in its sentence, one key for each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import click

from casebase.library.derived import StoredRecord
from casebase.library.reviews import Said, say
from casebase.library.store import Library
from casebase.publish.judging import accept, in_its_sentence, unjudged_of
from casebase.publish.masking import can_be_masked, mask
from casebase.publish.private_text import Hit, together
from casebase.record.problems import printable
from casebase.record.words import title_of
from casebase.terminal.page import Page

KEYS: Final = (
    ("a", "harmless: accept it"),
    ("e", "every one shown of this case is harmless"),
    ("m", "mask it"),
    ("r", "return the case with a remark"),
    ("l", "later"),
    ("q", "quit"),
)


@dataclass
class WordsWalk:
    """A walk through marks of records; what is accepted is kept at once, what is masked at the end of its case."""

    library: Library
    by: str
    page: Page
    read_key: Callable[[], str] = click.getchar
    read_line: Callable[[str], str] = input
    done: Counter[str] = field(default_factory=Counter)

    def walk(self, records: Sequence[StoredRecord]) -> None:
        """Go through one case after the other until all are judged or the lead leaves."""
        for kept in records:
            try:
                if not self.through(kept):
                    break
            except (EOFError, KeyboardInterrupt):
                break
        told = ", ".join(f"{count} {what}" for what, count in self.done.items()) or "nothing was judged"
        self.page.line()
        self.page.line(f"Done: {told}.")

    def through(self, kept: StoredRecord) -> bool:
        """Show every mark of a case, then take a word on each; return whether the lead goes on."""
        marks = unjudged_of(self.library, [kept])
        if not marks:
            return True
        self.page.heading(f"{kept.case_id}  {title_of(kept.case)}")
        for hit in marks:
            self.page.line(mark_words(hit), 2, 4)
        self.page.line("  ".join(f"{key} {told}" for key, told in KEYS))
        to_mask = list[Hit]()
        while marks and (key := self._key_for(marks[0])) in ("a", "e", "m", "l"):
            judged = marks if key == "e" else marks[:1]
            if key in ("a", "e"):
                accept(self.library, judged, self.by)
                self.done["accepted"] += len(judged)
                marks = self._left(kept, marks[len(judged) :])
            else:
                to_mask += judged if key == "m" else []
                marks = marks[1:]
        self._mask(kept, to_mask)
        return self._return(kept) if marks and key == "r" else not marks

    def _left(self, kept: StoredRecord, marks: Sequence[Hit]) -> list[Hit]:
        """Return of the marks those that are still none that was judged: one word may stand several times."""
        there = set(unjudged_of(self.library, [kept]))
        return [hit for hit in marks if hit in there]

    def _key_for(self, hit: Hit) -> str:
        """Ask about one mark until one of the keys is given that can be followed."""
        self.page.line(f"{mark_words(hit)} ?", 2, 4)
        while True:
            key = self.read_key().casefold()
            if key in ("\x03", "\x04"):
                return "q"
            if key == "m" and not can_be_masked(hit):
                self.page.line(
                    "It stands in an attached file: attach the file again without it, or keep the file inside."
                )
            elif key in dict(KEYS):
                return key
            else:
                self.page.line("  ".join(f"{key} {told}" for key, told in KEYS))

    def _mask(self, kept: StoredRecord, hits: Sequence[Hit]) -> None:
        if hits:
            done = mask(self.library, kept, together(hits), self.by)
            self.done["masked"] += len(hits)
            self.page.line(f"Masked: {done.case_id} has a new revision: casebase review {done.case_id}")

    def _return(self, kept: StoredRecord) -> bool:
        if remark := self.read_line("What is to be done: ").strip():
            say(self.library, kept.case_id, Said.RETURNED, self.by, remark)
            self.done["returned"] += 1
        return True


def mark_words(hit: Hit) -> str:
    """Return a mark in its sentence, with its place and why it is shown."""
    return f"{hit.field}: {printable(in_its_sentence(hit))}  ({hit.kind})"
