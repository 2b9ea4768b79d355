"""A collection of cases to compare with: the index, and where the cases come from that it names."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from casebase.match.index import Index
from casebase.match.index_building import index_of
from casebase.match.profile import Profile
from casebase.match.ragged import Ragged


@dataclass(frozen=True)
class Collection:
    """An index, the profiles behind its numbers, and the numbers of a case by its ID (every revision).

    `senders` holds who sent the cases that are not the shop's own, and what they weigh beside those (0 to 1).
    """

    index: Index
    fetch: Callable[[Sequence[int]], list[Profile]]
    numbers_of: Callable[[str], list[int]]
    senders: Mapping[str, tuple[str, float]] = field(default_factory=dict)

    def profiles(self, rows: NDArray[np.intp]) -> list[Profile]:
        """Return the profiles of the rows named, with what the index knows beyond them."""
        numbers = self.index.arrays["numbers"][rows].tolist()
        return [
            _filled(profile, self.index, int(row), self.senders.get(profile.case_id, ("", 1.0)))
            for profile, row in zip(self.fetch(numbers), rows, strict=True)
        ]

    def rows_of_case(self, case_id: str) -> NDArray[np.intp]:
        """Return the rows of one case."""
        there = self.index.arrays["numbers"]
        wanted = np.array(sorted(self.numbers_of(case_id)), dtype=there.dtype)
        rows = np.searchsorted(there, wanted)
        rows, wanted = rows[rows < len(there)], wanted[rows < len(there)]
        return np.asarray(rows[there[rows] == wanted], dtype=np.intp)


def collection_of(profiles: Iterable[Profile], text: str = "", dimensions: int = 0) -> Collection:
    """Return a collection in memory."""
    kept = list(profiles)
    return Collection(
        index_of(kept, text, dimensions),
        lambda numbers: [kept[number] for number in numbers],
        lambda case_id: [number for number, profile in enumerate(kept) if profile.case_id == case_id],
    )


def _filled(profile: Profile, index: Index, row: int, sender: tuple[str, float]) -> Profile:
    """Return a profile with the posterior of its readings, the module they name, its story's vector, its sender."""
    meaning = {medium: dict(shares) for medium, _, _, shares in _atoms(index, "states", row) if shares}
    located = _atoms(index, "located", row)
    vector = index.vectors[row] if index.vectors.shape[1] else None
    host = (located[0], 1.0) if located else None
    return replace(profile, meaning=meaning, host=host, vector=vector, sent_by=sender[0], trust=sender[1])


def _atoms(index: Index, part: str, row: int) -> list:  # type: ignore[type-arg]
    sets: Ragged = index.table(part).take(index.arrays[f"{part}.rows"][row : row + 1])
    return [index.atoms[part][atom] for atom in sets.flat]
