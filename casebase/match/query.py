"""One job put to the index: each part as a function from rows to likeness, with what it counts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.match.arrays import Answer
from casebase.match.index import Index
from casebase.match.parts import COMPARABLE, READINGS, SET_PARTS, STORY, SetPart
from casebase.match.profile import Profile
from casebase.match.ragged import Floats, Ragged
from casebase.match.ranking import Measure
from casebase.match.symptoms_facet import stories_to_rows, told

Rows = NDArray[np.intp]

SMALL_TABLE: Final = 4096
"""Distinct sets are compared one by one for all cases at once up to this many, or up to the share below of the rows."""

TABLE_SHARE: Final = 0.25


@dataclass(frozen=True)
class AskedPart:
    """A part of the score put to the index: `weight` of the whole, and the answer for rows.

    `table`, where there is one, holds for every distinct set weight x known x likeness (real) and weight x known
    (imaginary), and `sets` the set of each row.
    """

    name: str
    facet: str
    weight: float
    of_rows: Callable[[Rows], Answer]
    sets: NDArray[np.uint32] | None = None
    exact: NDArray[np.complex128] | None = None

    @cached_property
    def table(self) -> NDArray[np.complex64] | None:
        """The table in short floats, for a first look at all rows."""
        return None if self.exact is None else self.exact.astype(np.complex64)

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
        parts = [part for part in self._set_parts() if part.weight]
        # Where the job knows nothing the table holds noughts.
        self.tabled = [part for part in parts if part.exact is not None and part.exact.any()]
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

    def _set_parts(self) -> list[AskedPart]:
        return [self._asked(part) for part in SET_PARTS if part.facet in self.measure.weights]

    def _asked(self, part: SetPart) -> AskedPart:
        weight = self.measure.weights[part.facet] * part.share
        ask = part.ask(self.index.arrays_of(part), self.job, self.index.rarity)
        table, sets = self.index.table(part.name), self.index.arrays[f"{part.name}.rows"]
        exact = _sums(weight, ask(table)) if self._is_small(table) else None

        def of_rows(rows: Rows) -> Answer:
            return ask(table.take(sets[rows]))

        return AskedPart(part.name, part.facet, weight, of_rows, sets, exact)

    def _is_small(self, table: Ragged) -> bool:
        one_atom_each = len(table.flat) < len(table.lengths)
        return one_atom_each or len(table.flat) <= max(SMALL_TABLE, TABLE_SHARE * len(self.index))

    def _other_parts(self) -> list[AskedPart]:
        rarity, arrays, weights = self.index.rarity, self.index.reading_arrays, self.measure.weights
        found = []
        if "readings" in weights:
            found.append(self._of_readings(READINGS, arrays.ask(self.job, rarity)))
        if "comparable" in weights:
            found.append(self._of_readings(COMPARABLE, arrays.ask_comparable(self.job, rarity)))
        vectors = self.index.vectors
        if "symptoms" in weights and told(self.job.vector) and vectors.shape[1]:
            name, facet, share = STORY
            found.append(AskedPart(name, facet, weights[facet] * share, stories_to_rows(self.job, vectors)))
        return [part for part in found if part.weight]

    def _of_readings(self, part: tuple[str, str, float], ask: Any) -> AskedPart:
        name, facet, share = part

        def of_rows(rows: Rows) -> Answer:
            answer: Answer = ask(self.index.readings_of(rows))
            return answer

        return AskedPart(name, facet, self.measure.weights[facet] * share, of_rows)


def _sums(weight: float, answer: Answer) -> NDArray[np.complex128]:
    likeness, known = answer
    return weight * known * (likeness + 1j)


def facet_answers(query: Query, rows: Rows) -> Mapping[str, Answer]:
    """Return likeness and known of every facet for the rows named: its parts joined."""
    sums: dict[str, NDArray[np.complex128]] = {}
    for part in query.parts:
        sums[part.facet] = sums.get(part.facet, np.zeros(len(rows), dtype=complex)) + part.sums(rows)
    answers = {}
    for facet, found in sums.items():
        known = found.imag / query.measure.weights[facet]
        answers[facet] = (found.real / np.where(found.imag > 0, found.imag, 1.0), known)
    return answers
