"""The first few of all cases, exactly: bounds first, the costly parts only for rows that can still enter.

The score of a row is agreed / sqrt(known x known to the job) wherever the row knows no more than the job (and less
otherwise), with agreed <= known. Whatever part is not yet looked at adds at most its whole weight to both, and the
score grows with it: so a bound on every row follows from the parts that are cheap, and a row whose bound is below what
the k-th best row has for certain is never looked at again. What is returned is reckoned in double precision.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.match.facets.arrays import Floats
from casebase.match.facets.base import Match, Ranking
from casebase.match.facets.measure import EQUAL_WITHIN, FAULTS, HEALTHY, Measure
from casebase.match.facets.symptoms import STORIES_READ_AT_ONCE, story_likeness
from casebase.match.index.collection import EVERY_CASE, Collection, Narrowing, fault_rows, known_good_rows
from casebase.match.index.match_index import STATUSES
from casebase.match.index.query import Query, Rows
from casebase.match.meaning import Embeds
from casebase.match.profile import Profile
from casebase.match.text.shorthand import spelled_out
from casebase.record.vocabulary import Kind, Status

CHUNK: Final = 1 << 16
"""Rows looked at together: their sums stay in the processor's cache."""

FIRST_SETTLED: Final = 256
SHORT_FLOAT_ERROR: Final = 1e-5

_HARDLY_ANY: Final = 1e-12
_VERIFIED: Final = STATUSES.index(str(Status.FIXED_VERIFIED))


@dataclass(frozen=True)
class Found:
    """Rows of the index with their scores, best first."""

    rows: Rows
    scores: Floats


def first_of(query: Query, allowed: NDArray[np.bool_], most: int) -> Found:
    """Return the `most` rows of those allowed with the best scores; ties as `order_of` breaks them."""
    if most < 1 or not query.known_to_job:
        return Found(np.zeros(0, dtype=np.intp), np.zeros(0))
    search = _Search(query, most)
    for begin in range(0, len(query.index), CHUNK):
        search.look_at(begin, allowed[begin : begin + CHUNK])
    search.settle()
    return search.found()


def order_of(scores: Floats, statuses: NDArray[np.uint8], rows: Rows) -> NDArray[np.intp]:
    """Return the order of rows: score in steps, in each step verified cases first, then score, then the older row."""
    steps = np.round(scores / EQUAL_WITHIN)
    return np.lexsort((rows, -scores, statuses != _VERIFIED, -steps))


class _Search:
    """The state of one search: rows that may enter with their bounds, and the best rows so far."""

    def __init__(self, query: Query, most: int) -> None:
        self.query, self.most = query, most
        self.others = sorted(query.others, key=lambda part: (part.name == "story", -part.weight))
        self.looked_up = [part for part in query.parts if part.table is not None]
        self.rest = sum(part.weight for part in self.others if part.table is None)
        self.rows, self.bounds = np.zeros(0, dtype=np.intp), np.zeros(0)
        self.sums = np.zeros(0, dtype=np.complex64)
        self.left: list[tuple[Rows, Floats, NDArray[np.complex64]]] = []
        self.best = Found(np.zeros(0, dtype=np.intp), np.zeros(0))
        self.floor = -np.inf

    def look_at(self, begin: int, allowed: NDArray[np.bool_]) -> None:
        """Keep the rows of one chunk that can still enter."""
        sums = self._tabled_sums(begin, len(allowed))
        bounds = self._bound(sums.real, sums.imag, self.rest) + SHORT_FLOAT_ERROR
        rows = np.flatnonzero(allowed & (bounds >= self.floor))
        if not self.others:  # what was looked up is all there is
            self._enter(rows + begin)
            return
        self.left.append((rows + begin, bounds[rows], sums[rows]))
        if self.floor == -np.inf:
            self._gather()
            self._settle_best(FIRST_SETTLED)

    def _gather(self) -> None:
        """Put the rows left of several chunks together."""
        found = [(self.rows, self.bounds, self.sums), *self.left]
        self.rows, self.bounds, self.sums = (np.concatenate(parts) for parts in zip(*found, strict=True))
        self.left = []

    def _tabled_sums(self, begin: int, count: int) -> NDArray[np.complex64]:
        sums = np.zeros(count, dtype=np.complex64)
        places, terms = np.empty(count, dtype=np.intp), np.empty(count, dtype=np.complex64)
        for part in self.looked_up:
            if part.table is not None and part.sets is not None:
                # Widened first: looking up by short whole numbers is eight times as slow.
                np.copyto(places, part.sets[begin : begin + count])
                sums += part.table.take(places, out=terms, mode="clip")
        return sums

    def settle(self) -> None:
        """Look at every row that can still enter, the most promising first."""
        count = FIRST_SETTLED
        self._gather()
        self._settle_best(count)
        self._look_closer()
        while len(self.rows):
            self._settle_best(count)
            count *= 8

    def _look_closer(self) -> None:
        """Bound the rows left by what is cheap to see of the parts without a table, too."""
        rest = self.rest
        for part in self.others:
            if part.roughly is not None and len(self.rows) > part.roughly_above:
                self.sums, rest = self.sums + part.at_most(self.rows), rest - part.weight
                self.bounds = self._bound(self.sums.real, self.sums.imag, rest) + SHORT_FLOAT_ERROR
                self._keep(self.bounds >= self.floor)

    def found(self) -> Found:
        """Return the best rows."""
        return self.best

    def _settle_best(self, count: int) -> None:
        """Reckon the rows with the highest bounds exactly, then drop those that cannot enter any more."""
        count = min(count, len(self.rows))
        left = np.ones(len(self.rows), dtype=bool)
        if count:
            chosen = np.argpartition(-self.bounds, count - 1)[:count]
            self._enter(self.rows[chosen])
            left[chosen] = False
        self._keep(left & (self.bounds >= self.floor))

    def _keep(self, kept: NDArray[np.bool_]) -> None:
        self.rows, self.bounds, self.sums = self.rows[kept], self.bounds[kept], self.sums[kept]

    def _enter(self, rows: Rows) -> None:
        """Reckon rows part by part, dropping those that fall behind on the way."""
        sums = sum((part.sums(rows) for part in self.query.tabled), np.zeros(len(rows), dtype=complex))
        left = list(self.others)
        while left:
            sums = sums + left.pop(0).sums(rows)
            most = sums + sum(part.at_most(rows, quick=True) for part in left)
            kept = self._bound(most.real, most.imag, 0.0) >= self.floor
            rows, sums = rows[kept], sums[kept]
        self._merge(rows, self.query.score(sums))

    def _merge(self, rows: Rows, scores: Floats) -> None:
        rows, scores = np.concatenate([self.best.rows, rows]), np.concatenate([self.best.scores, scores])
        order = order_of(scores, self.query.index.statuses[rows], rows)[: self.most]
        self.best = Found(rows[order], scores[order])
        if len(order) == self.most:
            # Whatever rounds to a lower step cannot enter; a row of the same step may, if it is verified.
            self.floor = (np.round(self.best.scores[-1] / EQUAL_WITHIN) - 0.5) * EQUAL_WITHIN - 1e-9

    def _bound(self, agreed: NDArray[Any], known: NDArray[Any], rest: float) -> Floats:
        # Where nothing is known nothing agrees either.
        known = np.maximum(known + rest, _HARDLY_ANY)
        return np.asarray((agreed + rest) / np.sqrt(known * self.query.known_to_job))


