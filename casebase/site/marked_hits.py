"""Where the words of a question stand in a case: short excerpts, parted into what was asked for and what was not."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from casebase.library.search import match_query, words_in
from casebase.publish.edition import Edition

Parts = list[tuple[str, bool]]
"""Pieces of text in order, each with whether it is a word that was asked for."""

EXCERPT_WORDS: Final = 28
_BEGIN, _END = "\x02", "\x03"
"""No record holds control characters, so these stand for nothing else."""

_HIT: Final = re.compile(f"{_BEGIN}([^{_BEGIN}{_END}]*){_END}")
_STRAY: Final = re.compile(f"[{_BEGIN}{_END}]")
_LINE_END: Final = re.compile(r"(?P<stop>[.!?:;,])?\s*\n\s*")

_EXCERPTS: Final = (
    "SELECT cases.id, highlight(cases_fts, 0, :begin, :end), snippet(cases_fts, 1, :begin, :end, '...', 12),"
    " snippet(cases_fts, 2, :begin, :end, '...', 12), snippet(cases_fts, 3, :begin, :end, '...', :most),"
    " snippet(cases_fts, 4, :begin, :end, '...', :most)"
    " FROM cases_fts JOIN cases ON cases.rowid = cases_fts.rowid"
    " WHERE cases_fts MATCH :query AND cases.id = :id"
)


@dataclass(frozen=True)
class Hit:
    """What stands in a case of the words asked for: its title, and the excerpts that hold any."""

    title: Parts
    excerpts: list[Parts]


def hits_in(edition: Edition, ids: Sequence[str], text: str) -> dict[str, Hit]:
    """Return, for each case that holds any word of `text`, where."""
    queries = (typed_query(text), word_query(text))
    found = ((case_id, _first_hit(edition, case_id, queries)) for case_id in ids)
    return {case_id: hit for case_id, hit in found if hit}


def typed_query(text: str) -> str:
    """Return an FTS5 query for anything typed, where what is typed in one piece must stand in one piece.

    >>> typed_query("U0100-87 (ABS)")
    '"U0100 87" OR "ABS"'
    """
    return _any_of(" ".join(words_in(piece)) for piece in text.split())


def word_query(text: str) -> str:
    """Return an FTS5 query for any word of `text`.

    >>> word_query("U0100-87 (")
    '"U0100" OR "87"'
    """
    return _any_of(words_in(text))


def _any_of(phrases: Iterable[str]) -> str:
    return " OR ".join(match_query([phrase]) for phrase in dict.fromkeys(phrases) if phrase)


def _first_hit(edition: Edition, case_id: str, queries: Iterable[str]) -> Hit | None:
    for query in queries:
        row = edition.connection.execute(_EXCERPTS, _values(query, case_id)).fetchone() if query else None
        if row is not None:
            return _hit(row[1], row[2:])
    return None


def parts_of(marked: str) -> Parts:
    r"""Return marked text in parts, as one line.

    >>> parts_of("pin \x0214\x03 bent")
    [('pin ', False), ('14', True), (' bent', False)]
    """
    line = _LINE_END.sub(lambda end: f"{end['stop'] or ';'} ", marked)
    pieces = _HIT.split(line)
    return [(_STRAY.sub("", piece), place % 2 == 1) for place, piece in enumerate(pieces) if piece]


def _hit(title: str, columns: Sequence[str | None]) -> Hit:
    excerpts = [parts_of(column) for column in columns if column]
    return Hit(parts_of(title), [parts for parts in excerpts if any(is_hit for _, is_hit in parts)])


def _values(query: str, case_id: str) -> dict[str, Any]:
    return {"query": query, "id": case_id, "begin": _BEGIN, "end": _END, "most": EXCERPT_WORDS}
