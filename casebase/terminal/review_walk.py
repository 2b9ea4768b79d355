"""The round of the shop lead: what waits, one case after another, with one key for each word."""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import Enum, auto
from typing import Final

import click

from casebase.errors import CasebaseError
from casebase.library.matching import Means
from casebase.library.review_queue import Reviewed, reviewed
from casebase.library.reviews import Said, say
from casebase.library.store import Library
from casebase.publish.judging import unjudged_of
from casebase.publish.masking import can_be_masked, mask, say_none_is_private
from casebase.publish.private_text import Hit, hits_of
from casebase.terminal.case import attachment_lines
from casebase.terminal.lead import print_reviewed
from casebase.terminal.page import Page
from casebase.terminal.review_screen import print_screen
from casebase.terminal.words_walk import WordsWalk

_KEYS: Final = (
    ("a", "agree"),
    ("r", "return with a remark"),
    ("m", "mask what is private"),
    ("n", "nothing is private"),
    ("w", "words that no list knows"),
    ("d", "double: merge"),
    ("k", "keep inside"),
    ("l", "later"),
    ("f", "the whole case"),
    ("b", "back"),
    ("q", "quit"),
)

KeyReader = Callable[[], str]
LineReader = Callable[[str], str]


class Step(Enum):
    """What follows a key."""

    ON = auto()
    BACK = auto()
    LEAVE = auto()
    SHOW_AGAIN = auto()
    ASK_AGAIN = auto()


@dataclass
class ReviewWalk:
    """A walk through records that wait; each key is one word, kept at once. `agreed` are the IDs agreed to."""

    library: Library
    means: Means
    by: str
    page: Page
    read_key: KeyReader = click.getchar
    read_line: LineReader = input
    agreed: list[str] = field(default_factory=list)
    done: Counter[str] = field(default_factory=Counter)

    def walk(self, case_ids: Sequence[str]) -> None:
        """Show one case after the other until all had their word or the lead leaves."""
        place = 0
        while place < len(case_ids):
            step = self._step(case_ids[place], f"{place + 1} of {len(case_ids)}")
            if step is Step.LEAVE:
                break
            place = max(0, place - 1) if step is Step.BACK else place + 1
        told = ", ".join(f"{count} {what}" for what, count in self.done.items()) or "nothing was said"
        self.page.line()
        self.page.line(f"Done: {told}.")

    def _step(self, case_id: str, place: str) -> Step:
        try:
            return self._one(case_id, place)
        except (EOFError, KeyboardInterrupt):
            return Step.LEAVE
        except CasebaseError as error:  # such as one that was removed meanwhile
            self.page.line(str(error))
            return Step.ON

    def _one(self, case_id: str, place: str) -> Step:
        """Show one case until it has its word."""
        step = Step.SHOW_AGAIN
        while step is Step.SHOW_AGAIN:
            one = reviewed(self.library, self.library.get_there(case_id), self.means)
            hits = hits_of(self.library, [one.waiting.kept])
            unknown = unjudged_of(self.library, [one.waiting.kept])
            print_screen(one, hits, unknown, place, self.page, shutil.get_terminal_size().lines)
            step = Step.ASK_AGAIN
            while step is Step.ASK_AGAIN:
                self.page.line("  ".join(f"{key} {told}" for key, told in _KEYS))
                step = self._obey(self.read_key().casefold(), one, hits)
        return step

    def _obey(self, key: str, one: Reviewed, hits: Sequence[Hit]) -> Step:
        plain = {"l": Step.ON, "b": Step.BACK, "q": Step.LEAVE, "\x03": Step.LEAVE, "\x04": Step.LEAVE}
        if key in plain:
            return plain[key]
        obeyed = {
            "a": self._agree,
            "r": self._return,
            "m": self._mask,
            "n": self._none_private,
            "w": self._words,
            "d": self._merge,
            "k": self._keep_inside,
            "f": self._whole,
        }.get(key)
        if obeyed is None:
            return self._ask_again(f"'{key if key.isprintable() else '?'}' is none of the keys.")
        try:
            return obeyed(one, hits)
        except CasebaseError as error:
            self.page.line(str(error))
            return Step.SHOW_AGAIN

    def _agree(self, one: Reviewed, hits: Sequence[Hit]) -> Step:
        if hits:
            return self._ask_again(
                "Something in it looks private: m puts the proposed text there, n says that it is none."
            )
        if unjudged_of(self.library, [one.waiting.kept]):
            return self._ask_again("Words in it are known to no list: w goes through them.")
        step = self._say(one, Said.AGREED)
        self.agreed.append(one.waiting.kept.case_id)
        return step

    def _return(self, one: Reviewed, _: Sequence[Hit]) -> Step:
        remark = self.read_line("What is to be done: ").strip()
        if not remark:
            return self._ask_again("Not returned: a remark says what is to be done.")
        return self._say(one, Said.RETURNED, remark)

    def _keep_inside(self, one: Reviewed, _: Sequence[Hit]) -> Step:
        return self._say(one, Said.INSIDE)

    def _merge(self, one: Reviewed, _: Sequence[Hit]) -> Step:
        doubles = [match.profile.case_id for match, same in one.nearest if same]
        if len(doubles) == 1:
            return self._say(one, Said.MERGED, None, doubles[0])
        told = f" [{doubles[0]}]" if doubles else ""
        other = self.read_line(f"Merge into which case{told}: ").strip() or next(iter(doubles), "")
        if not other:
            return self._ask_again("Not merged: name the case that tells the same job.")
        return self._say(one, Said.MERGED, None, other)

    def _mask(self, one: Reviewed, hits: Sequence[Hit]) -> Step:
        if not any(map(can_be_masked, hits)):
            return self._ask_again("Nothing in the record itself is to be masked.")
        mask(self.library, one.waiting.kept, hits, self.by)
        self.done["masked"] += 1
        return Step.SHOW_AGAIN

    def _none_private(self, _: Reviewed, hits: Sequence[Hit]) -> Step:
        if not hits:
            return self._ask_again("Nothing in it looks private.")
        say_none_is_private(self.library, hits)
        return Step.SHOW_AGAIN

    def _words(self, one: Reviewed, _: Sequence[Hit]) -> Step:
        kept = one.waiting.kept
        walk = WordsWalk(self.library, self.by, self.page, self.read_key, self.read_line, self.done)
        walk.through(kept)
        returned = reviewed(self.library, self.library.get_there(kept.case_id), self.means).waiting.standing
        return Step.ON if returned.said is Said.RETURNED else Step.SHOW_AGAIN

    def _whole(self, one: Reviewed, _: Sequence[Hit]) -> Step:
        print_reviewed(one, self.page, attachment_lines(self.library, one.waiting.kept.case))
        return Step.ASK_AGAIN

    def _say(self, one: Reviewed, said: Said, remark: str | None = None, other: str | None = None) -> Step:
        kept = one.waiting.kept
        standing = say(self.library, kept.case_id, said, self.by, remark, other, kept.revision)
        self.page.line(f"{kept.case_id}: {standing.words()}")
        self.done[str(said)] += 1
        return Step.ON

    def _ask_again(self, told: str) -> Step:
        self.page.line(told)
        return Step.ASK_AGAIN
