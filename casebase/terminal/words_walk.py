"""Going through what no list knows in what may leave the shop: each word in its sentence, one key for each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Final

import click

from casebase.errors import CasebaseError
from casebase.library.derived import StoredRecord
from casebase.library.layouts import StoredLayout
from casebase.library.reviews import Said, say
from casebase.library.store import Library
from casebase.publish.judging import accept, in_its_sentence, once_each, unjudged_of
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

    def walk(self, records: Sequence[StoredRecord], layouts: Sequence[StoredLayout] = ()) -> None:
        """Go through one case after the other, then the layouts, until all are judged or the lead leaves."""
        steps = [
            *(partial(self.through, kept) for kept in records),
            *(partial(self._through_layout, layout) for layout in layouts),
        ]
        for step in steps:
            try:
                if not step():
                    break
            except (EOFError, KeyboardInterrupt):
                break
            except CasebaseError as error:  # such as one that was revised meanwhile
                self.page.line(str(error))
        told = ", ".join(f"{count} {what}" for what, count in self.done.items()) or "nothing was judged"
        self.page.line()
        self.page.line(f"Done: {told}.")

    def through(self, kept: StoredRecord) -> bool:
        """Show every mark of a case, then take a word on each; return whether the lead goes on."""
        key, masked = self._judge(
            lambda: unjudged_of(self.library, [kept]), f"{kept.case_id}  {title_of(kept.case)}"
        )
        self._mask(kept, masked)
        return self._return(kept) if key == "r" else key != "q"

    def _through_layout(self, layout: StoredLayout) -> bool:
        key, masked = self._judge(
            lambda: unjudged_of(self.library, [], [layout]),
            f"layout {layout.layout_id}  {layout.layout.title}",
        )
        if masked or key == "r":
            self.page.line(f"A layout is put right in its file: casebase layout {layout.layout_id}")
        return key != "q"

    def _judge(self, look: Callable[[], list[Hit]], title: str) -> tuple[str, list[Hit]]:
        """Show all marks, then take a word on each; return the last key, and what is to be masked."""
        marks, key, to_mask = once_each(look()), "", list[Hit]()
        if not marks:
            return key, to_mask
        self.page.heading(title)
        for hit in marks:
            self.page.line(mark_words(hit), 2, 4)
        self.page.line("  ".join(f"{key} {told}" for key, told in KEYS))
        while marks and (key := self._key_for(marks[0])) in ("a", "e", "m", "l"):
            if key in ("a", "e"):
                judged = marks if key == "e" else marks[:1]
                accept(self.library, judged, self.by)
                self.done["accepted"] += len(judged)
                there = set(look())
                marks = [hit for hit in marks[len(judged) :] if hit in there]
            else:
                to_mask += marks[:1] if key == "m" else []
                marks = marks[1:]
        return key, to_mask

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
