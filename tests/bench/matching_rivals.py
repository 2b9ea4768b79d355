"""What the matcher is measured beside: full-text search, codes in common, the meaning of the story, a learned ranker.

Each returns a score for every past case of a library, for one job.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable

import numpy as np
from matching_cases import Asked, Library

from casebase.record.words import code_line, searchable_text

Scores = np.ndarray
Ranker = Callable[[Asked], Scores]

_TOKEN = re.compile(r"[^\W_]+")


def full_text(library: Library) -> Ranker:
    """Return BM25 of SQLite's FTS5 over all that a record says, asked for any word of the job, its codes and its model.

    Of the ways tried on the library's own cases (models and titles in or out, common words left out, codes counted more
    or less) this one did best.
    """
    db = sqlite3.connect(":memory:")
    db.execute("CREATE VIRTUAL TABLE told USING fts5(words, tokenize='porter unicode61')")
    db.executemany(
        "INSERT INTO told(rowid, words) VALUES (?, ?)",
        ((row + 1, _all_words(case)) for row, case in enumerate(library.past_cases)),
    )
    count = len(library.past_cases)

    def scores(asked: Asked) -> Scores:
        found = np.zeros(count)
        words = dict.fromkeys(_TOKEN.findall(_all_words(asked.job)))
        query = " OR ".join(f'"{word}"' for word in words)
        for row, score in (
            db.execute("SELECT rowid, bm25(told) FROM told WHERE told MATCH ?", (query,)) if query else ()
        ):
            found[row - 1] = -score
        return found

    return scores


def codes_in_common(library: Library) -> Ranker:
    """Return the share of codes, failure types aside, that both have among all that either has."""
    theirs = [{code.base for code in past.codes} for past in library.pasts]

    def scores(asked: Asked) -> Scores:
        ours = {code.base for code in asked.stuck.codes}
        return np.array([len(ours & codes) / len(ours | codes) if ours | codes else 0.0 for codes in theirs])

    return scores


def stories_alone(library: Library) -> Ranker:
    """Return the cosine of the stories' vectors."""
    vectors = library.collection.index.vectors[library.rows]

    def scores(asked: Asked) -> Scores:
        own = asked.stuck.vector
        return np.zeros(len(vectors)) if own is None else vectors @ own

    return scores


def _all_words(case) -> str:
    codes = [*map(code_line, case.codes), *(module.name for module in case.modules)]
    return "\n".join([case.vehicle.make, case.vehicle.model, searchable_text(case), *codes])
