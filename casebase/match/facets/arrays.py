"""What the arrays of every facet share: rows of unequal length in flat arrays, and atoms as numbers.

An atom is one plain trait that cases have in common: a code as stored, a lamp, a vehicle. An index keeps each once.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Ids = NDArray[np.integer]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Ragged:
    """`flat[offsets[i]:offsets[i + 1]]` are the items of row i. Shapes (rows + 1,) and (items,)."""

    offsets: NDArray[np.int64]
    flat: Ids

    @classmethod
    def of(cls, rows: list[tuple[int, ...]]) -> Ragged:
        """Return the rows given as ragged arrays."""
        lengths = np.fromiter(map(len, rows), dtype=np.int64, count=len(rows))
        flat = np.fromiter((item for row in rows for item in row), dtype=np.int64, count=int(lengths.sum()))
        return cls(_offsets(lengths), flat)

    @property
    def lengths(self) -> NDArray[np.int64]:
        """The number of items of each row."""
        return np.diff(self.offsets)

    def take(self, rows: Ids) -> Ragged:
        """Return the rows named, in that order.

        >>> Ragged.of([(7,), (), (8, 9)]).take(np.array([2, 0])).flat.tolist()
        [8, 9, 7]
        """
        offsets, places = self.places(rows)
        return Ragged(offsets, self.flat[places])

    def places(self, rows: Ids) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return the offsets of the rows named, taken out in that order, and where their items stand here."""
        begin = self.offsets[rows]
        lengths = self.offsets[rows + 1] - begin
        offsets = _offsets(lengths)
        places = np.arange(offsets[-1])
        places += np.repeat(begin - offsets[:-1], lengths)
        return offsets, places

    def sums(self, values: Floats) -> Floats:
        """Return the sum over each row of `values`, one per item (last axis); 0 for an empty row."""
        return self._reduced(np.add, values)

    def best(self, values: Floats) -> Floats:
        """Return the largest of `values`, one per item (last axis), in each row; 0 for an empty row."""
        return self._reduced(np.maximum, values)

    def only(self, values: Floats) -> Floats:
        """Return the one of `values` that each row has, one per item; 0 for an empty row. No row has two."""
        if len(values) == len(self.offsets) - 1:
            return values
        found = np.zeros(len(self.offsets) - 1)
        found[self.lengths > 0] = values
        return found

    def rows_of(self, items: Ids) -> NDArray[np.intp]:
        """Return the row in which each of the items named (their places in `flat`, ascending) stands."""
        return np.searchsorted(self.offsets, items, side="right") - 1

    def _reduced(self, operation: np.ufunc, values: Floats) -> Floats:
        # A row that is empty, or last, must not reach beyond the items: one more zero stands at the end.
        padded = np.concatenate([values, np.zeros((*values.shape[:-1], 1))], axis=-1)
        found = operation.reduceat(padded, self.offsets[:-1], axis=-1)
        return np.where(self.lengths > 0, found, 0.0)


def _offsets(lengths: NDArray[np.int64]) -> NDArray[np.int64]:
    offsets = np.zeros(len(lengths) + 1, dtype=np.int64)
    np.cumsum(lengths, out=offsets[1:])
    return offsets


Atom = Any
"""A string, or a tuple of plain values: it goes to and from JSON as it is, lists for tuples."""

Graded = tuple[Floats, Floats]
"""Likeness 0..1 (anything where unknown) and how much was known 0..1, one of each per case."""

ToRows = Callable[[Ragged], Graded]
"""From the atoms of many cases to how alike they are to the job at hand."""

NOT_THERE: Final = -1
UNHEARD_OF: Final = -2


def as_atom(value: Any) -> Atom:
    """Return what JSON gave back as the atom it was: lists as tuples."""
    return tuple(map(as_atom, value)) if isinstance(value, list) else value


class Numbered:
    """Numbers for the values of one aspect of the atoms: equal values have equal numbers, `None` is -1.

    >>> seen = Numbered(["wet", None, "hot", "wet"])
    >>> seen.ids.tolist(), seen.of("hot"), seen.of("cold")
    ([0, -1, 1, 0], 1, -2)
    """

    def __init__(self, values: Iterable[Hashable]) -> None:
        self._known: dict[Hashable, int] = {}
        self.ids: NDArray[np.int32] = np.array([self._number(value) for value in values], dtype=np.int32)

    def of(self, value: Hashable) -> int:
        """Return the number of a value: -1 for None, -2 for one that no atom has."""
        return NOT_THERE if value is None else self._known.get(value, UNHEARD_OF)

    @property
    def values(self) -> list[Hashable]:
        """The values, in the order of their numbers."""
        return list(self._known)

    def _number(self, value: Hashable) -> int:
        return NOT_THERE if value is None else self._known.setdefault(value, len(self._known))


def by_number(table: Sequence[float] | Floats, ids: NDArray[np.int32], otherwise: float = 0.0) -> Floats:
    """Return `table[id]` for every id, `otherwise` for the negative ones."""
    padded = np.append(np.asarray(table, dtype=np.float64), otherwise)
    return np.asarray(padded[np.where(ids < 0, len(padded) - 1, ids)])


def nobody_known(rows: Ragged) -> Graded:
    """Answer that the aspect is unknown of every case."""
    nothing = np.zeros(len(rows.offsets) - 1)
    return nothing, nothing


def of_one_atom(likeness: Floats, known: Floats) -> ToRows:
    """Return what answers for rows that have one atom or none."""

    def to_rows(rows: Ragged) -> Graded:
        return rows.only(likeness[rows.flat]), rows.only(known[rows.flat])

    return to_rows
