"""A collection of cases to compare with: the index, and where the cases come from that it names.

Which of them are compared at all is narrowed by medium, make, status, shop and day, before anything is ranked.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.match.facets.arrays import Ragged
from casebase.match.index.match_index import MEDIA, STATUSES, SUPERSEDED, Index
from casebase.match.profile import Profile
from casebase.record.vocabulary import Kind, Medium, Status


@dataclass(frozen=True)
class Narrowing:
    """What a past case must be; None leaves an aspect open. Makes and shops are compared without regard to capitals."""

    medium: Medium | None = None
    make: str | None = None
    status: Status | None = None
    shop: str | None = None
    since: date | None = None
    until: date | None = None

    @property
    def given(self) -> dict[str, str]:
        """What was asked for, in words."""
        told = {each.name: getattr(self, each.name) for each in fields(self)}
        return {name: str(value) for name, value in told.items() if value is not None}


EVERY_CASE = Narrowing()


def fault_rows(index: Index, narrowing: Narrowing = EVERY_CASE) -> NDArray[np.bool_]:
    """Return which rows are ended fault cases that the narrowing allows."""
    statuses = index.statuses
    open_jobs, known_good = STATUSES.index(str(Status.OPEN)), STATUSES.index(str(Kind.KNOWN_GOOD))
    ended = (statuses != open_jobs) & (statuses != known_good) & (statuses != SUPERSEDED)
    if narrowing.status is not None:
        ended &= statuses == STATUSES.index(str(narrowing.status))
    return np.asarray(ended & _narrowed(index, narrowing))


def known_good_rows(index: Index, narrowing: Narrowing = EVERY_CASE) -> NDArray[np.bool_]:
    """Return which rows are readings of healthy vehicles that the narrowing allows, whatever status it asks for."""
    healthy = index.statuses == STATUSES.index(str(Kind.KNOWN_GOOD))
    return np.asarray(healthy & _narrowed(index, narrowing))


def _narrowed(index: Index, narrowing: Narrowing) -> NDArray[np.bool_]:
    kept = np.ones(len(index), dtype=bool)
    if narrowing.medium is not None:
        kept &= (index.arrays["media"] >> MEDIA.index(str(narrowing.medium))) & 1 == 1
    if narrowing.make is not None:
        kept &= _of_make(index, narrowing.make)
    if narrowing.shop is not None:
        wanted = [shop.casefold() == narrowing.shop.casefold() for shop in index.atoms["shops"]]
        kept &= np.array(wanted, dtype=bool)[index.arrays["shops"]]
    if narrowing.since is not None:
        kept &= index.arrays["days"] >= narrowing.since.toordinal()
    if narrowing.until is not None:
        days = index.arrays["days"]
        kept &= (days <= narrowing.until.toordinal()) & (days >= 0)
    return kept


def _of_make(index: Index, make: str) -> NDArray[np.bool_]:
    of_vehicle = np.array(
        [atom[0].casefold() == make.casefold() for atom in index.atoms["vehicle"]], dtype=bool
    )
    table = index.table("vehicle")
    of_set = table.best(of_vehicle[table.flat].astype(np.float64)) > 0
    return np.asarray(of_set[index.arrays["vehicle.rows"]])


MOST_KEPT: Final = 2000
"""Profiles kept for the next job: some 20 MB."""


@dataclass(frozen=True)
class Collection:
    """An index, the profiles behind its numbers, and the numbers of a case by its ID (every revision).

    `senders` holds who sent the cases that are not the shop's own, and what they weigh beside those (0 to 1). `kept`
    holds profiles fetched before, by row, where nothing can change them.
    """

    index: Index
    fetch: Callable[[Sequence[int]], list[Profile]]
    numbers_of: Callable[[str], list[int]]
    senders: Mapping[str, tuple[str, float]] = field(default_factory=dict)
    kept: OrderedDict[int, Profile] | None = None

    def profiles(self, rows: NDArray[np.intp]) -> list[Profile]:
        """Return the profiles of the rows named, with what the index knows beyond them."""
        if self.kept is None:
            return self._fetched(rows)
        missing = [row for row in rows.tolist() if row not in self.kept]
        self.kept.update(zip(missing, self._fetched(np.array(missing, dtype=np.intp)), strict=True))
        found = [self.kept[row] for row in rows.tolist()]
        for row in rows.tolist():
            self.kept.move_to_end(row)
        while len(self.kept) > MOST_KEPT:
            self.kept.popitem(last=False)
        return found

    def _fetched(self, rows: NDArray[np.intp]) -> list[Profile]:
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
