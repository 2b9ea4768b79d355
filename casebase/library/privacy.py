"""What the shop lead says of private text: texts that only looked private, words accepted, names that must stay.

Both are kept in the library and nowhere else. A text is known by its case, its field and its words.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterable
from typing import Final

from casebase.errors import LibraryError
from casebase.library.library_file import now_text
from casebase.library.store import Library

_FACT: Final = "texts that are not private"


def cleared(library: Library) -> frozenset[str]:
    """Return the marks of the texts that may go out."""
    return frozenset(json.loads(library.fact(_FACT) or "[]"))


def clear(library: Library, case_id: str, field: str, text: str) -> None:
    """Let a text go out; once it is changed it is looked at again."""
    mark = mark_of(case_id, field, text)
    library.change_fact(_FACT, lambda told: json.dumps(sorted({*json.loads(told or "[]"), mark})))


def mark_of(case_id: str, field: str, text: str) -> str:
    """Return what stands for a text of a case."""
    return hashlib.sha256("\0".join((case_id, field, text)).encode()).hexdigest()


SHORTEST_NAME: Final = 3
"""Letters; a shorter one would be found within half of all sentences."""


def names(library: Library) -> list[str]:
    """Return the names, in the order of the alphabet."""
    with library.reading() as db:
        return [name for (name,) in db.execute("SELECT name FROM private_names ORDER BY lower(name), name")]


def add_names(library: Library, added: Iterable[str]) -> list[str]:
    """Keep names, all or none; raise `LibraryError` for one too short to look for."""
    told = [" ".join(name.split()) for name in added]
    for name in told:
        if sum(map(str.isalpha, name)) < SHORTEST_NAME:
            raise LibraryError(
                f"'{name}': too short to look for: expected a name of at least {SHORTEST_NAME} letters"
            )
    with library.changing() as db:
        db.executemany(
            "INSERT INTO private_names (name) VALUES (?) ON CONFLICT DO NOTHING", [(name,) for name in told]
        )
    return told


def remove_names(library: Library, removed: Iterable[str]) -> None:
    """Take names out again; raise `LibraryError` for one that is not there."""
    with library.changing() as db:
        for name in removed:
            if not db.execute("DELETE FROM private_names WHERE lower(name) = lower(?)", (name,)).rowcount:
                raise LibraryError(f"'{name}' is not among the private names: casebase names lists them")


EVERYWHERE: Final = ""
"""The scope of a word that is accepted in every text of a library."""


def accepted_words(library: Library) -> dict[str, frozenset[str]]:
    """Return the words that somebody took as harmless, by their scope."""
    found: dict[str, set[str]] = defaultdict(set)
    with library.reading() as db:
        for word, scope in db.execute("SELECT word, scope FROM accepted_words"):
            found[scope].add(word)
    return {scope: frozenset(words) for scope, words in found.items()}


def accept_words(library: Library, accepted: Iterable[tuple[str, str]], by: str) -> None:
    """Take words as harmless, each with its scope, all or none; raise `LibraryError` where nobody does."""
    if not by.strip():
        raise LibraryError("nobody takes these words as harmless: say who does with --by HANDLE")
    now = now_text()
    with library.changing() as db:
        db.executemany(
            "INSERT INTO accepted_words (word, scope, by, at) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
            [(word, scope, by.strip(), now) for word, scope in accepted],
        )