def nearest(  # noqa: PLR0913, PLR0917  the job, the cases, and how to compare
    job: Profile,
    collection: Collection,
    most: int = 5,
    narrowing: Narrowing = EVERY_CASE,
    faults: Measure = FAULTS,
    in_words: int | None = None,
) -> Ranking:
    """Return the cases most like `job`, exactly; its own record and jobs still open are left out.

    Where `in_words` is given, no more known good records than that are returned, and only that many fault cases tell
    facet by facet what was compared.
    """
    index = collection.index
    own = collection.rows_of_case(job.case_id)
    faulty, healthy = fault_rows(index, narrowing), known_good_rows(index, narrowing)
    faulty[own] = healthy[own] = False
    return Ranking(
        _matches(job, collection, faulty, faults, most, in_words),
        _matches(job, collection, healthy, HEALTHY, most if in_words is None else in_words),
        int(faulty.sum() + healthy.sum()),
    )


def nearest_of_its_kind(record: Profile, collection: Collection, most: int) -> list[Match]:
    """Return the records most like one that is kept: of a fault case the fault cases, of a known good one those."""
    healthy = record.status == str(Kind.KNOWN_GOOD)
    allowed = known_good_rows(collection.index) if healthy else fault_rows(collection.index)
    allowed[collection.rows_of_case(record.case_id)] = False
    return _matches(record, collection, allowed, HEALTHY if healthy else FAULTS, most)


def _matches(  # noqa: PLR0913, PLR0917  the job, the cases, and how to compare
    job: Profile,
    collection: Collection,
    allowed: NDArray[np.bool_],
    measure: Measure,
    most: int,
    in_words: int | None = None,
) -> list[Match]:
    index = collection.index
    found = first_of(Query(index, job, measure), allowed, most)
    profiles = collection.profiles(found.rows)
    told = len(profiles) if in_words is None else in_words
    behind = zip(profiles[told:], found.scores[told:].tolist(), strict=True)
    return [
        *measure.matches(job, profiles[:told], index.rarity),
        *(Match(profile, score, math.nan, {}) for profile, score in behind),
    ]


LIKE_IN_MEANING: Final = 0.3
"""Likeness from which a story is offered to a few words (judged: texts of other things got 0.17 at most)."""


def alike_in_meaning(
    collection: Collection, text: str, embedder: Embeds, most: int
) -> list[tuple[str, float]]:
    """Return (case ID, likeness from `LIKE_IN_MEANING` to 1) of the cases whose story means what `text` says.

    The most alike come first; open jobs are not among them.
    """
    index = collection.index
    if not index.vectors.shape[1] or not text.strip():
        return []
    own = embedder.vectors([spelled_out(text)])[0].astype(np.float32)
    cosines = np.concatenate(
        [
            np.vecdot(index.vectors[begin : begin + STORIES_READ_AT_ONCE], own)
            for begin in range(0, len(index.vectors), STORIES_READ_AT_ONCE)
        ]
    )
    likeness = story_likeness(cosines.astype(np.float64))
    likeness[~(fault_rows(index) | known_good_rows(index))] = 0.0
    rows = np.argsort(-likeness, kind="stable")[:most]
    rows = rows[likeness[rows] >= LIKE_IN_MEANING]
    profiles = collection.profiles(rows.astype(np.intp))
    return [(one.case_id, float(likeness[row])) for one, row in zip(profiles, rows, strict=True)]
