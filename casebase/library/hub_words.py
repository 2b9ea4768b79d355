"""The full text of a hub: FTS5's own tokens, and its measure of what is relevant: a hub finds what a file finds."""

from __future__ import annotations

import math
import sqlite3
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from threading import Lock
from typing import Any, Final

_BM25_K1, _BM25_B = 1.2, 0.75
"""The constants of SQLite's bm25(); see "SQLite FTS5 Extension", 5.1.1."""


def rareness(count: int, holding: int) -> float:
    """Return the weight of a term that `holding` of `count` cases hold, never below what FTS5 gives the most common."""
    weight = math.log((count - holding + 0.5) / (holding + 0.5))
    return weight if weight > 0 else 1e-6


def relevance(weights: Sequence[tuple[str, float]], times: Mapping[str, int], length: float) -> float:
    """Return how relevant a case is, by how often it holds each term and its length as a share of the usual one."""
    least = _BM25_K1 * (1 - _BM25_B + _BM25_B * length)
    return sum(
        weight * (times[term] * (_BM25_K1 + 1.0)) / (times[term] + least)
        for term, weight in weights
        if term in times
    )


_TERM_BYTES: Final = 2046
"""The longest lexeme that a tsvector takes (PostgreSQL, 8.11.1)."""

_SEARCHED: Final = ("title", "make", "model", "words", "code_words")


class _Tokenizer:
    """FTS5's own tokenizer, so that a hub finds by the same tokens as a file does."""

    def __init__(self) -> None:
        self._alone = Lock()
        self._db = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
        self._db.execute("CREATE VIRTUAL TABLE texts USING fts5(text, tokenize='porter unicode61')")
        self._db.execute("CREATE VIRTUAL TABLE terms USING fts5vocab(texts, instance)")

    def terms(self, texts: Sequence[str]) -> list[list[str]]:
        """Return the terms of each text in their order, those that stand there twice twice."""
        found: dict[int, list[tuple[int, str]]] = defaultdict(list)
        with self._alone:
            self._db.execute("BEGIN")
            try:
                self._db.executemany("INSERT INTO texts (rowid, text) VALUES (?, ?)", enumerate(texts))
                for term, place, offset in self._db.execute("SELECT term, doc, offset FROM terms"):
                    found[place].append((offset, term.encode()[:_TERM_BYTES].decode(errors="ignore")))
            finally:
                self._db.execute("ROLLBACK")
        return [[term for _, term in sorted(found[place])] for place in range(len(texts))]


@lru_cache(maxsize=1)
def _tokenizer() -> _Tokenizer:
    return _Tokenizer()


@lru_cache(maxsize=1024)
def terms_of(text: str) -> tuple[str, ...]:
    """Return the terms of a text in their order."""
    return tuple(_tokenizer().terms([text])[0])


def all_of(terms: Sequence[str]) -> str:
    """Return a query for all terms, each quoted."""
    return " & ".join("'{}'".format(term.replace("\\", "\\\\").replace("'", "''")) for term in terms)


def words_of(rows: Sequence[Mapping[str, Any]]) -> Iterator[dict[str, Any]]:
    """Yield the rows of the full text that go with rows of `cases`."""
    texts = ["\n".join(str(row[column] or "") for column in _SEARCHED) for row in rows]
    for row, terms in zip(rows, _tokenizer().terms(texts), strict=True):
        times: dict[str, int] = defaultdict(int)
        for term in terms:
            times[term] += 1
        yield {
            "case_id": row["id"],
            "terms": " ".join(f"{all_of([term])}" for term in times),
            "times": dict(times),
            "words": len(terms),
        }
