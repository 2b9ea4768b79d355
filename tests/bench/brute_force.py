"""The first few of all cases without any bounds: every part of the score of every case, by plain NumPy.

`every_row_exactly` is what the ranking must agree with: double precision throughout. `every_row_fused` is the fastest
that we could make of the same without leaving a row out: tables looked up in short floats, one pass over the story
vectors with `np.vecdot`, parts without a table compared once per distinct set, readings in their own order.
`tables_and_stories` is less than the score: it leaves out readings and whatever has no table, and so bounds from below
what any pass over all rows costs.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.match.facets.arrays import Ragged
from casebase.match.facets.measure import EQUAL_WITHIN
from casebase.match.facets.readings import Readings
from casebase.match.facets.symptoms import story_likeness
from casebase.match.index.match_index import READINGS, SET_PARTS
from casebase.match.index.query import AskedPart, Query
from casebase.match.index.search import Found, order_of

CHUNK: Final = 1 << 15

Rows = NDArray[np.bool_]
SumsOf = Callable[[int, int], NDArray[Any]]


def every_row_exactly(query: Query, allowed: Rows, most: int) -> Found:
    """Return the first rows by the exact score of every row."""
    parts = (query.scores(np.arange(*ends)) for ends in _chunks(len(query.index)))
    return _first(np.concatenate(list(parts)), query, allowed, most)


def every_row_fused(query: Query, allowed: Rows, most: int) -> Found:
    """Return the first rows by the score of every row, in short floats where that is faster."""
    sums = [*map(_tabled, query.tabled), *(_fused(query, part) for part in query.others)]
    return _scored(query, sums, allowed, most)


def tables_and_stories(query: Query, allowed: Rows, most: int) -> Found:
    """Return the first rows by tables and stories alone."""
    stories = [_fused(query, part) for part in query.others if part.name == "story"]
    return _scored(query, [*map(_tabled, query.tabled), *stories], allowed, most)


def _scored(query: Query, sums: list[SumsOf], allowed: Rows, most: int) -> Found:
    scores = np.empty(len(query.index), dtype=np.float32)
    for begin, end in _chunks(len(scores)):
        whole = np.zeros(end - begin, dtype=np.complex64)
        for of_rows in sums:
            whole += of_rows(begin, end)
        scores[begin:end] = query.score(whole)  # type: ignore[arg-type]
    return _first(scores, query, allowed, most)


def _chunks(rows: int) -> list[tuple[int, int]]:
    return [(begin, min(begin + CHUNK, rows)) for begin in range(0, rows, CHUNK)]


def _first(scores: NDArray[Any], query: Query, allowed: Rows, most: int) -> Found:
    scores = np.where(allowed, scores, -1.0)
    most = min(most, int(allowed.sum()))
    # Rows a step below the last one that counts cannot come before it, verified or not.
    floor = np.partition(scores, len(scores) - most)[len(scores) - most] - EQUAL_WITHIN
    rows = np.flatnonzero(scores >= floor)
    order = order_of(scores[rows], query.index.statuses[rows], rows)[:most]
    return Found(rows[order], scores[rows[order]])


def _tabled(part: AskedPart) -> SumsOf:
    """Return what looks up the sums of a part; short row numbers are widened first, as the ranking does."""
    table, sets = part.table, part.sets
    assert table is not None
    assert sets is not None
    return lambda begin, end: table.take(sets[begin:end].astype(np.intp), mode="clip")


def _fused(query: Query, part: AskedPart) -> SumsOf:
    if part.name == "story":
        return _stories(query, part)
    return _readings(query, part) if part.name == READINGS[0] else _by_distinct_sets(query, part)


def _by_distinct_sets(query: Query, part: AskedPart) -> SumsOf:
    index = query.index
    kind = next(each for each in SET_PARTS if each.name == part.name)
    likeness, known = kind.ask(index.arrays_of(kind), query.job, index.rarity)(index.table(part.name))
    table = (part.weight * known * (likeness + 1j)).astype(np.complex64)
    sets = index.arrays[f"{part.name}.rows"]
    return lambda begin, end: table.take(sets[begin:end].astype(np.intp), mode="clip")


def _readings(query: Query, part: AskedPart) -> SumsOf:
    kinds, values, places = query.index.readings
    ask = query.index.reading_arrays.ask(query.job, query.index.rarity)

    def sums(begin: int, end: int) -> NDArray[Any]:
        first, last = kinds.offsets[begin], kinds.offsets[end]
        rows = Ragged(kinds.offsets[begin : end + 1] - first, kinds.flat[first:last])
        likeness, known = ask(Readings(rows, values[first:last], places[first:last]))
        return np.asarray(part.weight * known * (likeness + 1j))

    return sums


def _stories(query: Query, part: AskedPart) -> SumsOf:
    vectors, own = query.index.vectors, np.asarray(query.job.vector, dtype=np.float32)

    def sums(begin: int, end: int) -> NDArray[Any]:
        cosines = np.vecdot(vectors[begin:end], own)
        # The vector of a case without a story is of noughts, and so is its first number: 1 in 10^7 others have that.
        known = vectors[begin:end, 0] != 0
        return np.asarray(np.float32(part.weight) * known * (story_likeness(cosines) + np.complex64(1j)))

    return sums
