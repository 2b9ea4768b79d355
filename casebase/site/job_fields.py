"""Fields of the stuck-job form read one by one: what fits is handed on, what does not becomes a problem."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any, Final

from casebase.errors import InputError
from casebase.intake.answers import check_field
from casebase.site.job_given import FieldProblem, Given, clean_text

MOST_OF_A_LIST: Final = 100
"""Modules, lamps or conditions in one field: more than any vehicle has."""

MOST_PROBLEMS: Final = 50
"""Nobody mends more at once."""

_HIDDEN: Final = (
    "held characters that cannot be seen (control characters or direction marks): they were left out; "
    "look whether the rest is right"
)
_NAME: Final = re.compile(r'\s*(?:"([^"\n]*)"|([^,;\n]+))')
_NEEDS_QUOTES: Final = re.compile(r"[,;\"]")


class FieldReader:
    """Reads the fields of what was given, and keeps what was wrong with them."""

    def __init__(self, given: Given) -> None:
        self.given = given
        self.problems: list[FieldProblem] = []
        self.refused = 0
        self._hiding: set[str] = set()

    def refuse(self, field: str, typed: str, expected: str) -> None:
        """Keep the problem of a text that cannot be used."""
        self.refused += 1
        self.remark(field, typed, expected)

    def remark(self, field: str, typed: str, expected: str) -> None:
        """Keep the problem of a text that can be used in part."""
        self.problems.append(FieldProblem(field, typed, expected))

    def text(self, field: str) -> str:
        """Return the whole text of a field, cleaned; empty where there is none."""
        return self._cleaned(field, "\n".join(self.given.typed(field))).strip()

    def one(self, field: str, path: str, beside: Mapping[str, Any] | None = None) -> str | None:
        """Return the text of a field that holds one, checked as the record's `path`; None where it does not fit."""
        typed = self.given.typed(field)
        if len(set(typed)) > 1:
            self.remark(field, typed[1], "given twice: the first is used; leave one of them empty")
        text = self._cleaned(field, typed[0]).strip() if typed else ""
        return text if text and self.fits(field, text, path, beside) else None

    def names(self, field: str, path: str) -> list[str]:
        """Return the names in a field, parted by commas or lines, each once and checked as the record's `path`."""
        return self.checked(field, names_in(self.text(field)), path)

    def checked(self, field: str, texts: Iterable[str], path: str) -> list[str]:
        """Return those of `texts` that can stand as the record's `path`, as many as a list may hold."""
        once = list(dict.fromkeys(texts))
        if len(once) > MOST_OF_A_LIST:
            expected = (
                f"{len(once):,} entries: the first {MOST_OF_A_LIST} are used; leave out what does not belong"
            )
            self.remark(field, once[MOST_OF_A_LIST], expected)
        return [text for text in once[:MOST_OF_A_LIST] if self.fits(field, text, path)]

    def fits(self, field: str, text: str, path: str, beside: Mapping[str, Any] | None = None) -> bool:
        """Return whether `text` can stand as the record's `path`; keep the problem where it cannot."""
        try:
            check_field(path, text, beside)
        except InputError as error:
            self.refuse(field, text, str(error))
            return False
        return True

    def told(self) -> list[FieldProblem]:
        """Return the problems, no more than somebody can mend."""
        more = len(self.problems) - MOST_PROBLEMS
        rest = FieldProblem("the form", "", f"{more} problems more: mend those named so far, then try again")
        return [*self.problems[:MOST_PROBLEMS], rest] if more > 0 else list(self.problems)

    def _cleaned(self, field: str, typed: str) -> str:
        cleaned = clean_text(typed)
        if field not in self._hiding and _letters(cleaned) < _letters(typed):
            self._hiding.add(field)
            self.remark(field, typed, _HIDDEN)
        return cleaned


def _letters(text: str) -> int:
    """Count what is no space: a line end may come in several spellings."""
    return sum(not letter.isspace() for letter in text)


def names_in(text: str) -> list[str]:
    r"""Return the names in a text, parted by commas, semicolons or lines; quotes hold a name with a comma together.

    >>> names_in('ABS, EPS\n"door module, left"')
    ['ABS', 'EPS', 'door module, left']
    """
    found = (quoted or plain for quoted, plain in _NAME.findall(text))
    return [" ".join(name.split()) for name in found if name.strip()]


def names_text(names: Iterable[str]) -> str:
    """Return names as one text that `names_in` reads.

    >>> names_text(["ABS", "door module, left"])
    'ABS, "door module, left"'
    """
    return ", ".join(_quoted(name) if _NEEDS_QUOTES.search(name) else name for name in names)


def _quoted(name: str) -> str:
    return '"' + name.replace('"', "'") + '"'
