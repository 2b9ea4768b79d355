"""The round of the shop lead: what waits, one case after another, with one key for each word."""

from __future__ import annotations

import math
import shutil
import textwrap
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
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
from casebase.terminal.case import attachment_lines
from casebase.terminal.lead import print_reviewed
from casebase.terminal.page import LABEL_WIDTH, Page
from casebase.terminal.words_walk import WordsWalk, mark_words

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
