"""Full-text search over the cases, whatever characters are typed."""

from __future__ import annotations

import re
import unicodedata
from typing import Any, Final

from sqlite_utils import Database

COMMON_SHARE: Final = 0.2
"""A word in more than this share of the cases tells nothing and costs the most time."""

_FEW_CASES: Final = 50
_TOKEN: Final = re.compile(r"[^\W_]+")


def found_ids(db: Database, text: str) -> list[str]:
    """Return the IDs of the cases that hold every telling word of `text`, the most relevant first."""
    query = match_query(_telling(db, list(dict.fromkeys(words_in(text)))))
    if not query:
        return []
    rows = db.query(
        "SELECT cases.id FROM cases_fts JOIN cases ON cases.rowid = cases_fts.rowid"
        " WHERE cases_fts MATCH :query ORDER BY bm25(cases_fts), cases.id",
        {"query": query},
    )
    return [row["id"] for row in rows]


def words_in(text: str) -> list[str]:
    """Return the tokens of `text` as FTS5's unicode61 tokenizer parts them.

    >>> words_in("U0100-87, CAN-H it's 60.2 (")
    ['U0100', '87', 'CAN', 'H', 'it', 's', '60', '2']
    """
    return _TOKEN.findall(unicodedata.normalize("NFC", text))


def match_query(words: list[str]) -> str:
    """Return an FTS5 query for all of `words`, each quoted so that none is read as an operator.

    >>> match_query(["NOT", "U0100"])
    '"NOT" "U0100"'
    """
    return " ".join(f'"{word}"' for word in words)


def _telling(db: Database, words: list[str]) -> list[str]:
    """Drop the words that most cases hold; where all are common, keep them."""
    total = _count(db, "SELECT count(*) AS n FROM cases", {})
    if total < _FEW_CASES:
        return words
    telling = [word for word in words if _holding(db, word) <= COMMON_SHARE * total]
    return telling or words


def _holding(db: Database, word: str) -> int:
    return _count(
        db, "SELECT count(*) AS n FROM cases_fts WHERE cases_fts MATCH :query", {"query": match_query([word])}
    )


def _count(db: Database, sql: str, values: dict[str, Any]) -> int:
    return int(next(iter(db.query(sql, values)))["n"])
