"""What the address of a list asks for: any text can stand there, so it is made plain here, once, for all lists."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final
from urllib.parse import parse_qsl

from casebase.site.counted import address
from casebase.site.errors import NotUsableError

LONGEST_TEXT: Final = 300
"""Longer than any name in a record, and than any question somebody types on a phone."""

LONGEST_QUERY: Final = 8000
"""Bytes; room for the longest text, percent-encoded, and every field beside it."""

_HIGHEST_START: Final = 10_000_000
_SHOWN: Final = 60
_BLANKED: Final = frozenset({"Cc", "Cs"})
_TURNING: Final = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Marks that turn the direction of what follows; in a question they could only mislead."""


@dataclass(frozen=True)
class Asked:
    """The address of a list: its path, and the first text of each field that holds one."""

    path: str
    texts: Mapping[str, str]
    was_cut: bool = False

    def text(self, name: str) -> str | None:
        """Return the text of a field, None where there is none."""
        return self.texts.get(name)

    def only(self, *names: str) -> dict[str, str]:
        """Return the fields of these names that hold a text."""
        return {name: self.texts[name] for name in names if name in self.texts}

    def start(self) -> int:
        """Return how many rows of a list to leave out; 0 where that is no number."""
        told = self.texts.get("from", "")
        if not (told.isascii() and told.isdigit() and len(told) < len(str(_HIGHEST_START))):
            return 0
        return int(told)

    def address_from(self, start: int) -> str:
        """Return the address of the same list from another row on."""
        others = {name: text for name, text in self.texts.items() if name != "from"}
        return address(self.path, **others, **({"from": str(start)} if start else {}))


def asked_of(path: str, query: str) -> Asked:
    """Return what an address asks for; `query` as it came, its bytes taken for Latin-1.

    Raises `NotUsableError` where it is longer than any list can use.
    """
    if len(query) > LONGEST_QUERY:
        raise NotUsableError(
            "That address is longer than a list can use. Type the few words, the code or the name that matter most."
        )
    told = query.encode("latin-1", "replace").decode("utf-8", "replace")
    texts: dict[str, str] = {}
    was_cut = False
    for name, text in parse_qsl(told):
        plain = plain_text(text)
        was_cut = was_cut or len(plain) > LONGEST_TEXT
        if plain and name.isidentifier():
            texts.setdefault(name, plain[:LONGEST_TEXT].strip())
    return Asked(path, texts, was_cut)


def plain_text(text: str) -> str:
    r"""Return text as one line in one Unicode form, without what cannot be stored or seen.

    >>> plain_text(" a\x00b\ud800  c ")
    'a b c'
    """
    kept = (" " if _is_blanked(letter) else letter for letter in text)
    return " ".join(unicodedata.normalize("NFC", "".join(kept)).split())


def shown(text: str) -> str:
    """Return a text that was asked for, short enough to be repeated in a sentence."""
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."


def _is_blanked(letter: str) -> bool:
    return letter in _TURNING or unicodedata.category(letter) in _BLANKED
