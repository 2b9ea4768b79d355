"""What the array side of every facet shares: atoms told as numbers, and answers for many cases at once.

An atom is one plain trait that cases have in common: a code as stored, a lamp, a vehicle. An index keeps each once.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.match.ragged import Floats, Ragged

Atom = Any
"""A string, or a tuple of plain values: it goes to and from JSON as it is, lists for tuples."""

Answer = tuple[Floats, Floats]
"""Likeness 0..1 (anything where unknown) and how much was known 0..1, one of each per case."""

ToRows = Callable[[Ragged], Answer]
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


def nobody_known(rows: Ragged) -> Answer:
    """Answer that the aspect is unknown of every case."""
    nothing = np.zeros(len(rows.offsets) - 1)
    return nothing, nothing


def of_one_atom(likeness: Floats, known: Floats) -> ToRows:
    """Return what answers for rows that have one atom or none."""

    def to_rows(rows: Ragged) -> Answer:
        return rows.only(likeness[rows.flat]), rows.only(known[rows.flat])

    return to_rows
