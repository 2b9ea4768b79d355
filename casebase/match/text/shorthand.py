"""Workshop shorthand spelled out, so that two people who tell the same fault are understood alike.

The short forms stand in `data/abbreviations.csv`: the words meant, how the form must be written (`any` case, or
`capitals`), words of which one must stand in the same text (`near`; none where the form means one thing only), and
where it comes from. A form with several meanings takes the one with the most such words in the text; undecided, it is
left alone, and it means the same throughout one text. Short names of control modules come from the table of modules.
"""

from __future__ import annotations

import csv
import hashlib
import re
import string
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

from casebase.places import read_table

RULES_VERSION: Final = 1
"""Raised whenever the same tables would spell the same text out otherwise."""

_TABLE: Final = Path(__file__).parent / "data" / "abbreviations.csv"
_MODULE_NAME: Final = re.compile(r"[A-Z][A-Z0-9]{1,5}")
_SMALL: Final = str.maketrans(string.ascii_uppercase, string.ascii_lowercase)
"""Unlike `str.lower`, this never changes the length of a text."""

_WORD: Final = re.compile(r"[a-z0-9]+")
_BEFORE: Final = r"(?<!\w)"
_AFTER: Final = r"(?P<plural>s?)(?!\w|['\u2019](?!s\b)\w)"
"""A short form ends where a word ends: `ECM's` holds one, `can't` does not."""


@dataclass(frozen=True)
class Meaning:
    """One meaning of a short form."""

    words: str
    capitals: bool = False
    near: frozenset[str] = frozenset()

    def is_written(self, found: str) -> bool:
        """Return whether the form found in the text is written as this meaning asks."""
        return not self.capitals or found == found.upper()


def spelled_out(text: str) -> str:
    """Return `text` with its short forms spelled out; a text spelled out already comes back as it is.

    >>> spelled_out("ABS no comm w/ ignition on; DTCs in the ECM")
    'anti-lock brakes does not communicate with ignition on; trouble codes in the engine control'
    >>> spelled_out("AC ripple 0.3 V at the alternator"), spelled_out("AC blows warm"), spelled_out("AC?")
    ('alternating current ripple 0.3 V at the alternator', 'air conditioning blows warm', 'AC?')
    """
    if not text.strip():
        return text
    for _ in range(len(_meanings())):  # every turn but the last leaves fewer kinds of short form
        further = _once(text)
        if further == text:
            break
        text = further
    return text


def abbreviations_digest() -> str:
    """Return a short digest of all that `spelled_out` depends on."""
    plain = repr((RULES_VERSION, _rows(), read_table("modules")))
    return hashlib.sha256(plain.encode()).hexdigest()[:12]


def _once(text: str) -> str:
    small = text.translate(_SMALL)
    words = frozenset(_WORD.findall(small))
    put, done = [], 0
    for match in _pattern().finditer(small):
        found = _spelled(match, text, words)
        if found is not None:
            put += [text[done : match.start()], found]
            done = match.end()
    return "".join([*put, text[done:]])


def _spelled(match: re.Match[str], text: str, words: frozenset[str]) -> str | None:
    short = match["plain"] or match["open"]
    written = text[match.start() : match.start() + len(short)]
    meaning = _decided([one for one in _meanings()[short] if one.is_written(written)], words)
    if meaning is None:
        return None
    if match["open"]:
        return meaning.words + (" " if text[match.end() : match.end() + 1].strip() else "")
    return meaning.words + match["plural"]


def _decided(meanings: list[Meaning], words: frozenset[str]) -> Meaning | None:
    """Return the meaning that the other words of the text speak for most; None where none does, or two tie."""
    if len(meanings) == 1 and not meanings[0].near:
        return meanings[0]
    support = [len(meaning.near & words) for meaning in meanings]
    most = max(support, default=0)
    return meanings[support.index(most)] if most and support.count(most) == 1 else None


@cache
def _pattern() -> re.Pattern[str]:
    """Return what finds every short form in a text of small letters; `w/` may stand right before a word."""
    plain = _any_of(short for short in _meanings() if not short.endswith("/"))
    opening = _any_of(short for short in _meanings() if short.endswith("/"))
    return re.compile(f"{_BEFORE}(?:(?P<plain>{plain}){_AFTER}|(?P<open>{opening}))")


def _any_of(shorts: Iterable[str]) -> str:
    """Return a pattern for any of the short forms, the longest first; by first letter, which is twice as quick."""
    by_letter: dict[str, list[str]] = {}
    for short in sorted(shorts, key=len, reverse=True):
        by_letter.setdefault(short[0], []).append(re.escape(short[1:]))
    return "|".join(f"{re.escape(first)}(?:{'|'.join(rest)})" for first, rest in by_letter.items())


@cache
def _meanings() -> dict[str, list[Meaning]]:
    """Return the meanings of every short form, by the form in small letters."""
    found: dict[str, list[Meaning]] = {}
    for row in _rows():
        near = frozenset(row["near"].split(";")) - {""}
        meaning = Meaning(row["words"], row["case"] == "capitals", near)
        for short in row["short"].split(";"):
            found.setdefault(short.translate(_SMALL), []).append(meaning)
    return {short: [Meaning(words, capitals=True)] for short, words in _modules()} | found


def _modules() -> Iterator[tuple[str, str]]:
    """Yield the short names of control modules, in small letters, each with the module's plain name."""
    for row in read_table("modules"):
        for name in row["names"].split(";"):
            if _MODULE_NAME.fullmatch(name):
                yield name.translate(_SMALL), row["key"]


def short_forms() -> frozenset[str]:
    """Return every short form of the tables as it is written there."""
    names = (name for row in read_table("modules") for name in row["names"].split(";"))
    return frozenset(short for row in _rows() for short in row["short"].split(";")) | set(names)


@cache
def _rows() -> list[dict[str, str]]:
    with _TABLE.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))
