"""One job put to the index: each part as a function from rows to likeness, with what it counts."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.match.facets.arrays import Floats, Graded, Ragged, ToRows, nobody_known
from casebase.match.facets.base import SetPart
from casebase.match.facets.codes import AskedCodes
from casebase.match.facets.measure import Measure
from casebase.match.facets.symptoms import AskedStory, has_story
from casebase.match.index.match_index import COMPARABLE, KINDS, READINGS, SET_PARTS, STORY, Index
from casebase.match.profile import Profile, readings_compared

Rows = NDArray[np.intp]

SMALL_TABLE: Final = 1 << 15
"""Distinct sets are compared one by one for all cases at once up to this many, or up to the share below of the rows."""

TABLE_SHARE: Final = 0.25

READ_ALL_ABOVE: Final = 0.1
"""Share of the cases from which it is less work to read every story in passing than to fetch those of some."""


@dataclass(frozen=True)
class AskedPart:
    """A part of the score put to the index: `weight` of the whole, and the answer for rows.

    `exact`, where there is one, holds for every distinct set weight x known x likeness (real) and weight x known
    (imaginary), and `sets` the set of each row. Else `most` may hold for every distinct set how much weight x known
    there can be at most, all of it alike; or `roughly` says of rows at less cost how alike they can be at most, where
    there are more than `roughly_above` of them.
    """

    name: str
    facet: str
    weight: float
    of_rows: Callable[[Rows], Graded]
    sets: NDArray[np.uint32] | None = None
    exact: NDArray[np.complex128] | None = None
    most: NDArray[np.complex128] | None = None
    roughly: Callable[[Rows], Graded] | None = None
    roughly_above: float = 0

    @cached_property
    def table(self) -> NDArray[np.complex64] | None:
        """What each distinct set comes to, or can come to at most, in short floats: for a first look at all rows."""
        sums = self.most if self.exact is None else self.exact
        return None if sums is None else sums.astype(np.complex64)

    def at_most(self, rows: Rows, *, quick: bool = False) -> NDArray[np.complex128] | complex:
        """Return the sums that the rows named can come to at most; `quick` looks at nothing but tables."""
        if self.most is not None and self.sets is not None:
            return self.most[self.sets[rows]]
        if self.roughly is not None and not quick:
            return _sums(self.weight, self.roughly(rows))
        return self.weight * (1 + 1j)

    def sums(self, rows: Rows) -> NDArray[np.complex128]:
        """Return weight x known x likeness (real) and weight x known (imaginary) of the rows named."""
        if self.exact is not None and self.sets is not None:
            return self.exact[self.sets[rows]]
        return _sums(self.weight, self.of_rows(rows))


class Query:
    """A job put to an index under a measure: its parts, those with a table first, and what the job itself knows."""

    def __init__(self, index: Index, job: Profile, measure: Measure) -> None:
        self.index, self.job, self.measure = index, job, measure
        rarity = index.rarity
        self.known_to_job = measure.known(measure.compared(job, job, rarity))
        parts = list(self._set_parts())
        self.tabled = [part for part in parts if part.exact is not None]
        self.others = [*self._other_parts(), *(part for part in parts if part.exact is None)]

    @property
    def parts(self) -> list[AskedPart]:
        """Every part."""
        return [*self.tabled, *self.others]

    def scores(self, rows: Rows) -> Floats:
        """Return the exact score of the rows named, in double precision."""
        return self.score(sum((part.sums(rows) for part in self.parts), np.zeros(len(rows), dtype=complex)))

    def score(self, sums: NDArray[np.complex128]) -> Floats:
        """Return the score: the mean over what is known, tempered by how much is known."""
        agreed, known = sums.real, sums.imag
        tempering = np.sqrt(np.minimum(1.0, known / self.known_to_job)) if self.known_to_job else 0.0
        return np.asarray(tempering * agreed / np.where(known > 0, known, 1.0))

    def _set_parts(self) -> Iterator[AskedPart]:
        """Yield the parts that count and of which the job knows anything."""
        for part in SET_PARTS:
            weight = self.measure.weights.get(part.facet, 0.0) * part.share
            if weight:
                ask = part.ask(self.index.arrays_of(part), self.job, self.index.rarity)
                if ask is not nobody_known:
                    yield self._asked(part, weight, ask)

    def _asked(self, part: SetPart, weight: float, ask: ToRows) -> AskedPart:
        table, sets = self.index.table(part.name), self.index.arrays[f"{part.name}.rows"]
        exact = _sums(weight, ask(table)) if self._is_small(table) else None

        def of_rows(rows: Rows) -> Graded:
            return ask(table.take(sets[rows]))

        found = AskedPart(part.name, part.facet, weight, of_rows, sets, exact)
        if exact is not None or not isinstance(ask, AskedCodes):
            return found
        return replace(found, roughly=lambda rows: ask.at_most(table.take(sets[rows])))

    def _is_small(self, table: Ragged) -> bool:
        one_atom_each = len(table.flat) < len(table.lengths)
        return one_atom_each or len(table.flat) <= max(SMALL_TABLE, TABLE_SHARE * len(self.index))

    def _other_parts(self) -> list[AskedPart]:
        rarity, arrays, weights = self.index.rarity, self.index.reading_arrays, self.measure.weights
        found = []
        if "readings" in weights and readings_compared(self.job):
            ask = arrays.ask(self.job, rarity)
            part = self._of_readings(READINGS, ask)
            known = ask.most_known(self.index.table(KINDS))
            most = _sums(part.weight, (np.ones(len(known)), known))
            found.append(replace(part, sets=self.index.arrays[f"{KINDS}.rows"], most=most))
        if "comparable" in weights and readings_compared(self.job):
            found.append(self._of_readings(COMPARABLE, arrays.ask_comparable(self.job, rarity)))
        vectors = self.index.vectors
        if "symptoms" in weights and has_story(self.job.vector) and vectors.shape[1]:
            name, facet, share = STORY
            ask_story, above = AskedStory(self.job, vectors), READ_ALL_ABOVE * len(vectors)
            found.append(
                AskedPart(
                    name,
                    facet,
                    weights[facet] * share,
                    ask_story,
                    roughly=ask_story.at_most,
                    roughly_above=above,
                )
            )
        return [part for part in found if part.weight]

    def _of_readings(self, part: tuple[str, str, float], ask: Any) -> AskedPart:
        name, facet, share = part

        def of_rows(rows: Rows) -> Graded:
            answer: Graded = ask(self.index.readings_of(rows))
            return answer

        return AskedPart(name, facet, self.measure.weights[facet] * share, of_rows)


def _sums(weight: float, answer: Graded) -> NDArray[np.complex128]:
    likeness, known = answer
    found = np.empty(len(known), dtype=np.complex128)
    found.imag = weight * known
    found.real = found.imag * likeness
    return found


def facet_answers(query: Query, rows: Rows) -> Mapping[str, Graded]:
    """Return likeness and known of every facet for the rows named: its parts joined."""
    sums: dict[str, NDArray[np.complex128]] = {}
    for part in query.parts:
        sums[part.facet] = sums.get(part.facet, np.zeros(len(rows), dtype=complex)) + part.sums(rows)
    answers = {}
    for facet, found in sums.items():
        known = found.imag / query.measure.weights[facet]
        answers[facet] = (found.real / np.where(found.imag > 0, found.imag, 1.0), known)
    return answers
