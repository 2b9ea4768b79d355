"""Texts that looked private and are not, as the shop lead said: told by case, field and the text itself."""

from __future__ import annotations

import hashlib
import json
from typing import Final

from casebase.library.store import Library

_FACT: Final = "texts that are not private"


def cleared(library: Library) -> frozenset[str]:
    """Return the marks of the texts that may go out."""
    return frozenset(json.loads(library.fact(_FACT) or "[]"))


def clear(library: Library, case_id: str, field: str, text: str) -> None:
    """Let a text go out; once it is changed it is looked at again."""
    library.set_fact(_FACT, json.dumps(sorted(cleared(library) | {mark_of(case_id, field, text)})))


def mark_of(case_id: str, field: str, text: str) -> str:
    """Return what stands for a text of a case."""
    return hashlib.sha256("\0".join((case_id, field, text)).encode()).hexdigest()
